"""The tables of a grove's database, as the code sees them; ``pipeline/migrations`` makes them.

Facts (:data:`FACTS`) are only ever added to: triggers in the database refuse a change or a
removal.  Everything else can be made again from the facts, the register and the settings.
"""

from __future__ import annotations

from sqlalchemy import (
    REAL,
    CheckConstraint,
    Column,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

from pipeline.records import Sign, Stage
from pipeline.store.columns import DayText, JsonText, MomentText, day, json_text, moment, photo, serial, text, whole

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
    }
)


def _photo() -> ForeignKey:
    return ForeignKey("photos.sha256")


# ---------------------------------------------------------------- facts: what arrived

photos = Table(
    "photos",
    metadata,
    Column("sha256", Text, CheckConstraint("length(sha256) = 64", name="hex"), primary_key=True),
    Column("size_bytes", Integer, CheckConstraint("size_bytes >= 0", name="size"), nullable=False),
    Column("stored", Text, nullable=False, unique=True),
    moment("received_at"),
    sqlite_strict=True,
)

arrivals = Table(
    "arrivals",
    metadata,
    serial(),
    text("file"),
    photo(),
    moment("arrived_at"),
    Column(
        "arrived_as",
        Text,
        CheckConstraint("arrived_as IN ('first', 'duplicate', 'known')", name="arrived_as"),
        nullable=False,
    ),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)
Index("ix_arrivals_sha256", arrivals.c.sha256, arrivals.c.file)
Index("uq_arrivals_first", arrivals.c.sha256, unique=True, sqlite_where=arrivals.c.arrived_as == "first")

releases = Table(
    "releases",
    metadata,
    Column("arrival", Integer, ForeignKey("arrivals.id"), primary_key=True),
    moment("released_at"),
    sqlite_strict=True,
)

reader_uses = Table(
    "reader_uses",
    metadata,
    serial(),
    text("model"),
    text("settings"),
    moment("since"),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)

# ---------------------------------------------------------------- results: what was read

results = Table(
    "results",
    metadata,
    serial(),
    photo(),
    text("model"),
    text("settings"),
    Column("kind", Text, CheckConstraint("kind IN ('reading', 'refusal')", name="kind"), nullable=False),
    text("file"),
    Column("site", Integer),
    Column("taken_at", MomentText),
    Column("visit_on", DayText),
    text("basis"),
    text("program"),
    moment("read_at"),
    UniqueConstraint("sha256", "model", "settings"),
    sqlite_strict=True,
)
Index("ix_results_site", results.c.site, results.c.visit_on)


def _number(name: str, required: bool = False) -> Column[float]:
    return Column(name, REAL, nullable=not required)


SIZES: tuple[str, ...] = ("aperture_area_mm2", "aperture_width_mm", "aperture_height_mm", "aperture_perimeter_mm")
"""Measured sizes of the aperture; each has a column of its own name and one ending in ``_sd``."""

readings = Table(
    "readings",
    metadata,
    Column("result", Integer, ForeignKey("results.id", ondelete="CASCADE"), primary_key=True),
    *(_number(f"p_{stage.word}", required=True) for stage in Stage),
    _number("p_not_a_site", required=True),
    *(_number(f"{size}{end}") for size in SIZES for end in ("", "_sd")),
    _number("new_tissue_width_mm"),
    *(_number(f"wood_{part}{end}") for part in ("L", "a", "b") for end in ("", "_sd")),
    *(_number(name, required=True) for name in ("scale_px_per_mm", "view_angle_deg", "sharpness_mm")),
    whole("flags"),
    *(
        _number(name)
        for sign in Sign
        for name in (f"p_{sign.value}", f"{sign.value}_area_mm2", f"{sign.value}_rim_distance_mm")
    ),
    *(_number(name, required=True) for name in ("resin_p", "lookalike_p")),
    text("device"),
    _number("centroid_x_mm"),
    _number("centroid_y_mm"),
    json_text("area_sd_parts"),
    sqlite_strict=True,
)

outlines = Table(
    "outlines",
    metadata,
    Column("result", Integer, ForeignKey("readings.result", ondelete="CASCADE"), primary_key=True),
    json_text("outlines"),
    sqlite_strict=True,
)

refusals = Table(
    "refusals",
    metadata,
    Column("result", Integer, ForeignKey("results.id", ondelete="CASCADE"), primary_key=True),
    text("stage"),
    text("reason"),
    text("remedy"),
    Column("fault", Integer, CheckConstraint("fault IN (0, 1)", name="fault"), nullable=False),
    sqlite_strict=True,
)

standing = Table(
    "standing",
    metadata,
    photo(key=True),
    Column("result", Integer, ForeignKey("results.id", ondelete="CASCADE"), nullable=False, unique=True),
    sqlite_strict=True,
)
"""Which result of a photo counts: that of the reader in use, else the newest older one."""

# ---------------------------------------------------------------- alerts and people

alert_keys = Table(
    "alert_keys",
    metadata,
    serial(),
    Column("key", Text, nullable=False, unique=True),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)

alert_events = Table(
    "alert_events",
    metadata,
    serial(),
    Column("alert", Integer, ForeignKey("alert_keys.id"), nullable=False),
    Column(
        "step",
        Text,
        CheckConstraint("step IN ('opened', 'updated', 'acknowledged', 'closed', 'reopened')", name="step"),
        nullable=False,
    ),
    day("on"),
    Column("at", MomentText),
    text("by"),
    text("note"),
    Column("finding", JsonText),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)
Index("ix_alert_events_alert", alert_events.c.alert)

alerts = Table(
    "alerts",
    metadata,
    Column("id", Integer, ForeignKey("alert_keys.id"), primary_key=True),
    text("rule"),
    text("severity"),
    text("tree"),
    text("stem"),
    Column("site", Integer),
    Column("state", Text, CheckConstraint("state IN ('open', 'acknowledged', 'closed')", name="state"), nullable=False),
    day("opened_on"),
    day("updated_on"),
    Column("closed_on", DayText),
    text("closed_by"),
    json_text("finding"),
    CheckConstraint("(state = 'closed') = (closed_on IS NOT NULL)", name="closed"),
    sqlite_strict=True,
)
Index("ix_alerts_state", alerts.c.state, alerts.c.tree)

reviews = Table(
    "reviews",
    metadata,
    serial(),
    text("who"),
    moment("at"),
    text("answer"),
    Column("site", Integer),
    photo(required=False),
    Column("alert", Integer, ForeignKey("alert_keys.id")),
    Column("sign", Text),
    Column("stage", Integer),
    text("note"),
    json_text("payload"),
    Column("replaces", Integer, ForeignKey("reviews.id")),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)
Index("ix_reviews_site", reviews.c.site)

questions = Table(
    "questions",
    metadata,
    serial(),
    Column("key", Text, nullable=False, unique=True),
    whole("site"),
    day("asked_on"),
    day("from_on"),
    day("to_on"),
    text("words"),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)

answers = Table(
    "answers",
    metadata,
    serial(),
    Column("question", Integer, ForeignKey("questions.id"), nullable=False),
    text("who"),
    moment("at"),
    Column("event", JsonText),
    text("note"),
    sqlite_strict=True,
    sqlite_autoincrement=True,
)
Index("ix_answers_question", answers.c.question)

# ---------------------------------------------------------------- housekeeping

locks = Table(
    "locks",
    metadata,
    Column("name", Text, primary_key=True),
    text("owner"),
    text("host"),
    whole("pid"),
    moment("taken_at"),
    moment("expires_at"),
    sqlite_strict=True,
)

FACTS: tuple[Table, ...] = (
    photos,
    arrivals,
    releases,
    reader_uses,
    alert_keys,
    alert_events,
    reviews,
    questions,
    answers,
)
"""Tables that are only ever added to."""
