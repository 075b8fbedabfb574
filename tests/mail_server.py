"""A real mail server on this machine that keeps what it gets."""

from __future__ import annotations

import socket
from contextlib import contextmanager
from email import message_from_bytes
from email.policy import default
from typing import TYPE_CHECKING

from aiosmtpd.controller import Controller

if TYPE_CHECKING:
    from collections.abc import Iterator

    from aiosmtpd.smtp import SMTP, Envelope, Session


class Post:
    """A mail server that keeps what it gets; ``busy`` makes it refuse for the time being."""

    def __init__(self) -> None:
        self.got: list[Envelope] = []
        self.busy = False
        self.unknown: set[str] = set()

    async def handle_RCPT(
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        if address in self.unknown:
            return "550 no such person"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, session: Session, envelope: Envelope) -> str:
        if self.busy:
            return "451 try again later"
        self.got.append(envelope)
        return "250 OK"

    @property
    def subjects(self) -> list[str]:
        return [str(message_from_bytes(e.content or b"", policy=default)["Subject"]) for e in self.got]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def serving() -> Iterator[tuple[Post, int]]:
    """A server that runs, and its port."""
    handler = Post()
    controller = Controller(handler, hostname="127.0.0.1", port=free_port())
    controller.start()
    try:
        yield handler, controller.port
    finally:
        controller.stop()
