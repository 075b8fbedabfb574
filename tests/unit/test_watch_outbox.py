"""The watcher and its post: real folders, real child processes, a real mail server on this machine."""

from __future__ import annotations

from collections.abc import Iterator
from email import message_from_bytes
from email.policy import default
from pathlib import Path

import pytest
from click.testing import CliRunner

from pipeline.cli import cli
from pipeline.grove import Grove
from pipeline.records import Outcome
from pipeline.store import open_store
from pipeline.watch import Told
from tests import stand_in
from tests.mail_server import Post, free_port, serving
from tests.watched import until, watching


@pytest.fixture
def post() -> Iterator[tuple[Post, int]]:
    with serving() as server:
        yield server


def grove_with_mail(folder: Path, port: int | None, **more: object) -> Grove:
    """Wounds made long before the machine's own day: their visits are overdue, which is news at the first turn."""
    grove = stand_in.make_grove(folder)
    rows = stand_in.SITES.splitlines()
    sites = "".join(f"{row},{day}\n" for row, day in zip(rows, ("made_on", *["2025-11-01"] * 3), strict=True))
    (folder / "register" / "sites.csv").write_text(sites)
    mails = {"enabled": "true", "host": "127.0.0.1", "port": port, "security": "none", "sender": "grove@example.org",
             "recipients": "[a@example.org]", "timeout_s": 5}  # fmt: skip
    lines = {"least_severity": "note"} | (mails if port is not None else {}) | more
    with (folder / "grove.yaml").open("a", encoding="utf-8") as file:
        file.write("\noutbox:\n" + "".join(f"  {name}: {value}\n" for name, value in lines.items()))
    return grove


def bodies(post: Post) -> list[str]:
    return [str(message_from_bytes(e.content or b"", policy=default).get_content()) for e in post.got]


def readings(grove: Grove) -> int:
    with open_store(grove.database) as store:
        return store.counts().get(Outcome.READING, 0)


def alerts(grove: Grove) -> int:
    with open_store(grove.database) as store:
        return len(store.alerts())


def test_news_is_told_once_and_later_news_without_another_photo(tmp_path: Path, post: tuple[Post, int]) -> None:
    grove = grove_with_mail(tmp_path / "grove", post[1], gather_minutes=0.05)
    told: list[Told] = []
    with watching(grove.root, told):
        until(lambda: len(post[0].got) == 1, "the first e-mail")
        first = alerts(grove)
        assert first
        stand_in.drop(grove.inbox, "a.jpg", name="a", width=5.0)
        until(lambda: readings(grove) == 1, "the first photo")
        stand_in.drop(grove.inbox, "b.jpg", name="b", site=206, taken_at="2026-05-04T09:00:00+07:00", width=30.0)
        until(lambda: readings(grove) == 2, "the second photo")
    with watching(grove.root):  # and a watcher that starts anew tells nothing again
        stand_in.drop(grove.inbox, "c.jpg", name="c", site=207)
        until(lambda: readings(grove) == 3, "the third photo")
    with open_store(grove.database) as store:
        news = [item for digest in store.digests() for item in digest.news]
        waiting = store.waiting_digests()
    assert len(news) == len(set(news))
    assert waiting == []
    assert len(set(bodies(post[0]))) == len(post[0].got)
    assert sum(t.digests for t in told) >= 1
    assert not [t for t in told if t.problem]


def test_news_that_came_soon_after_is_gathered_and_leaves_by_itself(tmp_path: Path, post: tuple[Post, int]) -> None:
    grove = grove_with_mail(tmp_path / "grove", post[1], gather_minutes=0.1)
    with watching(grove.root):
        until(lambda: len(post[0].got) == 1, "the first e-mail")
        with open_store(grove.database) as store:  # a run by hand beside the watcher finds something
            (known, *_) = store.alerts()
            store.apply_findings([], known.opened_on)
            store.apply_findings([known.finding], known.opened_on)
        stand_in.drop(grove.inbox, "a.jpg", name="a")
        until(lambda: len(post[0].got) == 2, "the gathered e-mail")
    assert len(post[0].got) == 2


@pytest.mark.parametrize("broken", ["busy", "gone", "unset"])
def test_a_post_that_fails_stops_no_reading(tmp_path: Path, post: tuple[Post, int], broken: str) -> None:
    post[0].busy = broken == "busy"
    port = free_port() if broken == "gone" else post[1]
    grove = grove_with_mail(tmp_path / "grove", port, retry_minutes=0, **({"host": "''"} if broken == "unset" else {}))
    told: list[Told] = []
    with watching(grove.root, told):
        stand_in.drop(grove.inbox, "a.jpg", name="a")
        until(lambda: readings(grove) == 1, "the first photo")
        stand_in.drop(grove.inbox, "b.jpg", name="b", site=206)
        until(lambda: readings(grove) == 2, "the second photo")
        assert post[0].got == []
        if broken == "busy":
            post[0].busy = False
            stand_in.drop(grove.inbox, "c.jpg", name="c", site=207)
            until(lambda: len(post[0].got) == 1, "what waited")
    assert not [t for t in told if t.problem]


def test_by_default_a_watcher_tells_nobody(tmp_path: Path, post: tuple[Post, int]) -> None:
    grove = grove_with_mail(tmp_path / "grove", None)
    done = CliRunner().invoke(cli, ["watch", str(grove.root), "--once"])
    assert done.exit_code == 0, done.output
    assert alerts(grove)
    assert post[0].got == []
    assert not grove.outbox.exists()


def test_looking_once_tells_too(tmp_path: Path, post: tuple[Post, int]) -> None:
    grove = grove_with_mail(tmp_path / "grove", post[1])
    for _ in range(2):
        done = CliRunner().invoke(cli, ["watch", str(grove.root), "--once"])
        assert done.exit_code == 0, done.output
    assert len(post[0].got) == 1
