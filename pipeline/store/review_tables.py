"""Tables of the review page: who may sign in, and the log of what was done there."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Column, Integer, Table, Text

from pipeline.store.columns import json_text, moment, serial, text
from pipeline.store.tables import metadata

accounts = Table(
    "accounts",
    metadata,
    Column("name", Text, primary_key=True),
    Column("role", Text, CheckConstraint("role IN ('reader', 'reviewer', 'steward')", name="role"), nullable=False),
    text("password"),
    Column("active", Integer, CheckConstraint("active IN (0, 1)", name="active"), nullable=False),
    moment("made_at"),
    moment("changed_at"),
    sqlite_strict=True,
)

audit_log = Table(
    "audit_log",
    metadata,
    serial(),
    moment("at"),
    text("who"),
    text("act"),
    text("about"),
    json_text("detail"),
    Column("previous", Text, CheckConstraint("length(previous) = 64", name="previous"), nullable=False),
    Column("digest", Text, CheckConstraint("length(digest) = 64", name="digest"), nullable=False, unique=True),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)
"""Only ever added to; each line carries the digest of the line before."""
