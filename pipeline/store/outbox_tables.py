"""Tables of the outbox: digests that were written, and every step of sending them."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index, Integer, Table, Text

from pipeline.store.columns import JsonText, MomentText
from pipeline.store.tables import metadata

digests = Table(
    "digests",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key", Text, CheckConstraint("length(key) = 64", name="key"), nullable=False, unique=True),
    Column("made_at", MomentText, nullable=False),
    Column("file", Text, nullable=False, unique=True),
    Column("subject", Text, nullable=False),
    Column("body", Text, nullable=False),
    Column("news", JsonText, nullable=False),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)

digest_steps = Table(
    "digest_steps",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("digest", Integer, ForeignKey("digests.id"), nullable=False),
    Column("at", MomentText, nullable=False),
    Column("step", Text, CheckConstraint("step IN ('begun', 'sent', 'failed')", name="step"), nullable=False),
    Column("detail", Text, nullable=False),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)
Index("ix_digest_steps_digest", digest_steps.c.digest)
Index("uq_digest_steps_sent", digest_steps.c.digest, unique=True, sqlite_where=digest_steps.c.step == "sent")
