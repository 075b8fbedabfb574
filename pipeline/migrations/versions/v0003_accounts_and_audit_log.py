"""Accounts of the review page and its log, which is only added to."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "accounts",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column(
            "role",
            sa.Text(),
            sa.CheckConstraint("role IN ('reader', 'reviewer', 'steward')", name="ck_accounts_role"),
            nullable=False,
        ),
        sa.Column("password", sa.Text(), nullable=False),
        sa.Column(
            "active", sa.Integer(), sa.CheckConstraint("active IN (0, 1)", name="ck_accounts_active"), nullable=False
        ),
        sa.Column("made_at", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
        sqlite_strict=True,
    )
    op.create_table(
        "audit_log",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("act", sa.Text(), nullable=False),
        sa.Column("about", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.Column(
            "previous",
            sa.Text(),
            sa.CheckConstraint("length(previous) = 64", name="ck_audit_log_previous"),
            nullable=False,
        ),
        sa.Column(
            "digest", sa.Text(), sa.CheckConstraint("length(digest) = 64", name="ck_audit_log_digest"), nullable=False
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("digest", name="uq_audit_log_digest"),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    for act in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER audit_log_no_{act.lower()} BEFORE {act} ON audit_log "
            "BEGIN SELECT RAISE(ABORT, 'the log is only added to'); END"
        )
