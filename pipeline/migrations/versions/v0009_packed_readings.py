"""What a survey reads of a site, packed into one row; triggers remove the row when what it copies changes."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

FORGET = "DELETE FROM packed_readings WHERE site"
OF_RESULT = "(SELECT site FROM results WHERE id = {row}.{column})"
OF_PHOTO = "(SELECT site FROM results WHERE sha256 = {row}.sha256)"


def forget_after(table: str, act: str, *sites: str) -> None:
    """Remove the packed row of each of some sites, given as conditions on ``site``, when a row changes."""
    # a row that is going away must be looked at while those it hangs on are still there
    when = "BEFORE" if act == "DELETE" else "AFTER"
    steps = " ".join(f"{FORGET} {site};" for site in sites)
    op.execute(f"CREATE TRIGGER {table}_{act.lower()}_unpacks {when} {act} ON {table} BEGIN {steps} END")


def upgrade() -> None:
    op.create_table(
        "packed_readings",
        sa.Column("site", sa.Integer(), primary_key=True),
        sa.Column("layout", sa.Integer(), nullable=False),
        sa.Column("parts", sa.Text(), nullable=False),
        *(sa.Column(name, sa.LargeBinary(), nullable=False) for name in ("whole", "numbers", "part_sds")),
        sa.Column("texts", sa.Text(), nullable=False),
        sqlite_strict=True,
    )
    for act, rows in (("INSERT", ("NEW",)), ("UPDATE", ("OLD", "NEW")), ("DELETE", ("OLD",))):
        forget_after("results", act, *(f"= {row}.site" for row in rows))
        for table in ("standing", "readings"):
            forget_after(table, act, *(f"= {OF_RESULT.format(row=row, column='result')}" for row in rows))
        forget_after("bark_scales", act, *(f"IN {OF_PHOTO.format(row=row)}" for row in rows))
