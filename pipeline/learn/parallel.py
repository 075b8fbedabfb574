"""One network trained by several processes, one a GPU: everyone draws scenes of their own, gradients are shared.

Start with ``torchrun --nproc-per-node=2`` and call ``torch.distributed.init_process_group`` before
:func:`pipeline.learn.train.run`.
"""

from __future__ import annotations

import torch
import torch.distributed as dist


def ranks() -> tuple[int, int]:
    """Number of this process and of all that train one network together (one a GPU, started by ``torchrun``)."""
    if dist.is_available() and dist.is_initialized():
        return dist.get_rank(), dist.get_world_size()
    return 0, 1


def share_gradients(net: torch.nn.Module) -> None:
    """Give every process the mean of all gradients, in one message."""
    _, count = ranks()
    if count == 1:
        return
    gradients = [p.grad for p in net.parameters() if p.grad is not None]
    flat = torch.cat([g.flatten() for g in gradients])
    dist.all_reduce(flat)
    flat /= count
    start = 0
    for gradient in gradients:
        gradient.copy_(flat[start : start + gradient.numel()].view(gradient.shape))
        start += gradient.numel()


def agreed(progress: float, device: torch.device) -> float:
    """The first process's progress, so that all take the same number of steps."""
    if ranks()[1] == 1:
        return progress
    value = torch.tensor([progress], dtype=torch.float64, device=device)
    dist.broadcast(value, 0)
    return float(value)
