"""Digests of alerts, and the steps of sending them; both are only added to."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "digests",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.Text(), sa.CheckConstraint("length(key) = 64", name="ck_digests_key"), nullable=False),
        sa.Column("made_at", sa.Text(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("news", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("key", name="uq_digests_key"),
        sa.UniqueConstraint("file", name="uq_digests_file"),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    op.create_table(
        "digest_steps",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("digest", sa.Integer(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column(
            "step",
            sa.Text(),
            sa.CheckConstraint("step IN ('begun', 'sent', 'failed')", name="ck_digest_steps_step"),
            nullable=False,
        ),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
        sa.ForeignKeyConstraint(["digest"], ["digests.id"]),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    op.create_index("ix_digest_steps_digest", "digest_steps", ["digest"])
    op.create_index(
        "uq_digest_steps_sent", "digest_steps", ["digest"], unique=True, sqlite_where=sa.text("step = 'sent'")
    )
    for table in ("digests", "digest_steps"):
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
                "BEGIN SELECT RAISE(ABORT, 'the outbox is only added to'); END"
            )
