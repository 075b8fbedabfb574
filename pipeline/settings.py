"""Typed settings: one frozen section for each stage, defaults here and nowhere else.

Order of precedence, last wins: the defaults below, a named file of ``configs/``, the grove's
``grove.yaml``, environment variables ``WOUNDWOOD_SECTION__NAME``, and options of the call.
Unknown names are refused.  ``Settings.reading_hash`` goes into every reading.
"""

from __future__ import annotations

import hashlib
import json
import os
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from pipeline import zones
from pipeline.errors import SettingsError

if TYPE_CHECKING:
    from collections.abc import Mapping

ENV_PREFIX = "WOUNDWOOD_"


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class GroveSettings(_Section):
    """The grove itself."""

    name: str = Field("Unnamed grove", description="Name printed on cards and reports.")
    timezone: str = Field("UTC", description="Time zone of photos whose tags carry none, e.g. Asia/Bangkok.")
    growing_months: tuple[int, ...] = Field(
        (4, 5, 6, 7, 8, 9, 10), description="Months in which wounds are expected to close."
    )
    language: str = Field(
        "en",
        pattern=r"^[a-z]{2,3}([_-][A-Za-z]{2,4})?$",
        description="Language of the field hand's pages: en, th, vi, id, ms, or another one with a catalogue.",
    )

    @field_validator("timezone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        if not zones.is_known(value):
            raise ValueError(zones.meant(value))
        return value

    @field_validator("growing_months")
    @classmethod
    def _months(cls, value: tuple[int, ...]) -> tuple[int, ...]:
        if not all(1 <= month <= 12 for month in value):
            raise ValueError("months are numbers from 1 to 12")
        return tuple(sorted(set(value)))

    @property
    def zone(self) -> tzinfo:
        """The grove's time zone."""
        return ZoneInfo(self.timezone)


class IntakeSettings(_Section):
    """Which files are taken and how they are decoded."""

    max_megapixels: float = Field(120.0, gt=0, description="Pictures with more pixels are refused unread.")
    max_file_mb: float = Field(80.0, gt=0, description="Larger files are refused unread.")
    settle_s: float = Field(2.0, ge=0, description="A file changed within this many seconds is still being written.")
    cut_off_wait_s: float = Field(
        60.0, ge=0, description="A JPEG that lacks its end is left in the inbox for this long after its last change."
    )
    future_tolerance_h: float = Field(
        26.0, ge=0, description="A photo dated later than this from now has a wrong clock."
    )
    earliest_year: int = Field(2000, description="A photo dated before this year has a wrong clock.")


class CardSettings(_Section):
    """Finding the site card."""

    corner_sd_px: float = Field(
        0.05, gt=0, description="Least standard uncertainty of a refined corner coordinate, full-size pixels."
    )
    min_edge_px: float = Field(25.0, gt=0, description="Markers with a shorter edge are not trusted.")
    max_correction_bits: int = Field(2, ge=0, le=5, description="Wrong bits a marker may have.")


class SurfaceSettings(_Section):
    """Camera, pose and trunk cylinder."""

    assumed_focal_35mm: float = Field(
        26.0, gt=0, description="35 mm equivalent focal length where the photo tells none."
    )
    focal_rel_sd: float = Field(
        0.02, gt=0, description="Relative standard uncertainty of a focal length from the tags."
    )
    assumed_focal_rel_sd: float = Field(0.08, gt=0, description="The same where it is assumed.")
    assumed_girth_mm: float = Field(550.0, gt=0, description="Girth where the register has none.")
    girth_rel_sd: float = Field(0.02, gt=0, description="Relative standard uncertainty of a registered girth.")
    assumed_girth_rel_sd: float = Field(0.35, gt=0, description="The same where it is assumed.")
    standoff_mm: float = Field(1.0, ge=0, description="Distance of the card's face in front of the bark, hung flush.")
    standoff_sd_mm: float = Field(0.7, ge=0, description="Standard uncertainty of that distance.")
    tilt_sd_deg: float = Field(1.5, ge=0, description="Standard deviation of the card's tilt against the trunk.")
    roll_sd_deg: float = Field(
        2.0, ge=0, description="Standard deviation of the card's turn in its own plane against the trunk."
    )
    yaw_sd_deg: float = Field(
        1.5,
        ge=0,
        description="Standard deviation of the card's turn about its long axis, on which it rocks against a round trunk.",
    )
    lens_sd: float = Field(
        0.01,
        ge=0,
        description="Standard uncertainty of the lens's first radial coefficient where it was not calibrated.",
    )
    max_view_angle_deg: float = Field(50.0, gt=0, description="Photos from further to the side are refused.")
    max_reprojection_px: float = Field(4.0, gt=0, description="A card whose corners miss the model by more is refused.")


class PatchSettings(_Section):
    """The unrolled patch."""

    overview_px: int = Field(384, ge=64, description="Edge of the patch given to the reader.")
    overview_mm: float = Field(176.0, gt=0, description="Edge of the overview window, directly below the card.")
    gap_below_card_mm: float = Field(
        2.0, ge=0, description="Distance of the window's upper edge below the card's lower edge."
    )
    detail_share: float = Field(
        0.55, gt=0, le=1, description="Share of the detail window's edge that the opening takes."
    )
    detail_below_share: float = Field(
        0.3,
        gt=0,
        le=1,
        description="A second, closer look is taken at openings smaller than this share of the overview.",
    )
    max_window_mm: float = Field(420.0, gt=0, description="Largest window, for long strips.")


class QualitySettings(_Section):
    """Limits below which a photo is refused or flagged."""

    refuse_sharpness_mm: float = Field(3.0, gt=0, description="Edge blur on the bark above which a photo is refused.")
    flag_sharpness_mm: float = Field(1.2, gt=0, description="Edge blur above which it is flagged.")
    refuse_px_per_mm: float = Field(0.9, gt=0, description="Resolution on the bark below which a photo is refused.")
    flag_px_per_mm: float = Field(2.0, gt=0, description="Resolution below which it is flagged.")
    flag_view_angle_deg: float = Field(25.0, gt=0, description="View angle above which it is flagged.")
    flag_clipped_share: float = Field(
        0.05, gt=0, description="Share of burnt or black pixels above which it is flagged."
    )
    refuse_clipped_share: float = Field(0.6, gt=0, description="The same above which it is refused.")
    flag_covered_share: float = Field(
        0.02, gt=0, description="Share of the card under a finger, a leaf or dirt above which it is flagged."
    )


class ReadingSettings(_Section):
    """From maps to figures."""

    min_aperture_mm2: float = Field(4.0, ge=0, description="Smaller openings are not counted.")
    seam_width_mm: float = Field(
        2.5,
        ge=0,
        description="A slit narrower than this on the mean, where the photo says closed or rebarked, is the seam and "
        "no opening (0: always an opening).",
    )
    rim_sd_mm: float = Field(
        0.25, ge=0, description="Standard uncertainty of the rim's place, common to the whole rim."
    )
    rim_wander_share: float = Field(
        0.5, ge=0, description="How far the rim wanders about its place, as a share of the blur of the map's rim."
    )
    rim_wander_mm: float = Field(5.0, gt=0, description="Length along the rim over which it wanders together.")
    sign_p: float = Field(0.5, gt=0, lt=1, description="Probability from which a sign counts as seen.")
    unsure_sign_p: float = Field(0.25, gt=0, lt=1, description="Probability from which a person should look.")
    unsure_stage_p: float = Field(0.6, gt=0, lt=1, description="A stage less certain than this is flagged.")
    not_a_site_p: float = Field(0.5, gt=0, lt=1, description="Probability from which a picture is no wound site.")
    model: str = Field("released", description="'classical', 'released', or the path of a model folder.")


class TimeSettings(_Section):
    """Visits, rates and forecasts."""

    visit_interval_days: dict[str, int] = Field(
        {"fresh": 14, "resinous": 30, "callus": 30, "closing": 30, "closed": 90, "rebarked": 180, "suspect": 7},
        description="Days between visits, by stage; 'suspect' where a sign is suspected.",
    )
    overdue_factor: float = Field(1.5, gt=1, description="A visit is overdue after this many intervals.")
    min_visits_for_rate: int = Field(3, ge=2, description="Visits needed for a rate.")
    min_visits_for_forecast: int = Field(4, ge=3, description="Visits needed for a closing date.")
    stage_mean_days: tuple[float, float, float, float, float] = Field(
        (21.0, 45.0, 75.0, 300.0, 240.0),
        description="Usual days in a stage before the next one, fresh to closed; prior of the stage filter.",
    )
    odd_photo_p: float = Field(
        0.15, gt=0, lt=1, description="Chance that a photo's stage is misread whatever the reader says."
    )
    odd_visit_p: float = Field(
        0.05,
        ge=0,
        lt=1,
        description="Chance that a visit's photos show another wound, so that stage and opening are wrong.",
    )
    other_place_score: float = Field(
        0.3,
        ge=0,
        le=1,
        description="Below this the bark is taken as that of another wound: stage and rules hardly heed the visit.",
    )
    odd_size_p: float = Field(
        0.05, gt=0, lt=1, description="Chance that the opening is misread altogether, whatever its uncertainty."
    )
    closed_width_mm: float = Field(
        1.0, gt=0, description="An opening no wider than this may be the seam of a closed wound."
    )
    unrecorded_opening_p: float = Field(
        0.002, ge=0, lt=1, description="Chance, a visit, that a wound was opened and no event was written down."
    )
    closed_area_sd_mm2: float = Field(2.0, gt=0, description="Standard uncertainty of an area read as none.")
    closed_width_sd_mm: float = Field(1.0, gt=0, description="Standard uncertainty of a width read as none.")
    min_correlation: float = Field(
        0.85, gt=0, lt=1, description="A closing date needs a width that follows a line at least this well."
    )
    change_p: float = Field(
        0.5,
        gt=0,
        lt=1,
        description="Probability from which a timeline tells that a wound closes otherwise than before.",
    )
    forecast_visits: int = Field(12, ge=4, description="The closing date follows the last visits, at most this many.")
    future_rate_rel_sd: float = Field(
        0.25, ge=0, description="How much the coming rate may differ from the one seen, as a share."
    )
    max_forecast_years: float = Field(8.0, gt=0, description="Closing dates further away are not given.")


class AlertSettings(_Section):
    """Thresholds of the rules; docs/alerts.md gives each one's source."""

    sign_p: float = Field(0.5, gt=0, lt=1, description="Probability from which a sign raises an alert.")
    sign_two_photos_p: float = Field(0.35, gt=0, lt=1, description="The same if two photos show it.")
    enlarged_width_mm: float = Field(
        1.0, gt=0, description="Growth of the width, beyond what was expected, from which it is asked about."
    )
    enlarged_area_share: float = Field(0.1, gt=0, description="The same for the area, as a share.")
    enlarged_p: float = Field(
        0.15, gt=0, lt=1, description="Probability of an opening made larger from which a person is asked."
    )
    stalled_advance_mm_per_month: float = Field(
        0.2, gt=0, description="Sides that advance less than this in a month of growing season stand still."
    )
    open_after_months: int = Field(36, gt=0, description="Wounds open longer than this are noted.")
    girdled_shares: tuple[float, ...] = Field((0.25, 0.33, 0.5, 0.75), description="Bands of the stem's girdled share.")
    sign_sure_p: float = Field(
        0.85, gt=0, lt=1, description="One photo with this probability is enough for a person to look."
    )
    sign_sure_area_mm2: float = Field(
        500.0, ge=0, description="Smaller signs on one photo only ask for another photo, however probable."
    )
    sign_present_p: float = Field(
        0.5, gt=0, lt=1, description="Probability over all visits from which a person is to look at a sign."
    )
    sign_area_mm2: float = Field(
        100.0, ge=0, description="Growth from which a sign that a person rejected is told again."
    )
    sign_growth_factor: float = Field(
        1.5, gt=1, description="A sign that grew by this factor between visits is spreading."
    )
    sign_growth_mm2: float = Field(200.0, gt=0, description="The same in area; both must hold.")
    sign_memory_days: int = Field(120, gt=0, description="A sign not seen again on this many days of visits is let go.")
    spread_radius_m: float = Field(8.0, gt=0, description="Trees this near to one another are neighbours.")
    spread_p: float = Field(
        0.01, gt=0, lt=1, description="Signs at neighbouring trees are a cluster if chance is rarer than this."
    )
    event_slack_days: int = Field(
        3, ge=0, description="An event this many days outside two visits still explains a larger opening."
    )
    stalled_p: float = Field(0.4, gt=0, lt=1, description="Probability of a standstill from which a person is to look.")
    stalled_young_days: int = Field(
        60, ge=0, description="Growing days after a wounding in which no advance is expected yet."
    )
    retake_days: int = Field(7, gt=0, description="Days in which a refused photo should be taken again.")
    same_place_score: float = Field(
        0.3, ge=0, le=1, description="Below this the bark around the wound does not look like the visit before."
    )
    implausible_advance_mm_per_month: float = Field(
        12.0, gt=0, description="Faster closing than this asks for a check of the card."
    )


class RunSettings(_Section):
    """How a run uses the machine; changes no result."""

    workers: int = Field(0, ge=0, description="Worker processes; 0 means one a core, at most 8.")
    batch: int = Field(32, ge=1, description="Photos received and recorded together.")
    thumbnail_px: int = Field(320, ge=32, description="Longest edge of a thumbnail.")


class WatchSettings(_Section):
    """The watched shared folder; changes no result."""

    look_every_s: float = Field(2.0, gt=0, description="Seconds between two looks at the inbox.")
    rest_after_s: float = Field(120.0, ge=0, description="Seconds without photos after which the reading process ends.")
    answer_every_s: float = Field(
        4.0, gt=0, description="Least seconds between two answers while photos are being read."
    )
    photos_shown: int = Field(
        300, ge=1, description="Accepted photos shown with a thumbnail in one answer; the latest."
    )
    days_shown: int = Field(7, ge=1, description="Days with arrivals that one folder's answer keeps; the latest.")
    days_kept: int = Field(31, ge=1, description="Calendar days after which a day leaves the answer all the same.")
    walk_gap_min: float = Field(
        30.0,
        gt=0,
        description="Minutes within which the photos before and after tell where one without a card was taken.",
    )


class ClockSettings(_Section):
    """When a photo's time is asked about; docs/shared_folder.md says why."""

    jump_days: int = Field(60, gt=0, description="A photo this long before all others of its phone is asked about.")
    near_m: float = Field(25.0, ge=0, description="Trees this near to one another are never too far apart.")
    fastest_m_per_s: float = Field(3.0, gt=0, description="Nobody walks faster from one site to the next.")


class ReviewSettings(_Section):
    """The review page; docs/review.md says why."""

    blind_share: float = Field(0.1, ge=0, le=1, description="Share of cases shown without the network's opinion first.")
    unflagged_share: float = Field(
        0.02, ge=0, le=1, description="Share of visits without any flag that are asked about all the same, blind."
    )
    second_share: float = Field(
        0.1, ge=0, le=1, description="Share of answered cases that a second person answers too."
    )
    session_hours: float = Field(12.0, gt=0, description="Hours after which a person signs in again.")
    sign_in_tries: int = Field(
        8, ge=1, description="Wrong passwords for one name or from one address before it must wait."
    )
    sign_in_wait_min: float = Field(15.0, gt=0, description="Minutes over which wrong passwords are counted.")
    min_password_length: int = Field(12, ge=8, description="Shortest password that is taken.")
    rim_sd_mm: float = Field(0.2, ge=0, description="Standard uncertainty of a rim that a person drew or accepted.")
    stage_sure: float = Field(0.95, gt=0.5, lt=1, description="How surely a stage that a person named is the stage.")


class OutboxSettings(_Section):
    """Digests of alerts; nothing leaves the machine unless ``enabled``."""

    enabled: bool = Field(False, description="Whether digests are sent by e-mail; as files they are written anyway.")
    least_severity: Literal["note", "look", "act"] = Field("look", description="Less urgent alerts are not told.")
    host: str = Field("", description="Name of the mail server.")
    port: int = Field(587, ge=1, le=65535, description="Its port: 587 with starttls, 465 with tls.")
    security: Literal["starttls", "tls", "none"] = Field(
        "starttls", description="How the connection is encrypted; 'none' only for a server on this machine."
    )
    user: str = Field("", description="Name to sign in with; empty for none.")
    password_env: str = Field(
        "",
        pattern=r"^[A-Za-z_]*[A-Za-z0-9_]*$",
        description="Name of the environment variable that holds the password; never the password itself.",
    )
    sender: str = Field("", description="Address that the e-mails come from.")
    recipients: tuple[str, ...] = Field((), description="Addresses that they go to.")
    timeout_s: float = Field(30.0, gt=0, description="Seconds to wait for the server.")
    give_up_days: float = Field(
        7.0,
        gt=0,
        description="Digests older than this are not sent any more, e.g. those from before e-mail was enabled.",
    )
    retry_minutes: float = Field(15.0, ge=0, description="Minutes before a failed sending is tried again.")
    gather_minutes: float = Field(
        30.0, ge=0, description="While the inbox is watched, at most one digest is made in so many minutes."
    )


class Settings(_Section):
    """All settings of one grove."""

    grove: GroveSettings = GroveSettings()
    intake: IntakeSettings = IntakeSettings()
    card: CardSettings = CardSettings()
    surface: SurfaceSettings = SurfaceSettings()
    patch: PatchSettings = PatchSettings()
    quality: QualitySettings = QualitySettings()
    reading: ReadingSettings = ReadingSettings()
    time: TimeSettings = TimeSettings()
    alerts: AlertSettings = AlertSettings()
    run: RunSettings = RunSettings()
    watch: WatchSettings = WatchSettings()
    clock: ClockSettings = ClockSettings()
    review: ReviewSettings = ReviewSettings()
    outbox: OutboxSettings = OutboxSettings()

    @property
    def reading_hash(self) -> str:
        """Twelve hex digits over every setting that can change a reading."""
        sections = {
            name: getattr(self, name).model_dump(mode="json")
            for name in ("card", "surface", "patch", "quality", "reading")
        }
        text = json.dumps(sections, sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()[:12]


SECTIONS: tuple[str, ...] = tuple(Settings.model_fields)
Origin = Literal["default", "file", "environment", "option"]


def load(
    *files: Path,
    environment: Mapping[str, str] | None = None,
    options: Mapping[str, Any] | None = None,
) -> tuple[Settings, dict[str, str]]:
    """Build the settings and say where each value that is not a default came from.

    Parameters
    ----------
    files
        YAML files with differences, in order; each must exist.
    environment
        Variables to read (default: the process environment).
    options
        ``{"section.name": value}`` from the command line.

    Returns
    -------
    settings, origins
        ``origins`` maps ``"section.name"`` to a file name, a variable or ``"option"``.

    Raises
    ------
    SettingsError
        If a file cannot be read or a value is not allowed.
    """
    merged: dict[str, dict[str, Any]] = {}
    origins: dict[str, str] = {}
    for file in files:
        _merge(merged, origins, _read_yaml(file), str(file))
    variables = os.environ if environment is None else environment
    for name, text in variables.items():
        if name.startswith(ENV_PREFIX) and "__" in name:
            section, _, key = name[len(ENV_PREFIX) :].lower().partition("__")
            _merge(merged, origins, {section: {key: _scalar(text)}}, name)
    for dotted, value in (options or {}).items():
        section, _, key = dotted.partition(".")
        _merge(merged, origins, {section: {key: value}}, "option")
    try:
        return Settings.model_validate(merged), origins
    except ValidationError as error:
        raise SettingsError(
            _first_problem(error, origins), "Correct it; 'woundwood check' shows all settings."
        ) from None


def _read_yaml(file: Path) -> dict[str, Any]:
    try:
        content = yaml.safe_load(file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise SettingsError(f"The settings file {file} cannot be read: {error.strerror}.", "Check the path.") from None
    except (yaml.YAMLError, UnicodeDecodeError) as error:
        where = getattr(error, "problem_mark", None)
        line = f" in line {where.line + 1}" if where is not None else ""
        raise SettingsError(f"The settings file {file} is not valid YAML{line}.", "Correct that line.") from None
    if content is None:
        return {}
    if not isinstance(content, dict):
        raise SettingsError(f"The settings file {file} must hold sections.", "Begin it with a line such as 'grove:'.")
    return content


def _merge(merged: dict[str, dict[str, Any]], origins: dict[str, str], extra: dict[str, Any], origin: str) -> None:
    for section, values in extra.items():
        if section not in SECTIONS:
            raise SettingsError(
                f"Unknown settings section '{section}' (from {origin}).", f"Sections are: {', '.join(SECTIONS)}."
            )
        if not isinstance(values, dict):
            raise SettingsError(
                f"The settings section '{section}' (from {origin}) must hold names.", "Indent its names below it."
            )
        for key, value in values.items():
            merged.setdefault(section, {})[key] = value
            origins[f"{section}.{key}"] = origin


def _scalar(text: str) -> Any:
    try:
        return yaml.safe_load(text)
    except yaml.YAMLError:
        return text


def _first_problem(error: ValidationError, origins: Mapping[str, str]) -> str:
    problem = error.errors()[0]
    dotted = ".".join(str(part) for part in problem["loc"])
    origin = origins.get(".".join(str(part) for part in problem["loc"][:2]), "defaults")
    message = "no such setting" if problem["type"] == "extra_forbidden" else problem["msg"]
    return f"The setting '{dotted}' (from {origin}) cannot be used: {message}."
