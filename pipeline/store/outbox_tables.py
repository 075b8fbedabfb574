"""Tables of the outbox: digests that were written, and every step of sending them."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Column, ForeignKey, Index, Integer, Table, Text

from pipeline.store.columns import json_text, moment, serial, text
from pipeline.store.tables import metadata

digests = Table(
    "digests",
    metadata,
    serial(),
    Column("key", Text, CheckConstraint("length(key) = 64", name="key"), nullable=False, unique=True),
    moment("made_at"),
    Column("file", Text, nullable=False, unique=True),
    text("subject"),
    text("body"),
    json_text("news"),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)

digest_steps = Table(
    "digest_steps",
    metadata,
    serial(),
    Column("digest", Integer, ForeignKey("digests.id"), nullable=False),
    moment("at"),
    Column("step", Text, CheckConstraint("step IN ('begun', 'sent', 'failed')", name="step"), nullable=False),
    text("detail"),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)
Index("ix_digest_steps_digest", digest_steps.c.digest)
Index("uq_digest_steps_sent", digest_steps.c.digest, unique=True, sqlite_where=digest_steps.c.step == "sent")
