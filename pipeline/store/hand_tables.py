"""Tables of the hand's side: why a photo was refused, what people said of clocks and of photos without a card."""

from __future__ import annotations

from sqlalchemy import REAL, CheckConstraint, Column, ForeignKey, Index, Integer, Table

from pipeline.store.columns import json_text, moment, photo, serial, text
from pipeline.store.tables import metadata

refusal_details = Table(
    "refusal_details",
    metadata,
    Column("result", Integer, ForeignKey("refusals.result", ondelete="CASCADE"), primary_key=True),
    text("code"),
    text("device"),
    sqlite_strict=True,
)

stated_times = Table(
    "stated_times",
    metadata,
    Column("result", Integer, ForeignKey("results.id", ondelete="CASCADE"), primary_key=True),
    moment("stated_at"),
    sqlite_strict=True,
)
"""What a photo itself says, for each result whose time a person corrected; follows from :data:`clock_shifts`."""

question_subjects = Table(
    "question_subjects",
    metadata,
    Column("question", Integer, ForeignKey("questions.id"), primary_key=True),
    json_text("about"),
    sqlite_strict=True,
)

clock_shifts = Table(
    "clock_shifts",
    metadata,
    serial(),
    text("who"),
    moment("at"),
    Column("shift_s", REAL, nullable=False),
    moment("from_at"),
    moment("to_at"),
    text("device"),
    text("folder"),
    photo(required=False),
    Column("question", Integer, ForeignKey("questions.id")),
    text("note"),
    Column("replaces", Integer, ForeignKey("clock_shifts.id")),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)

settled_photos = Table(
    "settled_photos",
    metadata,
    serial(),
    photo(),
    text("who"),
    moment("at"),
    Column("site", Integer),
    text("note"),
    Column("standing", Integer, CheckConstraint("standing IN (0, 1)", name="standing"), nullable=False),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)
Index("ix_settled_photos_sha256", settled_photos.c.sha256)

HAND_FACTS: tuple[Table, ...] = (question_subjects, clock_shifts, settled_photos)
"""Tables of these that are only ever added to."""
