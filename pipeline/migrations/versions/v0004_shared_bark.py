"""What photos of one site share: comparisons of two, and the scale that all give to each."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "comparisons",
        sa.Column("earlier", sa.Text(), nullable=False),
        sa.Column("later", sa.Text(), nullable=False),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("same_place", sa.REAL()),
        sa.Column("blocks", sa.Integer(), nullable=False),
        sa.Column("agreeing", sa.Integer(), nullable=False),
        sa.Column("scatter_mm", sa.REAL()),
        sa.Column("places", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("earlier", "later"),
        sa.ForeignKeyConstraint(["earlier"], ["photos.sha256"]),
        sa.ForeignKeyConstraint(["later"], ["photos.sha256"]),
        sqlite_strict=True,
    )
    op.create_index("ix_comparisons_later", "comparisons", ["later"])
    op.create_table(
        "bark_scales",
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("same_place", sa.REAL()),
        sa.Column("area", sa.REAL()),
        sa.Column("width", sa.REAL()),
        sa.Column("height", sa.REAL()),
        sa.Column("area_rel_sd", sa.REAL()),
        sa.Column("width_rel_sd", sa.REAL()),
        sa.Column("height_rel_sd", sa.REAL()),
        sa.Column("area_common_rel_sd", sa.REAL()),
        sa.Column("width_common_rel_sd", sa.REAL()),
        sa.PrimaryKeyConstraint("sha256"),
        sa.ForeignKeyConstraint(["sha256"], ["photos.sha256"]),
        sqlite_strict=True,
    )
