"""Digests of alerts that were written, and which of them still have to leave by e-mail."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import func, insert, select

from pipeline.records import AlertStep, Digest, WaitingDigest
from pipeline.store.connected import Connected
from pipeline.store.outbox_tables import digest_steps, digests
from pipeline.store.tables import alert_events

if TYPE_CHECKING:
    from datetime import datetime, timedelta

    from sqlalchemy import RowMapping


class OutboxBook(Connected):
    """What was told to people, and what waits to be sent."""

    def openings(self) -> dict[int, int]:
        """How often each alert was opened, by its number; a re-opened one is news again."""
        query = (
            select(alert_events.c.alert, func.count())
            .where(alert_events.c.step.in_((AlertStep.OPENED.value, AlertStep.REOPENED.value)))
            .group_by(alert_events.c.alert)
        )
        with self._reading() as connection:
            return {int(alert): int(count) for alert, count in connection.execute(query)}

    def told(self) -> set[str]:
        """News that stand in some digest already."""
        with self._reading() as connection:
            return {str(item) for news in connection.execute(select(digests.c.news)).scalars() for item in news}

    def keep_digest(self, digest: Digest) -> bool:
        """Remember a digest; ``False`` where the same one is known already."""
        with self._writing() as connection:
            if connection.execute(select(digests.c.id).where(digests.c.key == digest.key)).first():
                return False
            connection.execute(
                insert(digests).values(
                    key=digest.key,
                    made_at=digest.made_at,
                    file=digest.file,
                    subject=digest.subject,
                    body=digest.body,
                    news=list(digest.news),
                )
            )
        return True

    def digests(self) -> list[Digest]:
        """Every digest, oldest first."""
        with self._reading() as connection:
            rows = connection.execute(select(digests).order_by(digests.c.id)).mappings().all()
        return [_digest_of(row) for row in rows]

    def newest_digest_at(self) -> datetime | None:
        """When the last digest was made."""
        with self._reading() as connection:
            made_at: datetime | None = connection.execute(
                select(digests.c.made_at).order_by(digests.c.id.desc()).limit(1)
            ).scalar()
        return made_at

    def waiting_digests(self) -> list[WaitingDigest]:
        """Digests that were not sent, oldest first."""
        sent = select(digest_steps.c.digest).where(digest_steps.c.step == "sent")
        query = select(digests).where(digests.c.id.not_in(sent)).order_by(digests.c.id)
        with self._reading() as connection:
            rows = connection.execute(query).mappings().all()
            wanted = [row["id"] for row in rows]
            steps = (
                connection.execute(
                    select(digest_steps).where(digest_steps.c.digest.in_(wanted)).order_by(digest_steps.c.id)
                )
                .mappings()
                .all()
            )
        by_digest: dict[int, list[RowMapping]] = {}
        for step in steps:
            by_digest.setdefault(step["digest"], []).append(step)
        return [_waiting(_digest_of(row), by_digest.get(row["id"], [])) for row in rows]

    def begin_sending(self, number: int, at: datetime, busy: timedelta) -> bool:
        """Take a digest in hand; ``False`` where it was sent, or another process is sending it right now.

        Parameters
        ----------
        busy
            A sending that began no longer ago than this, and has no outcome, is taken as still under way.
        """
        last = select(digest_steps).where(digest_steps.c.digest == number).order_by(digest_steps.c.id.desc())
        sent = select(digest_steps.c.id).where(digest_steps.c.digest == number, digest_steps.c.step == "sent")
        with self._writing() as connection:
            newest = connection.execute(last.limit(1)).mappings().first()
            under_way = newest is not None and newest["step"] == "begun" and at - newest["at"] < busy
            if under_way or connection.execute(sent).first():
                return False
            connection.execute(insert(digest_steps).values(digest=number, at=at, step="begun", detail=""))
        return True

    def end_sending(self, number: int, at: datetime, *, sent: bool, detail: str) -> None:
        """Note how it ended."""
        step = "sent" if sent else "failed"
        with self._writing() as connection:
            connection.execute(insert(digest_steps).values(digest=number, at=at, step=step, detail=detail))


def _digest_of(row: RowMapping) -> Digest:
    return Digest(row["key"], row["made_at"], row["file"], row["subject"], row["body"], tuple(row["news"]), row["id"])


def _waiting(digest: Digest, steps: list[RowMapping]) -> WaitingDigest:
    last = steps[-1] if steps else None
    return WaitingDigest(
        digest,
        tries=sum(step["step"] == "begun" for step in steps),
        last_at=last["at"] if last is not None else None,
        perhaps_sent=any(
            step["step"] == "begun" and (i + 1 == len(steps) or steps[i + 1]["step"] == "begun")
            for i, step in enumerate(steps)
        ),
        detail=last["detail"] if last is not None else "",
    )
