"""Where the rim of a wound advanced between two photos of its site."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    pieces: list[sa.Column[float]] = [
        sa.Column(f"{piece}_{name}", sa.REAL())
        for piece in ("whole", "sides", "ends")
        for name in ("advance_mm", "advance_mm_sd", "length_mm")
    ]
    op.create_table(
        "rim_fields",
        sa.Column("later", sa.Text(), nullable=False),
        sa.Column("earlier", sa.Text(), nullable=False),
        *pieces,
        sa.Column("detail", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("later"),
        sa.ForeignKeyConstraint(["later"], ["photos.sha256"]),
        sa.ForeignKeyConstraint(["earlier"], ["photos.sha256"]),
        sqlite_strict=True,
    )
    op.create_index("ix_rim_fields_earlier", "rim_fields", ["earlier"])
