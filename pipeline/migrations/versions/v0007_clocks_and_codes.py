"""Codes of refusals, corrected clocks, and refused photos that need no retake any more."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "refusal_details",
        sa.Column("result", sa.Integer(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("result"),
        sa.ForeignKeyConstraint(["result"], ["refusals.result"], ondelete="CASCADE"),
        sqlite_strict=True,
    )
    op.create_table(
        "stated_times",
        sa.Column("result", sa.Integer(), nullable=False),
        sa.Column("stated_at", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("result"),
        sa.ForeignKeyConstraint(["result"], ["results.id"], ondelete="CASCADE"),
        sqlite_strict=True,
    )
    op.create_table(
        "question_subjects",
        sa.Column("question", sa.Integer(), nullable=False),
        sa.Column("about", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("question"),
        sa.ForeignKeyConstraint(["question"], ["questions.id"]),
        sqlite_strict=True,
    )
    op.create_table(
        "clock_shifts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("shift_s", sa.REAL(), nullable=False),
        sa.Column("from_at", sa.Text(), nullable=False),
        sa.Column("to_at", sa.Text(), nullable=False),
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("folder", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text()),
        sa.Column("question", sa.Integer()),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("replaces", sa.Integer()),
        sa.PrimaryKeyConstraint("id"),
        sa.ForeignKeyConstraint(["sha256"], ["photos.sha256"]),
        sa.ForeignKeyConstraint(["question"], ["questions.id"]),
        sa.ForeignKeyConstraint(["replaces"], ["clock_shifts.id"]),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    op.create_table(
        "settled_photos",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("at", sa.Text(), nullable=False),
        sa.Column("site", sa.Integer()),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column(
            "standing",
            sa.Integer(),
            sa.CheckConstraint("standing IN (0, 1)", name="ck_settled_photos_standing"),
            nullable=False,
        ),
        sa.PrimaryKeyConstraint("id"),
        sa.ForeignKeyConstraint(["sha256"], ["photos.sha256"]),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    op.create_index("ix_settled_photos_sha256", "settled_photos", ["sha256"])
    for table in ("question_subjects", "clock_shifts", "settled_photos"):
        for act in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
                "BEGIN SELECT RAISE(ABORT, 'what people said is only added to'); END"
            )
    # Refusals of before carry no code: they are read again at the next run.
    op.execute("UPDATE results SET basis = '' WHERE kind = 'refusal'")
