"""Photos that arrived, and what was read in them."""

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

FACTS = ("photos", "arrivals", "releases", "reader_uses")

NUMBERS = [
    "aperture_area_mm2",
    "aperture_area_mm2_sd",
    "aperture_width_mm",
    "aperture_width_mm_sd",
    "aperture_height_mm",
    "aperture_height_mm_sd",
    "aperture_perimeter_mm",
    "aperture_perimeter_mm_sd",
    "new_tissue_width_mm",
    "wood_L",
    "wood_L_sd",
    "wood_a",
    "wood_a_sd",
    "wood_b",
    "wood_b_sd",
]
STAGES = ["p_fresh", "p_resinous", "p_callus", "p_closing", "p_closed", "p_rebarked", "p_not_a_site"]
SIGNS = ["green_film", "white_mycelium", "conk", "dark_bleeding", "sunken_bark"]


def text(name: str, *more: sa.ForeignKey | sa.CheckConstraint, null: bool = False) -> sa.Column[Any]:
    return sa.Column(name, sa.Text(), *more, nullable=null)


def whole(name: str, *more: sa.ForeignKey | sa.CheckConstraint, null: bool = False) -> sa.Column[Any]:
    return sa.Column(name, sa.Integer(), *more, nullable=null)


def number(name: str, null: bool = True) -> sa.Column[Any]:
    return sa.Column(name, sa.REAL(), nullable=null)


def check(condition: str, name: str) -> sa.CheckConstraint:
    return sa.CheckConstraint(condition, name=name)


def only_added_to(table: str) -> None:
    """Make the database itself refuse a change or a removal of a fact."""
    for act in ("UPDATE", "DELETE"):
        op.execute(
            f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'facts in {table} are only added to'); END"
        )


def upgrade() -> None:
    op.create_table(
        "photos",
        text("sha256", check("length(sha256) = 64", "ck_photos_hex")),
        whole("size_bytes", check("size_bytes >= 0", "ck_photos_size")),
        text("stored"),
        text("received_at"),
        sa.PrimaryKeyConstraint("sha256"),
        sa.UniqueConstraint("stored", name="uq_photos_stored"),
        sqlite_strict=True,
    )
    op.create_table(
        "arrivals",
        whole("id"),
        text("file"),
        text("sha256"),
        text("arrived_at"),
        text("arrived_as", check("arrived_as IN ('first', 'duplicate', 'known')", "ck_arrivals_arrived_as")),
        sa.PrimaryKeyConstraint("id"),
        sa.ForeignKeyConstraint(["sha256"], ["photos.sha256"]),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    op.create_index("ix_arrivals_sha256", "arrivals", ["sha256", "file"])
    op.create_index(
        "uq_arrivals_first", "arrivals", ["sha256"], unique=True, sqlite_where=sa.text("arrived_as = 'first'")
    )
    op.create_table(
        "releases",
        whole("arrival"),
        text("released_at"),
        sa.PrimaryKeyConstraint("arrival"),
        sa.ForeignKeyConstraint(["arrival"], ["arrivals.id"]),
        sqlite_strict=True,
    )
    op.create_table(
        "reader_uses",
        whole("id"),
        text("model"),
        text("settings"),
        text("since"),
        sa.PrimaryKeyConstraint("id"),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )
    results()
    op.create_table(
        "locks",
        text("name"),
        text("owner"),
        text("host"),
        whole("pid"),
        text("taken_at"),
        text("expires_at"),
        sa.PrimaryKeyConstraint("name"),
        sqlite_strict=True,
    )
    for table in FACTS:
        only_added_to(table)


def results() -> None:
    op.create_table(
        "results",
        whole("id"),
        text("sha256"),
        text("model"),
        text("settings"),
        text("kind", check("kind IN ('reading', 'refusal')", "ck_results_kind")),
        text("file"),
        whole("site", null=True),
        text("taken_at", null=True),
        text("visit_on", null=True),
        text("basis"),
        text("program"),
        text("read_at"),
        sa.PrimaryKeyConstraint("id"),
        sa.UniqueConstraint("sha256", "model", "settings", name="uq_results_sha256_model_settings"),
        sa.ForeignKeyConstraint(["sha256"], ["photos.sha256"]),
        sqlite_strict=True,
    )
    op.create_index("ix_results_site", "results", ["site", "visit_on"])
    op.create_table(
        "readings",
        whole("result"),
        *(number(name, null=False) for name in STAGES),
        *(number(name) for name in NUMBERS),
        *(number(name, null=False) for name in ("scale_px_per_mm", "view_angle_deg", "sharpness_mm")),
        whole("flags"),
        *(number(n) for sign in SIGNS for n in (f"p_{sign}", f"{sign}_area_mm2", f"{sign}_rim_distance_mm")),
        number("resin_p", null=False),
        number("lookalike_p", null=False),
        text("device"),
        number("centroid_x_mm"),
        number("centroid_y_mm"),
        text("area_sd_parts"),
        sa.PrimaryKeyConstraint("result"),
        sa.ForeignKeyConstraint(["result"], ["results.id"], ondelete="CASCADE"),
        sqlite_strict=True,
    )
    op.create_table(
        "outlines",
        whole("result"),
        text("outlines"),
        sa.PrimaryKeyConstraint("result"),
        sa.ForeignKeyConstraint(["result"], ["readings.result"], ondelete="CASCADE"),
        sqlite_strict=True,
    )
    op.create_table(
        "refusals",
        whole("result"),
        text("stage"),
        text("reason"),
        text("remedy"),
        whole("fault", check("fault IN (0, 1)", "ck_refusals_fault")),
        sa.PrimaryKeyConstraint("result"),
        sa.ForeignKeyConstraint(["result"], ["results.id"], ondelete="CASCADE"),
        sqlite_strict=True,
    )
    op.create_table(
        "standing",
        text("sha256"),
        whole("result"),
        sa.PrimaryKeyConstraint("sha256"),
        sa.ForeignKeyConstraint(["sha256"], ["photos.sha256"]),
        sa.UniqueConstraint("result", name="uq_standing_result"),
        sa.ForeignKeyConstraint(["result"], ["results.id"], ondelete="CASCADE"),
        sqlite_strict=True,
    )
