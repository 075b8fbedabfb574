"""The words of the product: frozen records, ordered stages, signs and flags.

Units stand in the names: ``_mm``, ``_mm2``, ``_deg``, ``_px``.  ``_sd`` is the standard
uncertainty (GUM) of the value before it.  ``None`` means not measured, never zero.
Times are aware; dates are calendar days in the grove's time zone.  Image arrays are
``[row, column]``, colour order RGB; pixel centres lie on whole numbers.  The **site frame**
is the unrolled bark seen from outside: ``x`` is arc length round the trunk in mm, right of
the card's centre line positive; ``y`` is mm along the trunk, up positive, 0 at the card's centre.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from enum import IntEnum, IntFlag, StrEnum
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    ImageRGB: TypeAlias = NDArray[np.uint8]
    Mask: TypeAlias = NDArray[np.bool_]
    Floats: TypeAlias = NDArray[np.floating]

# ---------------------------------------------------------------- vocabulary


class Stage(IntEnum):
    """Closure stage: what is visible, in the order in which a wound passes through it."""

    FRESH = 0
    RESINOUS = 1
    CALLUS = 2
    CLOSING = 3
    CLOSED = 4
    REBARKED = 5

    @property
    def word(self) -> str:
        """The stage as it is written in tables and pages."""
        return self.name.lower()


class Sign(StrEnum):
    """A visible sign of possible fungal infection."""

    GREEN_FILM = "green_film"
    WHITE_MYCELIUM = "white_mycelium"
    CONK = "conk"
    DARK_BLEEDING = "dark_bleeding"
    SUNKEN_BARK = "sunken_bark"

    @property
    def words(self) -> str:
        """The sign as it is written for people."""
        return self.value.replace("_", " ")


class Tissue(IntEnum):
    """Classes of the tissue map, in the order of its last axis."""

    BARK = 0
    APERTURE = 1
    NEW_TISSUE = 2
    FOREIGN = 3
    BACKGROUND = 4


class WoundKind(StrEnum):
    """Kind of a wound site, as the register writes it."""

    DRILL_HOLE = "drill hole"
    NAIL_HOLE = "nail hole"
    WINDOW = "window"
    STRIP = "strip"
    TRUNK_CUT = "trunk cut"
    BARK_PANEL = "bark panel"


class EventKind(StrEnum):
    """What a person did to a tree, stem or site."""

    DRILLED = "drilled"
    NAILED = "nailed"
    INOCULATED = "inoculated"
    CUT = "cut"
    CLEANED = "cleaned"
    TREATED = "treated"
    STEM_REMOVED = "stem removed"
    RESTED = "rested"
    CARD_MOVED = "card moved"

    @property
    def starts_episode(self) -> bool:
        """Whether a larger opening afterwards is work, not harm."""
        return self in (EventKind.CUT, EventKind.CLEANED, EventKind.DRILLED, EventKind.NAILED)


class PhotoStage(StrEnum):
    """The step of the flow in which a photo may be refused."""

    INTAKE = "intake"
    CARD = "card"
    SURFACE = "surface"
    QUALITY = "quality"
    READING = "reading"


class RefusalCode(StrEnum):
    """Why a photo was refused, one of a fixed list; :mod:`pipeline.advice` has what to do about each."""

    EMPTY_FILE = "empty file"
    ONLY_ZEROS = "only zeros"
    CUT_OFF = "cut off"
    DAMAGED = "damaged"
    NO_PIXELS = "no pixels"
    WEB_PAGE = "web page"
    FILE_TOO_LARGE = "file too large"
    TOO_MANY_PIXELS = "too many pixels"
    OTHER_PICTURE = "other picture format"
    ANIMATION = "animation"
    VIDEO = "video"
    SOUND = "sound"
    DOCUMENT = "document"
    ARCHIVE = "archive"
    TEXT = "text"
    NOT_A_PICTURE = "not a picture"
    SCREENSHOT = "screenshot"
    HEIC_NOT_INSTALLED = "heic not installed"
    NO_DATE = "no date"
    DATE_TOO_OLD = "date too old"
    DATE_IN_FUTURE = "date in the future"
    SEVERAL_CARDS = "several cards"
    UNKNOWN_SITE = "unknown site"
    ONE_MARKER = "one marker"
    HALF_CARD = "half a card"
    CARD_TOO_SMALL = "card too small"
    MIRRORED = "mirrored"
    NO_CARD = "no card"
    CARD_NOT_FLAT = "card not flat"
    TOO_OBLIQUE = "too oblique"
    NO_POSE = "no pose"
    WOUND_OUTSIDE = "wound outside"
    TOO_FAR = "too far"
    BLURRED = "blurred"
    BURNT_OUT = "burnt out"
    TOO_DARK = "too dark"
    PROGRAM_FAULT = "program fault"
    UNCODED = ""
    """Stored before there were codes; the photo is read again at the next run."""


class Outcome(StrEnum):
    """What became of a file that arrived."""

    READING = "reading"
    REFUSAL = "refusal"
    DUPLICATE = "duplicate"
    KNOWN = "known"
    WAITING = "waiting"
    """Received and kept, not yet read: only while a run is under way or after it was cut off."""


class Severity(StrEnum):
    """How soon a person should act on an alert."""

    NOTE = "note"
    LOOK = "look"
    ACT = "act"


class AlertState(StrEnum):
    """Where an alert is in its life."""

    OPEN = "open"
    ACKNOWLEDGED = "acknowledged"
    CLOSED = "closed"


class TimeSource(StrEnum):
    """Where the time of a photo comes from, best first."""

    EXIF_WITH_OFFSET = "exif with offset"
    EXIF_GROVE_ZONE = "exif, grove's time zone"
    FILE_NAME = "date in the file name"


class Flag(IntFlag):
    """Doubts about a reading; each has a sentence for people in :data:`FLAG_SENTENCES`."""

    NONE = 0
    ONE_MARKER = 1 << 0
    FOCAL_ASSUMED = 1 << 1
    GIRTH_ASSUMED = 1 << 2
    SOFT_FOCUS = 1 << 3
    OBLIQUE_VIEW = 1 << 4
    LOW_SCALE = 1 << 5
    CUT_BY_FRAME = 1 << 6
    WHITE_BALANCE_ASSUMED = 1 << 7
    CLIPPED_LIGHT = 1 << 8
    SHADOW_EDGE = 1 << 9
    NO_APERTURE = 1 << 10
    SEVERAL_APERTURES = 1 << 11
    UNSURE_STAGE = 1 << 12
    UNSURE_SIGN = 1 << 13
    NOT_LIKE_A_SITE = 1 << 14
    NO_SCALE = 1 << 15
    TIME_FROM_NAME = 1 << 16
    DISAGREES_WITHIN_VISIT = 1 << 17
    SITE_FROM_ONE_MARKER = 1 << 18
    CARD_TILTED = 1 << 19
    STAGE_AGAINST_OPENING = 1 << 20
    CARD_BENT = 1 << 21
    DIGITAL_ZOOM = 1 << 22
    LIGHT_INCANDESCENT = 1 << 23
    CARD_COVERED = 1 << 24
    SCALE_FROM_BARK = 1 << 25
    OTHER_PLACE = 1 << 26
    LIGHT_ARTIFICIAL = 1 << 27

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the raised flags, lower case, lowest bit first."""
        return tuple(member.name.lower() for member in Flag if member in self and member.name)


POOR_SIZE = Flag.CUT_BY_FRAME | Flag.NOT_LIKE_A_SITE
"""Doubts under which a photo's sizes give way to those of another one of the visit."""
UNFIT_SIZE = POOR_SIZE | Flag.NO_SCALE | Flag.OTHER_PLACE
"""Doubts under which rules and change points leave a visit's sizes out."""
FLAG_SENTENCES: dict[Flag, str] = {
    Flag.ONE_MARKER: "Only one of the card's two markers could be read, so scale and tilt are less certain.",
    Flag.FOCAL_ASSUMED: "The photo does not tell its focal length; a usual phone camera was assumed.",
    Flag.GIRTH_ASSUMED: "The register has no girth for this stem; a usual one was assumed.",
    Flag.SOFT_FOCUS: "The photo is less sharp than it should be.",
    Flag.OBLIQUE_VIEW: "The photo was taken from the side.",
    Flag.LOW_SCALE: "The photo was taken from far away; few pixels cover a millimetre of bark.",
    Flag.CUT_BY_FRAME: "Part of the wound lies outside the picture.",
    Flag.WHITE_BALANCE_ASSUMED: "The card's grey patches could not be used, so colours are as the camera gave them.",
    Flag.CLIPPED_LIGHT: "Parts of the bark are burnt out or black.",
    Flag.SHADOW_EDGE: "A shadow edge crosses the bark.",
    Flag.NO_APERTURE: "No opening is visible.",
    Flag.SEVERAL_APERTURES: "There is more than one opening; figures are for all of them together.",
    Flag.UNSURE_STAGE: "The closure stage is uncertain; a person should look.",
    Flag.UNSURE_SIGN: "A sign may be present; a person should look.",
    Flag.NOT_LIKE_A_SITE: "The picture does not look like a wound site.",
    Flag.NO_SCALE: "No card was found, so sizes are relative to the picture.",
    Flag.TIME_FROM_NAME: "The day was taken from the file's name.",
    Flag.DISAGREES_WITHIN_VISIT: "Photos of the same visit differ by more than their uncertainties.",
    Flag.SITE_FROM_ONE_MARKER: "The site was inferred from one marker and the register.",
    Flag.CARD_TILTED: "The card seems to hang tilted against the trunk.",
    Flag.STAGE_AGAINST_OPENING: "Stage and opening of this visit do not go together; one of them is wrong.",
    Flag.OTHER_PLACE: "The bark is not that of the site's earlier photos, so rules leave these sizes out.",
    Flag.CARD_BENT: "The card is bent round the trunk; its curve was measured and allowed for.",
    Flag.DIGITAL_ZOOM: "The photo was zoomed digitally, so its focal length is less certain.",
    Flag.LIGHT_INCANDESCENT: "The light was as yellow as a lamp's, so colours are less certain.",
    Flag.LIGHT_ARTIFICIAL: "The light was a flash's or lamp's, or too dim for daylight, so colours are less certain.",
    Flag.CARD_COVERED: "Something covers part of the card: a finger, a leaf or dirt.",
    Flag.SCALE_FROM_BARK: "No card could be read; site and sizes come from the bark of another photo, less certainly.",
}

# ---------------------------------------------------------------- register


@dataclass(frozen=True, slots=True)
class Tree:
    """One tree of the register; ``row`` and ``position`` order a walk, ``x_m`` and ``y_m`` lie in the grove's grid."""

    tree: str
    species: str = ""
    planted_on: date | None = None
    block: str = ""
    row: str = ""
    position: str = ""
    x_m: float | None = None
    y_m: float | None = None


@dataclass(frozen=True, slots=True)
class GirthMeasure:
    """One measured circumference over bark."""

    measured_on: date | None
    girth_mm: float


@dataclass(frozen=True, slots=True)
class Stem:
    """One stem of a tree, with its girth history in order of date (undated first)."""

    tree: str
    stem: str = "1"
    girths: tuple[GirthMeasure, ...] = ()
    removed: bool = False
    sprouted_on: date | None = None


@dataclass(frozen=True, slots=True)
class Site:
    """One numbered wound site."""

    site: int
    tree: str
    kind: WoundKind
    stem: str = "1"
    made_on: date | None = None
    height_cm: float | None = None
    bearing_deg: float | None = None
    girth_mm: float | None = None
    first_width_mm: float | None = None
    first_height_mm: float | None = None
    retired_on: date | None = None

    @property
    def is_wound(self) -> bool:
        """Whether it is a wound; a bark panel is bark that is watched, and has no closure stage."""
        return self.kind is not WoundKind.BARK_PANEL


@dataclass(frozen=True, slots=True)
class Event:
    """What a person did, to a site, a stem or a whole tree."""

    on: date
    event: EventKind
    tree: str = ""
    stem: str = ""
    site: int | None = None
    amount: float | None = None
    unit: str = ""
    by: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class RowProblem:
    """A register row that was refused; the other rows were loaded."""

    file: str
    line: int
    column: str
    value: str
    reason: str

    def __str__(self) -> str:
        """One line that names file, line, column, value and reason."""
        return f"{self.file}, line {self.line}, column '{self.column}', value '{self.value}': {self.reason}"


@dataclass(frozen=True, slots=True)
class Register:
    """The grove's four tables after checking, keyed by number."""

    trees: dict[str, Tree] = field(default_factory=dict)
    stems: dict[tuple[str, str], Stem] = field(default_factory=dict)
    sites: dict[int, Site] = field(default_factory=dict)
    events: tuple[Event, ...] = ()
    problems: tuple[RowProblem, ...] = ()

    def girth_mm(self, site: int, on: date) -> float | None:
        """Circumference at a site on a day: the site's own, else the stem's history interpolated in time.

        Before the first and after the last dated girth the nearest one holds.
        """
        entry = self.sites.get(site)
        if entry is None:
            return None
        if entry.girth_mm is not None:
            return entry.girth_mm
        stem = self.stems.get((entry.tree, entry.stem))
        if stem is None or not stem.girths:
            return None
        dated = [(g.measured_on.toordinal(), g.girth_mm) for g in stem.girths if g.measured_on is not None]
        if not dated:
            return stem.girths[-1].girth_mm
        days, girths = zip(*sorted(dated), strict=True)
        return float(np.interp(on.toordinal(), days, girths))

    def events_of(self, site: int) -> tuple[Event, ...]:
        """Events that concern a site: its own, its stem's and its tree's, in order of date."""
        entry = self.sites.get(site)
        if entry is None:
            return ()
        return tuple(
            e
            for e in self.events
            if e.site == site or (e.site is None and e.tree == entry.tree and e.stem in ("", entry.stem))
        )


# ---------------------------------------------------------------- one photo


@dataclass(frozen=True, slots=True)
class CameraTag:
    """What the photo's own tags say of the camera; ``focal_px`` belongs to the upright full-size picture.

    ``digital_zoom`` is 1 without zoom: with it, phones disagree whether the focal length tag includes it.
    ``focal_mm`` is the true focal length, which tells a phone's lenses apart; ``focal_rel_doubt`` is what a crop
    adds to the relative standard uncertainty of ``focal_px``.
    ``colour_profile`` is the description of the embedded ICC profile (e.g. ``Display P3``), empty for plain sRGB.
    ``flash`` is True where the flash is said to have fired; ``exposure_value`` is the exposure at ISO 100, in powers of
    two (ISO 2720), as far as time, aperture and sensitivity are told.
    """

    maker: str = ""
    model: str = ""
    serial: str = ""
    focal_px: float | None = None
    focal_35mm: float | None = None
    digital_zoom: float = 1.0
    colour_profile: str = ""
    focal_mm: float | None = None
    focal_rel_doubt: float = 0.0
    flash: bool = False
    exposure_value: float | None = None

    @property
    def device(self) -> str:
        """A label that groups the photos of one phone."""
        return " ".join(part for part in (self.maker, self.model, self.serial) if part)

    @property
    def lens(self) -> str:
        """A label that groups the photos of one lens of one phone; empty where phone or focal length is not known."""
        if not self.device or self.focal_px is None:
            return ""
        if self.focal_mm is not None:
            return f"{self.device}, {self.focal_mm:.2f} mm"
        return f"{self.device}, as {self.focal_35mm / self.digital_zoom:.0f} mm" if self.focal_35mm else ""


@dataclass(frozen=True, slots=True, eq=False)
class Photo:
    """One decoded photo, upright.

    Attributes
    ----------
    file
        Name in the inbox, with sub-folders, ``/`` as separator.
    sha256
        Hex digest of the file's bytes.
    taken_at
        Aware time of exposure; ``None`` only where a time is not asked for (``look``).
    pixels
        Shape (H, W, 3), uint8, RGB.
    """

    file: str
    sha256: str
    taken_at: datetime | None
    time_source: TimeSource | None
    pixels: ImageRGB
    camera: CameraTag = CameraTag()
    stated_at: datetime | None = None
    """What the photo itself says, where a person corrected its phone's clock (:class:`ClockShift`)."""

    def __post_init__(self) -> None:
        """Check shape, type and time zone."""
        if self.pixels.ndim != 3 or self.pixels.shape[2] != 3 or self.pixels.dtype != np.uint8:
            raise ValueError(
                f"pixels must have shape (H, W, 3) and type uint8, got {self.pixels.shape} {self.pixels.dtype}"
            )
        if self.taken_at is not None and self.taken_at.tzinfo is None:
            raise ValueError("taken_at must be aware, got a time without a zone")


@dataclass(frozen=True, slots=True, eq=False)
class CardFix:
    """A site card found in a photo.

    Attributes
    ----------
    upper_code, lower_code
        Marker codes; ``None`` for a marker that could not be read.
    corners_px
        Shape (N, 2), N = 8 (both markers, upper first) or 4; x, y in full-size pixels.
    corners_mm
        Shape (N, 2), the same corners in the card frame.
    corner_sd_px
        Standard uncertainty of one corner coordinate.
    edge_px
        Mean marker edge length in the photo.
    bows_px, bow_sd_px
        Shape (N,), by how much the middle of each marker edge (from corner k to the next of its marker) lies outside
        the straight line between its ends, and its standard uncertainty; ``None`` where edges were not fitted.
    """

    upper_code: int | None
    lower_code: int | None
    corners_px: NDArray[np.float64]
    corners_mm: NDArray[np.float64]
    corner_sd_px: float
    edge_px: float
    bows_px: NDArray[np.float64] | None = None
    bow_sd_px: float = 0.0

    def __post_init__(self) -> None:
        """Check shapes."""
        if self.corners_px.shape not in ((8, 2), (4, 2)) or self.corners_mm.shape != self.corners_px.shape:
            raise ValueError(
                f"corners must have shape (8, 2) or (4, 2) alike, got {self.corners_px.shape}, {self.corners_mm.shape}"
            )


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceFix:
    """Camera, card pose and trunk cylinder of one photo.

    The trunk is a cylinder whose axis is parallel to the card's ``y`` (unless tilted) and whose
    near line lies ``standoff_mm`` behind the card's face.  ``rotation`` and ``translation_mm``
    take card-frame points (mm) to the camera frame (x right, y down, z forward).

    Attributes
    ----------
    camera_matrix
        Shape (3, 3).
    distortion
        Shape (5,), OpenCV order k1, k2, p1, p2, k3.
    rotation, translation_mm
        Shapes (3, 3) and (3,).
    radius_mm
        Trunk radius.
    focal_rel_sd, radius_rel_sd
        Standard uncertainties as shares of the value.
    reprojection_px
        Root mean square distance of the corners from the model.
    corners_mm
        Shape (N, 2), the card's corners that the pose was fitted to.
    tilt_rad, roll_rad, yaw_rad
        Turn of the card against the trunk: lower edge outwards, in its own plane, and about its long axis
        (right edge towards the trunk).
    lens_sd
        Standard uncertainty of the lens's first radial coefficient.
    bend_per_mm, bend_sd_per_mm
        Curvature of the card about its long axis, 0 for a flat card, and its standard uncertainty.
    corners_px
        Shape (N, 2), where the corners were seen; ``None`` where that was not kept.
    lens, tag_focal_px
        Label of phone and lens, and the focal length before anything was learned of them; empty and ``None`` where
        this photo says nothing of its lens (no tags, zoomed, cropped, a bent card).
    """

    camera_matrix: NDArray[np.float64]
    distortion: NDArray[np.float64]
    rotation: NDArray[np.float64]
    translation_mm: NDArray[np.float64]
    radius_mm: float
    standoff_mm: float
    tilt_rad: float
    corner_sd_px: float
    focal_rel_sd: float
    radius_rel_sd: float
    tilt_sd_rad: float
    standoff_sd_mm: float
    reprojection_px: float
    view_angle_deg: float
    corners_mm: NDArray[np.float64]
    flags: Flag = Flag.NONE
    roll_rad: float = 0.0
    roll_sd_rad: float = 0.0
    lens_sd: float = 0.0
    yaw_rad: float = 0.0
    yaw_sd_rad: float = 0.0
    bend_per_mm: float = 0.0
    bend_sd_per_mm: float = 0.0
    corners_px: NDArray[np.float64] | None = None
    lens: str = ""
    tag_focal_px: float | None = None


@dataclass(frozen=True, slots=True)
class LensFix:
    """What the cards in many photos of one lens say about it (``pipeline.lens``).

    Attributes
    ----------
    lens, device
        Label of phone and lens as in :attr:`CameraTag.lens`, and of the phone.
    photos
        Photos that it rests on.
    focal_factor, focal_factor_sd
        True focal length over that of the tags, and its standard uncertainty for one photo (focusing changes it).
    k1, k1_sd
        First radial coefficient and its standard uncertainty.
    """

    lens: str
    device: str
    photos: int
    focal_factor: float
    focal_factor_sd: float
    k1: float
    k1_sd: float


@dataclass(frozen=True, slots=True)
class WhiteBalance:
    """Gains that give the card its printed greys.

    Attributes
    ----------
    gains
        Red, green, blue, for linear light.
    residual_share
        Root mean square misfit of the patches after the gains, as a share of their value.
    uneven_share
        Spread of the light over the card's white, as a share of its mean.
    matrix
        What takes the picture's linear light to that of daylight, row by row; it gives the greys what ``gains`` give
        them, and other colours what eyes make of them.  Empty: the gains alone.
    lab_sd
        Standard uncertainty of L*, a*, b* of a balanced colour.
    """

    gains: tuple[float, float, float]
    residual_share: float
    uneven_share: float
    flags: Flag = Flag.NONE
    matrix: tuple[tuple[float, float, float], ...] = ()
    lab_sd: tuple[float, float, float] = (1.0, 1.5, 1.5)


@dataclass(frozen=True, slots=True)
class QualityReport:
    """How good a photo is, in physical terms.

    Attributes
    ----------
    sharpness_mm
        10 to 90 % width of a black-white edge on the card, carried over to the bark.
    view_angle_deg
        Angle between the line of sight and the card's normal.
    scale_px_per_mm
        Photo pixels a millimetre of bark at the middle of the patch.
    clipped_share
        Share of the patch's valid pixels that are burnt out or black.
    card_covered_share
        Share of the card that does not look as printed: a finger, a leaf, dirt.
    """

    sharpness_mm: float
    view_angle_deg: float
    scale_px_per_mm: float
    clipped_share: float
    flags: Flag = Flag.NONE
    card_covered_share: float = 0.0


@dataclass(frozen=True, slots=True)
class ScaleUncertainty:
    """Relative standard uncertainties of sizes at one place of the bark, by contribution (GUM).

    The contributions are independent; each value is a share, e.g. 0.01 for one percent.
    """

    area: dict[str, float]
    width: dict[str, float]
    height: dict[str, float]

    @property
    def area_rel_sd(self) -> float:
        """All contributions to an area together."""
        return float(np.sqrt(sum(v * v for v in self.area.values())))

    @property
    def width_rel_sd(self) -> float:
        """All contributions to a length round the trunk together."""
        return float(np.sqrt(sum(v * v for v in self.width.values())))

    @property
    def height_rel_sd(self) -> float:
        """All contributions to a length along the trunk together."""
        return float(np.sqrt(sum(v * v for v in self.height.values())))


@dataclass(frozen=True, slots=True)
class BarkScale:
    """What a photo's sizes have to be multiplied with, learned from all photos of its site by their common bark.

    Attributes
    ----------
    area, width, height
        Factors.
    area_rel_sd, width_rel_sd, height_rel_sd
        Standard uncertainty of the scale that then remains, as a share.
    area_common_rel_sd, width_common_rel_sd
        The part of it that all photos of the site have in common: it cancels in a change.
    """

    area: float
    width: float
    height: float
    area_rel_sd: float
    width_rel_sd: float
    height_rel_sd: float
    area_common_rel_sd: float
    width_common_rel_sd: float


@dataclass(frozen=True, slots=True)
class Window:
    """A rectangle of the site frame, in mm."""

    left_mm: float
    right_mm: float
    bottom_mm: float
    top_mm: float

    @property
    def width_mm(self) -> float:
        """Extent round the trunk."""
        return self.right_mm - self.left_mm

    @property
    def height_mm(self) -> float:
        """Extent along the trunk."""
        return self.top_mm - self.bottom_mm


@dataclass(frozen=True, slots=True, eq=False)
class SitePatch:
    """Unrolled bark: a picture whose every pixel is ``mm_per_px`` wide and high.

    Attributes
    ----------
    rgb
        Shape (H, W, 3), uint8, sRGB, white-balanced where ``white_balanced``.
    valid
        Shape (H, W), True where the photo shows that place of the bark.
    mm_per_px
        Edge of one pixel on the bark; without a card (``has_scale`` False) the patch is taken as 100 mm wide.
    left_mm, top_mm
        Site-frame coordinates of the outer top left corner of pixel [0, 0].
    source_px_per_mm
        Resolution of the photo at the patch's centre.
    fix
        Geometry with which the photo was unrolled, where it is known.
    light_lab_sd
        Standard uncertainty of L*, a*, b* from the light; ``None``: the usual one.
    """

    rgb: ImageRGB
    valid: Mask
    mm_per_px: float
    left_mm: float
    top_mm: float
    source_px_per_mm: float
    has_scale: bool = True
    white_balanced: bool = True
    fix: SurfaceFix | None = None
    light_lab_sd: tuple[float, float, float] | None = None

    def __post_init__(self) -> None:
        """Check shapes and scale."""
        if self.rgb.ndim != 3 or self.rgb.shape[2] != 3 or self.rgb.dtype != np.uint8:
            raise ValueError(f"rgb must have shape (H, W, 3) and type uint8, got {self.rgb.shape} {self.rgb.dtype}")
        if self.valid.shape != self.rgb.shape[:2] or self.valid.dtype != np.bool_:
            raise ValueError(
                f"valid must have shape {self.rgb.shape[:2]} and type bool, got {self.valid.shape} {self.valid.dtype}"
            )
        if not self.mm_per_px > 0:
            raise ValueError(f"mm_per_px must be above 0, got {self.mm_per_px}")

    @property
    def window(self) -> Window:
        """The rectangle of the site frame that the patch covers."""
        height, width = self.valid.shape
        return Window(
            self.left_mm,
            self.left_mm + width * self.mm_per_px,
            self.top_mm - height * self.mm_per_px,
            self.top_mm,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Registration:
    """A later patch of a site laid over an earlier one by the bark around the wound.

    Attributes
    ----------
    matrix
        Shape (2, 3), affine: site-frame mm of the later patch to those of the earlier.
    same_place
        0 (other bark) to 1 (every block of bark found again, strongly).
    blocks, agreeing
        Blocks of bark compared, and those that the map explains.
    scatter_mm
        Root mean square miss of an agreeing block, each direction.
    area_scale_sd
        Standard uncertainty of :attr:`area_scale`.
    places_earlier, places_later, places_sd_mm
        Bark found again, as means over cells: places in each patch's own site frame, shapes (K, 2), and the
        standard uncertainty of one coordinate of their difference, shape (K,).
    """

    matrix: NDArray[np.float64]
    same_place: float
    blocks: int
    agreeing: int
    scatter_mm: float
    area_scale_sd: float
    places_earlier: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 2)))
    places_later: NDArray[np.float64] = field(default_factory=lambda: np.zeros((0, 2)))
    places_sd_mm: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))

    @property
    def area_scale(self) -> float:
        """What an area measured in the later patch is in the earlier one's scale."""
        return float(np.linalg.det(self.matrix[:, :2]))


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two photos of one site laid over each other, as it is kept.

    Attributes
    ----------
    earlier, later
        Their hashes.
    same_place
        See :class:`Registration`; ``None`` where there was too little bark to tell.
    places
        Bark that both show: x and y in the earlier photo's site frame, x and y in the later's, and the standard
        uncertainty of one coordinate of their difference, in mm.
    """

    earlier: str
    later: str
    same_place: float | None
    blocks: int
    agreeing: int
    scatter_mm: float | None
    places: tuple[tuple[float, float, float, float, float], ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class SiteMaps:
    """What a reader sees in a patch.

    Attributes
    ----------
    tissue
        Shape (H, W, 5), probabilities in the order of :class:`Tissue`, summing to 1.
    signs
        Shape (H, W, 5), probability of each :class:`Sign` at each pixel, in declaration order.
    stage_p
        Shape (6,), probabilities in the order of :class:`Stage`.
    sign_p
        Shape (5,), probability that each sign is present at all.
    not_a_site_p
        Probability that this is no wound site at all.
    resin_p, lookalike_p
        Probability that resin is seen; that moss, lichen, ants or mud are.
    reader
        Name and version of the reader.
    rim_sd_mm
        Standard uncertainty of the reader's own rim as a whole, found by comparing it with known truth; the
        uncertainty that even a perfect reader has (``ReadingSettings.rim_sd_mm``) is not in it.
    rim_repeat_sd_mm
        The part of it by which the reader differs from itself from photo to photo of one site; the rest is a habit that
        it has at that site, and cancels in a change.  ``None``: not known, all of it counts as differing.
    """

    tissue: NDArray[np.float32]
    signs: NDArray[np.float32]
    stage_p: NDArray[np.float64]
    sign_p: NDArray[np.float64]
    not_a_site_p: float
    reader: str
    resin_p: float = 0.0
    lookalike_p: float = 0.0
    rim_sd_mm: float = 0.0
    rim_repeat_sd_mm: float | None = None

    def __post_init__(self) -> None:
        """Check shapes."""
        if self.tissue.ndim != 3 or self.tissue.shape[2] != len(Tissue):
            raise ValueError(f"tissue must have shape (H, W, {len(Tissue)}), got {self.tissue.shape}")
        if self.signs.shape != (*self.tissue.shape[:2], len(Sign)):
            raise ValueError(f"signs must have shape (H, W, {len(Sign)}), got {self.signs.shape}")
        if self.stage_p.shape != (len(Stage),) or self.sign_p.shape != (len(Sign),):
            raise ValueError(
                f"stage_p and sign_p must have shapes (6,) and (5,), got {self.stage_p.shape}, {self.sign_p.shape}"
            )


Reader: TypeAlias = Callable[[SitePatch], SiteMaps]
"""Anything that turns a patch into maps: the classical baseline, a network, a test's own."""


Polygon: TypeAlias = tuple[tuple[float, float], ...]
"""Corners x, y in site-frame mm, not repeated at the end."""


@dataclass(frozen=True, slots=True)
class Outlines:
    """What is drawn over the patch: outlines in site-frame mm."""

    aperture: tuple[Polygon, ...] = ()
    new_tissue: tuple[Polygon, ...] = ()
    signs: dict[Sign, tuple[Polygon, ...]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class RimMeasures:
    """Size and outline of one or more openings, measured on a soft map.

    Attributes
    ----------
    area_mm2
        All openings together, islands of bark inside them taken off.
    width_mm, height_mm
        Longest unbroken horizontal and vertical stretch of opening.  The width round the trunk
        controls closure, so it is this chord and not the extent of a leaning slot.
    perimeter_mm
        Length of all rims, those of islands too.
    openings
        Number of separate openings.
    centroid_mm
        Centre of area, x and y in the site frame.
    bbox
        Smallest upright rectangle round all rims; its sides are the caliper extents.
    outlines
        Rims as polygons: openings counter-clockwise, islands clockwise (y up).
    rim_softness_mm
        Standard deviation of the rim's blur in the map.
    cut
        Whether an opening meets the border of what the photo shows.
    """

    area_mm2: float
    width_mm: float
    height_mm: float
    perimeter_mm: float
    openings: int
    centroid_mm: tuple[float, float]
    bbox: Window
    outlines: tuple[Polygon, ...]
    rim_softness_mm: float
    cut: bool


class RimPart(StrEnum):
    """Part of a wound's rim, as one faces the trunk: sides run rather along the trunk, ends rather round it."""

    LEFT_SIDE = "left side"
    RIGHT_SIDE = "right side"
    UPPER_END = "upper end"
    LOWER_END = "lower end"

    @property
    def is_side(self) -> bool:
        """Whether it is a side."""
        return self in (RimPart.LEFT_SIDE, RimPart.RIGHT_SIDE)


class RimMove(StrEnum):
    """What an arc of the rim did between two photos, where that can be told."""

    ADVANCES = "advances"
    STILL = "stands still"
    RETREATS = "retreats"
    UNCLEAR = "not clear"


@dataclass(frozen=True, slots=True)
class RimShift:
    """How far a piece of rim advanced over the opening (below 0: retreated); ``length_mm`` is its mean length."""

    advance_mm: float
    advance_mm_sd: float
    length_mm: float


@dataclass(frozen=True, slots=True)
class RimArc:
    """One arc of a rim: the middle of it in the earlier photo's frame, its length then, and how it moved."""

    part: RimPart
    x_mm: float
    y_mm: float
    length_mm: float
    advance_mm: float
    advance_mm_sd: float
    move: RimMove


@dataclass(frozen=True, slots=True)
class RimField:
    """Advance of the rim between two photos laid over each other by the bark (``pipeline.rimfield``).

    Attributes
    ----------
    earlier, later
        Hashes of the photos.
    whole, sides, ends, parts
        Arcs together; ``None`` or missing where the rim has no such arc.
    arcs
        From the middle of a rim's top on, counter-clockwise; those of islands clockwise.
    earlier_rims, later_rims
        Both in the earlier photo's frame, in millimetres of the site's bark, with few corners.
    """

    earlier: str
    later: str
    whole: RimShift
    sides: RimShift | None
    ends: RimShift | None
    parts: dict[RimPart, RimShift] = field(default_factory=dict)
    arcs: tuple[RimArc, ...] = ()
    earlier_rims: tuple[Polygon, ...] = ()
    later_rims: tuple[Polygon, ...] = ()


@dataclass(frozen=True, slots=True)
class Correction:
    """What a person put in the place of what the reader said of one photo: ``what`` is ``rim`` or ``stage``."""

    what: str
    who: str
    on: date
    sha256: str
    stage: Stage | None = None


@dataclass(frozen=True, slots=True)
class SignReading:
    """One sign in one photo: probability of presence, area, distance from the aperture's rim (``None``: not placed)."""

    p: float
    area_mm2: float | None = None
    rim_distance_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Reading:
    """Everything measured in one photo of one site."""

    file: str
    sha256: str
    site: int
    taken_at: datetime
    visit_on: date
    stage_p: tuple[float, ...]
    signs: dict[Sign, SignReading]
    not_a_site_p: float
    aperture_area_mm2: float | None
    aperture_area_mm2_sd: float | None
    aperture_width_mm: float | None
    aperture_width_mm_sd: float | None
    aperture_height_mm: float | None
    aperture_height_mm_sd: float | None
    aperture_perimeter_mm: float | None
    aperture_perimeter_mm_sd: float | None
    new_tissue_width_mm: float | None
    wood_lab: tuple[float, float, float] | None
    wood_lab_sd: tuple[float, float, float] | None
    scale_px_per_mm: float
    view_angle_deg: float
    sharpness_mm: float
    flags: Flag
    outlines: Outlines
    model: str
    settings: str
    area_sd_parts: dict[str, float] = field(default_factory=dict)
    resin_p: float = 0.0
    lookalike_p: float = 0.0
    device: str = ""
    centroid_mm: tuple[float, float] | None = None
    same_place: float | None = None
    """How surely the bark is that of the site's earlier photos; ``None``: not compared, or too little bark to tell."""
    rim_field: RimField | None = None
    """Advance of the rim since an earlier photo, without arcs and rims where they are not asked for."""
    stated_at: datetime | None = None
    """As in :class:`Photo`: ``None`` where ``taken_at`` is what the photo says."""
    corrections: tuple[Correction, ...] = ()
    """By whom rim and stage were put right; never stored with the reading, always taken from the answers that stand."""

    @property
    def stage(self) -> Stage:
        """Most likely stage."""
        return Stage(int(np.argmax(self.stage_p)))

    @property
    def any_sign_p(self) -> float:
        """Probability that at least one sign is present, taken as the largest single one."""
        return max((reading.p for reading in self.signs.values()), default=0.0)


@dataclass(frozen=True, slots=True)
class Refusal:
    """A photo that could not be read, with what to do next time."""

    file: str
    sha256: str
    stage: PhotoStage
    reason: str
    remedy: str
    taken_at: datetime | None = None
    site: int | None = None
    fault: bool = False
    """The program itself failed on this photo; a later version reads it again."""
    code: RefusalCode = RefusalCode.UNCODED
    device: str = ""
    stated_at: datetime | None = None


# ---------------------------------------------------------------- time


@dataclass(frozen=True, slots=True)
class Visit:
    """All photos of one site on one day, combined; ``chosen_sha256`` is the photo that stands for it."""

    site: int
    visit_on: date
    taken_at: datetime
    chosen_sha256: str
    photos: tuple[str, ...]
    stage_p: tuple[float, ...]
    stage: Stage
    signs: dict[Sign, SignReading]
    aperture_area_mm2: float | None
    aperture_area_mm2_sd: float | None
    aperture_width_mm: float | None
    aperture_width_mm_sd: float | None
    aperture_height_mm: float | None
    aperture_height_mm_sd: float | None
    aperture_perimeter_mm: float | None
    aperture_perimeter_mm_sd: float | None
    wood_lab: tuple[float, float, float] | None
    flags: Flag
    episode: int
    rim_advance_mm: float | None = None
    rim_advance_mm_sd: float | None = None
    width_change_mm: float | None = None
    width_change_mm_sd: float | None = None
    same_place: float | None = None
    stage_posterior: tuple[float, ...] = ()
    stage_smoothed: Stage | None = None
    sign_p_by_photo: dict[Sign, tuple[float, ...]] = field(default_factory=dict)
    area_common_rel_sd: float = 0.0
    rim_field: RimField | None = None
    """Advance of sides and ends since the visit before, measured on the same bark."""
    corrections: tuple[Correction, ...] = ()
    """By whom rim or stage of its photos were put right."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with a lower and an upper bound; the coverage is said where it is used."""

    value: float
    lo: float
    hi: float


@dataclass(frozen=True, slots=True)
class Forecast:
    """When the aperture is expected to be closed, with an 80 % interval."""

    closes_on: date
    closes_on_lo: date
    closes_on_hi: date


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """A change in how a wound closes, between two visits.

    Attributes
    ----------
    kind
        ``"sides stopped"``, ``"pace changed"`` or ``"opened"``.
    p
        Probability of it (``docs/timeline.md``).
    pace_before, pace_after
        Advance of a side, mm a growing month, from the widths seen before and since.
    jump_mm
        Growth of the width beyond what was expected.
    """

    kind: str
    from_on: date
    to_on: date
    p: float
    pace_before: float
    pace_after: float
    jump_mm: float


@dataclass(frozen=True, slots=True)
class Trend:
    """How one site closes within one episode; rates have 95 % intervals."""

    site: int
    episode: int
    from_on: date
    to_on: date
    visits: int
    area_closure_pct: Interval | None
    width_closure_rate_mm_per_year: Interval | None
    rim_advance_rate_mm_per_month: Interval | None
    forecast: Forecast | None
    why_no_forecast: str
    height_closure_rate_mm_per_year: Interval | None = None
    side_advance_mm_per_growing_month: Interval | None = None
    direction_p: float | None = None
    borrows: str = ""
    side_advance_rate_mm_per_month: Interval | None = None
    end_advance_rate_mm_per_month: Interval | None = None
    change_points: tuple[ChangePoint, ...] = ()
    stands_still: bool = False


@dataclass(frozen=True, slots=True)
class SiteHistory:
    """One site over time."""

    site: Site
    visits: tuple[Visit, ...]
    trends: tuple[Trend, ...]
    events: tuple[Event, ...]


class ReviewAnswer(StrEnum):
    """What a person said of something the reader saw."""

    CONFIRMED = "confirmed"
    REJECTED = "rejected"
    CORRECTED = "corrected"
    UNSURE = "unsure"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Finding:
    """What a rule sees in the data today; the store turns findings into alerts with a life.

    ``key`` names the same matter from day to day, e.g. ``"stalled/site 205/episode 1"``.
    """

    key: str
    rule: str
    severity: Severity
    tree: str
    stem: str
    site: int | None
    since: date
    why: str
    figures: dict[str, float]
    threshold: str
    source: str
    next_step: str
    caution: str
    photos: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Alert:
    """A finding with a life."""

    id: int
    finding: Finding
    state: AlertState
    opened_on: date
    updated_on: date
    closed_on: date | None = None
    closed_by: str = ""


@dataclass(frozen=True, slots=True)
class TreeHealth:
    """A tree's sites over time, the findings about it, and one plain status with its reasons."""

    tree: Tree
    sites: tuple[SiteHistory, ...]
    findings: tuple[Finding, ...]
    status: str
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PhotoFacts:
    """What is known of a file that arrived, whether or not it could be read."""

    file: str
    sha256: str
    size_bytes: int
    arrived_at: datetime
    outcome: Outcome
    taken_at: datetime | None = None
    site: int | None = None
    stage_of_refusal: str = ""
    reason: str = ""
    remedy: str = ""
    flags: Flag = Flag.NONE
    device: str = ""
    code: RefusalCode = RefusalCode.UNCODED


@dataclass(frozen=True, slots=True)
class Arrival:
    """A file that came into the inbox and was copied to ``stored`` (below the photos folder, ``/`` as separator)."""

    file: str
    sha256: str
    size_bytes: int
    stored: str
    arrived_at: datetime


@dataclass(frozen=True, slots=True)
class RecordedArrival:
    """An arrival in the database; ``seen_before`` is ``None`` for bytes that never came before.

    ``again`` is true where the same arrival was recorded already and only its inbox file was still there.
    """

    id: int
    file: str
    sha256: str
    seen_before: Outcome | None
    again: bool


@dataclass(frozen=True, slots=True)
class StoredPhoto:
    """A photo in the photos folder; ``file`` is the name under which it came first, in that ``arrival``."""

    sha256: str
    file: str
    stored: str
    size_bytes: int
    arrival: int = 0


# ---------------------------------------------------------------- people


class AlertStep(StrEnum):
    """What happened to an alert in its life."""

    OPENED = "opened"
    UPDATED = "updated"
    ACKNOWLEDGED = "acknowledged"
    CLOSED = "closed"
    REOPENED = "reopened"


@dataclass(frozen=True, slots=True)
class AlertEvent:
    """One step in an alert's life; ``by`` is ``"data"`` or the person, ``at`` is known only for a person's step."""

    alert: int
    step: AlertStep
    on: date
    by: str
    at: datetime | None = None
    note: str = ""
    finding: Finding | None = None


@dataclass(frozen=True, slots=True)
class AlertChanges:
    """What new findings did to the alerts."""

    opened: tuple[Alert, ...] = ()
    updated: tuple[Alert, ...] = ()
    closed: tuple[Alert, ...] = ()
    reopened: tuple[Alert, ...] = ()


@dataclass(frozen=True, slots=True)
class Review:
    """One answer of a person about a photo, a site or an alert; ``id`` is 0 until it is stored.

    ``sign`` and ``stage`` say what the answer is about (``None``: not about that).  ``replaces`` names an
    earlier answer that this one takes back or corrects; both stay on record.  ``payload`` holds what else
    the answer needs (what it is instead, a rim in mm), as plain JSON.
    """

    who: str
    at: datetime
    answer: ReviewAnswer
    site: int | None = None
    sha256: str = ""
    alert: int | None = None
    sign: Sign | None = None
    stage: Stage | None = None
    note: str = ""
    payload: dict[str, object] = field(default_factory=dict)
    replaces: int | None = None
    id: int = 0

    @property
    def answered_on(self) -> date:
        """Day of the answer, in the zone that ``at`` carries."""
        return self.at.date()


@dataclass(frozen=True, slots=True)
class Question:
    """Something only a person knows, e.g. whether wood was taken out between two visits; ``key`` names it for good."""

    key: str
    site: int
    asked_on: date
    from_on: date
    to_on: date
    words: str
    id: int = 0
    about: dict[str, str] = field(default_factory=dict)
    """What else belongs to it; of a clock question ``device``, ``folder`` and ``sha256``."""

    @property
    def asks_for_time(self) -> bool:
        """Whether it is about a phone's clock (and not about what was done to the tree)."""
        return self.key.startswith("clock/")


@dataclass(frozen=True, slots=True)
class ClockShift:
    """A person's word that a phone's clock was wrong: ``shift`` is added to the time that its photos state.

    It holds for photos whose stated time lies from ``from_at`` to ``to_at`` and that come from ``device`` and from
    ``folder`` or one below (empty: any folder), or for the one photo ``sha256``.  ``replaces`` names an earlier one
    that this takes back; a ``shift`` of nothing only takes back.  All stay on record, and so does what a photo states.
    """

    who: str
    at: datetime
    shift: timedelta
    from_at: datetime
    to_at: datetime
    device: str = ""
    folder: str = ""
    sha256: str = ""
    question: int | None = None
    note: str = ""
    replaces: int | None = None
    id: int = 0

    def concerns(self, device: str, file: str, sha256: str, stated_at: datetime) -> bool:
        """Whether it holds for a photo."""
        if self.sha256:
            return sha256 == self.sha256
        inside = not self.folder or f"{file.rpartition('/')[0]}/".startswith(f"{self.folder}/")
        return bool(device) and device == self.device and inside and self.from_at <= stated_at <= self.to_at


@dataclass(frozen=True, slots=True)
class PhotoSettled:
    """A person's word that a refused photo needs no retake any more; ``site`` is the one it shows, if that is known.

    ``standing`` false takes an earlier word back.
    """

    sha256: str
    who: str
    at: datetime
    site: int | None = None
    note: str = ""
    standing: bool = True
    id: int = 0


@dataclass(frozen=True, slots=True)
class Answer:
    """A person's answer to a question; the latest one counts.  ``event`` is what happened, if anything did."""

    question: int
    who: str
    at: datetime
    event: Event | None = None
    note: str = ""
    id: int = 0


# ---------------------------------------------------------------- what is told to people


@dataclass(frozen=True, slots=True)
class Digest:
    """A text about what is new among the alerts.

    ``key`` is the same for the same news; ``news`` names them (alert, severity, how often it opened); ``id`` is 0 until
    it is stored.
    """

    key: str
    made_at: datetime
    file: str
    subject: str
    body: str
    news: tuple[str, ...]
    id: int = 0


@dataclass(frozen=True, slots=True)
class WaitingDigest:
    """A digest that was not sent yet; ``perhaps_sent`` where a sending was cut off before its outcome was known."""

    digest: Digest
    tries: int = 0
    last_at: datetime | None = None
    perhaps_sent: bool = False
    detail: str = ""
