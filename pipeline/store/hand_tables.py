"""Tables of the hand's side: why a photo was refused, what people said of clocks and of photos without a card."""

from __future__ import annotations

from sqlalchemy import REAL, CheckConstraint, Column, ForeignKey, Index, Integer, Table, Text

from pipeline.store.columns import JsonText, MomentText
from pipeline.store.tables import metadata

refusal_details = Table(
    "refusal_details",
    metadata,
    Column("result", Integer, ForeignKey("refusals.result", ondelete="CASCADE"), primary_key=True),
    Column("code", Text, nullable=False),
    Column("device", Text, nullable=False),
    sqlite_strict=True,
)

stated_times = Table(
    "stated_times",
    metadata,
    Column("result", Integer, ForeignKey("results.id", ondelete="CASCADE"), primary_key=True),
    Column("stated_at", MomentText, nullable=False),
    sqlite_strict=True,
)
"""What a photo itself says, for each result whose time a person corrected; follows from :data:`clock_shifts`."""

question_subjects = Table(
    "question_subjects",
    metadata,
    Column("question", Integer, ForeignKey("questions.id"), primary_key=True),
    Column("about", JsonText, nullable=False),
    sqlite_strict=True,
)

clock_shifts = Table(
    "clock_shifts",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("who", Text, nullable=False),
    Column("at", MomentText, nullable=False),
    Column("shift_s", REAL, nullable=False),
    Column("from_at", MomentText, nullable=False),
    Column("to_at", MomentText, nullable=False),
    Column("device", Text, nullable=False),
    Column("folder", Text, nullable=False),
    Column("sha256", Text, ForeignKey("photos.sha256")),
    Column("question", Integer, ForeignKey("questions.id")),
    Column("note", Text, nullable=False),
    Column("replaces", Integer, ForeignKey("clock_shifts.id")),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)

settled_photos = Table(
    "settled_photos",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sha256", Text, ForeignKey("photos.sha256"), nullable=False),
    Column("who", Text, nullable=False),
    Column("at", MomentText, nullable=False),
    Column("site", Integer),
    Column("note", Text, nullable=False),
    Column("standing", Integer, CheckConstraint("standing IN (0, 1)", name="standing"), nullable=False),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)
Index("ix_settled_photos_sha256", settled_photos.c.sha256)

HAND_FACTS: tuple[Table, ...] = (question_subjects, clock_shifts, settled_photos)
"""Tables of these that are only ever added to."""
