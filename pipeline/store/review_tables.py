"""Tables of the review page: who may sign in, and the log of what was done there."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Column, Integer, Table, Text

from pipeline.store.columns import JsonText, MomentText
from pipeline.store.tables import metadata

accounts = Table(
    "accounts",
    metadata,
    Column("name", Text, primary_key=True),
    Column("role", Text, CheckConstraint("role IN ('reader', 'reviewer', 'steward')", name="role"), nullable=False),
    Column("password", Text, nullable=False),
    Column("active", Integer, CheckConstraint("active IN (0, 1)", name="active"), nullable=False),
    Column("made_at", MomentText, nullable=False),
    Column("changed_at", MomentText, nullable=False),
    sqlite_strict=True,
)

audit_log = Table(
    "audit_log",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at", MomentText, nullable=False),
    Column("who", Text, nullable=False),
    Column("act", Text, nullable=False),
    Column("about", Text, nullable=False),
    Column("detail", JsonText, nullable=False),
    Column("previous", Text, CheckConstraint("length(previous) = 64", name="previous"), nullable=False),
    Column("digest", Text, CheckConstraint("length(digest) = 64", name="digest"), nullable=False, unique=True),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)
"""Only ever added to; each line carries the digest of the line before."""
