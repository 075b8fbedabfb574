"""Alerts with a life, the answers of people, and questions to them."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

FACTS = ("alert_keys", "alert_events", "reviews", "questions", "answers")


def text(name: str, *more: sa.ForeignKey | sa.CheckConstraint, null: bool = False) -> sa.Column[Any]:
    return sa.Column(name, sa.Text(), *more, nullable=null)


def whole(name: str, *more: sa.ForeignKey | sa.CheckConstraint, null: bool = False) -> sa.Column[Any]:
    return sa.Column(name, sa.Integer(), *more, nullable=null)


def only_added_to(table: str) -> None:
    """Make the database itself refuse a change or a removal of a fact."""
    for act in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'facts in {table} are only added to'); END"
        )


def upgrade() -> None:
    alerts()
    people()
    for table in FACTS:
        only_added_to(table)


def alerts() -> None:
    op.create_table(
        "alert_keys",
        whole("id"),
        text("key"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("key", name="uq_alert_keys_key"),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    steps = "step IN ('opened', 'updated', 'acknowledged', 'closed', 'reopened')"
    op.create_table(
        "alert_events",
        whole("id"),
        whole("alert"),
        text("step", sa.CheckConstraint(steps, name="ck_alert_events_step")),
        text("on"),
        text("at", null=True),
        text("by"),
        text("note"),
        text("finding", null=True),
        sa.PrimaryKeyConstraint("id"),
        sa.ForeignKeyConstraint(["alert"], ["alert_keys.id"]),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    op.create_index("ix_alert_events_alert", "alert_events", ["alert"])
    states = "state IN ('open', 'acknowledged', 'closed')"
    op.create_table(
        "alerts",
        whole("id"),
        text("rule"),
        text("severity"),
        text("tree"),
        text("stem"),
        whole("site", null=True),
        text("state", sa.CheckConstraint(states, name="ck_alerts_state")),
        text("opened_on"),
        text("updated_on"),
        text("closed_on", null=True),
        text("closed_by"),
        text("finding"),
        sa.PrimaryKeyConstraint("id"),
        sa.CheckConstraint("(state = 'closed') = (closed_on IS NOT NULL)", name="ck_alerts_closed"),
        sa.ForeignKeyConstraint(["id"], ["alert_keys.id"]),
        sqlite_strict=True,
    )
    op.create_index("ix_alerts_state", "alerts", ["state", "tree"])


def people() -> None:
    op.create_table(
        "reviews",
        whole("id"),
        text("who"),
        text("at"),
        text("answer"),
        whole("site", null=True),
        text("sha256", null=True),
        whole("alert", null=True),
        text("sign", null=True),
        whole("stage", null=True),
        text("note"),
        text("payload"),
        whole("replaces", null=True),
        sa.PrimaryKeyConstraint("id"),
        sa.ForeignKeyConstraint(["sha256"], ["photos.sha256"]),
        sa.ForeignKeyConstraint(["alert"], ["alert_keys.id"]),
        sa.ForeignKeyConstraint(["replaces"], ["reviews.id"]),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    op.create_index("ix_reviews_site", "reviews", ["site"])
    op.create_table(
        "questions",
        whole("id"),
        text("key"),
        whole("site"),
        text("asked_on"),
        text("from_on"),
        text("to_on"),
        text("words"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("key", name="uq_questions_key"),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    op.create_table(
        "answers",
        whole("id"),
        whole("question"),
        text("who"),
        text("at"),
        text("event", null=True),
        text("note"),
        sa.PrimaryKeyConstraint("id"),
        sa.ForeignKeyConstraint(["question"], ["questions.id"]),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    op.create_index("ix_answers_question", "answers", ["question"])
