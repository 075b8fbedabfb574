"""Two processes train one network: gradients are their mean, progress is the first one's."""

from __future__ import annotations

import multiprocessing
import socket

import pytest

torch = pytest.importorskip("torch", reason="needs the extra 'train'")

pytestmark = pytest.mark.train


def _work(rank: int, port: int, answers) -> None:
    import torch.distributed as dist

    from pipeline.learn.parallel import agreed, ranks, share_gradients

    torch.set_num_threads(1)
    dist.init_process_group("gloo", init_method=f"tcp://127.0.0.1:{port}", rank=rank, world_size=2)
    net = torch.nn.Sequential(torch.nn.Conv2d(1, 2, 3).to(memory_format=torch.channels_last), torch.nn.Linear(2, 1))
    for number, p in enumerate(net.parameters()):
        p.grad = torch.arange(p.numel(), dtype=torch.float32).view(p.shape) * (rank + 1) + number
    share_gradients(net)
    answers.put((rank, ranks(), [p.grad.tolist() for p in net.parameters()], agreed(0.25 + rank, torch.device("cpu"))))
    dist.destroy_process_group()


def test_two_processes_share_gradients_and_progress():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    context = multiprocessing.get_context("spawn")
    answers = context.Queue()
    workers = [context.Process(target=_work, args=(rank, port, answers)) for rank in range(2)]
    for worker in workers:
        worker.start()
    told = sorted(answers.get(timeout=120) for _ in workers)
    for worker in workers:
        worker.join(timeout=60)
    assert [t[1] for t in told] == [(0, 2), (1, 2)]
    assert told[0][2] == told[1][2]
    # The mean of 1 x and 2 x is 1.5 x; each parameter's own number was added to both.
    first = torch.tensor(told[0][2][0]).flatten()
    torch.testing.assert_close(first, 1.5 * torch.arange(18, dtype=torch.float32))
    assert told[0][3] == told[1][3] == 0.25


def test_a_single_process_is_left_alone():
    from pipeline.learn.parallel import agreed, ranks, share_gradients

    net = torch.nn.Linear(2, 1)
    net.weight.grad = torch.ones(1, 2)
    share_gradients(net)
    assert ranks() == (0, 1)
    assert net.weight.grad.tolist() == [[1.0, 1.0]]
    assert agreed(0.4, torch.device("cpu")) == 0.4
