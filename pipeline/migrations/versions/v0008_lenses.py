"""What was learned of each phone's lenses."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "lenses",
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("lens", sa.Text(), nullable=False),
        sa.Column("photos", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.REAL(), nullable=False) for name in ("focal_factor", "focal_factor_sd", "k1", "k1_sd")),
        sa.PrimaryKeyConstraint("device", "lens"),
        sqlite_strict=True,
    )
    op.create_table(
        "phones",
        sa.Column("device", sa.Text(), nullable=False),
        sa.Column("readings", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("device"),
        sqlite_strict=True,
    )
