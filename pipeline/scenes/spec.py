"""What a drawn photo is made of: bark, wound, signs, card, camera and light, all frozen.

Lengths are mm in the **site frame** (``pipeline.records``); here its ``x`` = 0 runs through the card's
centre and its ``y`` is exactly parallel to the trunk's axis.  The **trunk frame** has its origin on the
bark's near line at the height of the card's centre: X right, Y up, Z out of the trunk towards the viewer.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, TypeAlias

from pipeline.records import Sign, WoundKind

if TYPE_CHECKING:
    from datetime import datetime

    from pipeline.records import ImageRGB

BarkKind: TypeAlias = Literal["smooth", "fissured", "flaking", "lenticelled", "ringed", "picture"]
LookalikeKind: TypeAlias = Literal[
    "moss", "lichen", "algae", "mud", "ants", "leaf shadow", "sun fleck", "flaking bark", "paint", "spider web"
]


@dataclass(frozen=True, slots=True, eq=False)
class BarkSpec:
    """The outer bark; ``picture`` (RGB) is laid over the trunk, mirrored at its edges, where ``kind`` says so."""

    kind: BarkKind = "smooth"
    seed: int = 1
    rgb: tuple[int, int, int] | None = None
    relief_mm: float = 1.0
    picture: ImageRGB | None = None
    picture_px_per_mm: float = 4.0


@dataclass(frozen=True, slots=True)
class WoundState:
    """One wound at one moment.

    The shape when made is an ellipse (drill hole, nail hole) or a rounded box; its rim has since
    advanced by ``advance_mm`` at the sides and ``advance_mm * end_share`` at the ends, unevenly by ``lobes``.

    Attributes
    ----------
    centre_mm
        Site-frame place of the wound's middle.
    width_mm, height_mm
        Size when made, round and along the trunk.
    corner_mm
        Rounding of a box's corners.
    ragged_mm
        How far the first outline wanders from the ideal shape.
    browning
        0 white wood, 1 reddish dark.
    resin
        Share of the wood that is dark with resin, 0 to 1.
    resin_runs
        Number of runs of resin below the rim; ``run_age`` 0 is amber and wet, 1 dry and dark.
    bark_over
        0 bare pale callus, 1 new bark like the old.
    islands
        Share of the face covered by new bark that grew on it (sheet growth of a shaved strip).
    """

    kind: WoundKind = WoundKind.WINDOW
    seed: int = 1
    centre_mm: tuple[float, float] = (0.0, -110.0)
    width_mm: float = 60.0
    height_mm: float = 80.0
    depth_mm: float = 12.0
    corner_mm: float = 8.0
    ragged_mm: float = 0.6
    advance_mm: float = 0.0
    end_share: float = 0.5
    lobes: float = 0.25
    browning: float = 0.1
    resin: float = 0.0
    resin_runs: int = 0
    run_age: float = 0.5
    bark_over: float = 0.0
    islands: float = 0.0
    nail: bool = False

    def __post_init__(self) -> None:
        """Check ranges."""
        if not (self.width_mm > 0 and self.height_mm > 0):
            raise ValueError(f"width and height must be above 0, got {self.width_mm}, {self.height_mm}")
        if self.advance_mm < 0:
            raise ValueError(f"advance_mm must not be negative, got {self.advance_mm}")


@dataclass(frozen=True, slots=True)
class SignSpec:
    """One sign: where, how large (its own width and height) and how strong (0 invisible, 1 plain to see)."""

    sign: Sign
    centre_mm: tuple[float, float]
    width_mm: float
    height_mm: float
    strength: float = 1.0
    seed: int = 1


@dataclass(frozen=True, slots=True)
class LookalikeSpec:
    """Something that is no sign but may be taken for one, or that only disturbs."""

    kind: LookalikeKind
    centre_mm: tuple[float, float] = (0.0, -100.0)
    width_mm: float = 30.0
    height_mm: float = 30.0
    strength: float = 1.0
    seed: int = 1


@dataclass(frozen=True, slots=True)
class CardHang:
    """How the card hangs.

    Attributes
    ----------
    site
        Site number; ``None`` hangs no card.
    standoff_mm
        The card's centre in front of the bark's near line.
    tilt_deg
        Positive: the lower edge stands further off the trunk than the upper.
    roll_deg
        Turned in its own plane, positive counter-clockwise as seen.
    yaw_deg
        Turned about its long axis, positive: the right edge goes back towards the trunk.
    wear, dirt
        0 new and clean, 1 scuffed and soiled.
    """

    site: int | None = 120513
    standoff_mm: float = 1.0
    tilt_deg: float = 0.0
    roll_deg: float = 0.0
    yaw_deg: float = 0.0
    wear: float = 0.15
    dirt: float = 0.15
    seed: int = 1


@dataclass(frozen=True, slots=True)
class CameraSpec:
    """Where the camera stands, what its lens and sensor do, and what it writes into its tags.

    ``azimuth_deg`` is positive to the right of the trunk, ``elevation_deg`` above the aim point.
    ``focal_35mm`` is the equivalent by the picture's diagonal (CIPA DC-X010).
    """

    width_px: int = 600
    height_px: int = 800
    focal_35mm: float = 26.0
    distance_mm: float = 420.0
    azimuth_deg: float = 0.0
    elevation_deg: float = 0.0
    roll_deg: float = 0.0
    aim_mm: tuple[float, float] = (0.0, -55.0)
    k1: float = 0.0
    k2: float = 0.0
    defocus_px: float = 0.0
    motion_px: float = 0.0
    motion_deg: float = 0.0
    noise: float = 0.004
    sharpen: float = 0.3
    vignetting: float = 0.12
    maker: str = "Example"
    model: str = "Phone One"


@dataclass(frozen=True, slots=True)
class LightSpec:
    """Light at the trunk; the sun's direction is meant from the near line: azimuth to the right, elevation up."""

    sun: float = 0.4
    sun_azimuth_deg: float = 35.0
    sun_elevation_deg: float = 50.0
    dapple: float = 0.0
    warmth: float = 0.0
    tint: float = 0.0
    exposure: float = 1.0
    seed: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class SceneSpec:
    """Everything one photo shows; equal specs give equal photos, to the bit, on one machine."""

    trunk_radius_mm: float = 80.0
    taper: float = 0.0
    bark: BarkSpec = field(default_factory=BarkSpec)
    wounds: tuple[WoundState, ...] = (WoundState(),)
    signs: tuple[SignSpec, ...] = ()
    lookalikes: tuple[LookalikeSpec, ...] = ()
    card: CardHang = CardHang()
    camera: CameraSpec = CameraSpec()
    light: LightSpec = LightSpec()
    seed: int = 1

    def __post_init__(self) -> None:
        """Check ranges."""
        if not self.trunk_radius_mm > 0:
            raise ValueError(f"trunk_radius_mm must be above 0, got {self.trunk_radius_mm}")
        if not abs(self.taper) < 0.2:
            raise ValueError(f"taper must be between -0.2 and 0.2 mm a mm, got {self.taper}")


@dataclass(frozen=True, slots=True)
class PhotoTags:
    """What is written into the file's Exif tags; ``None`` leaves a tag out."""

    taken_at: datetime | None = None
    offset: bool = True
    orientation: int = 1
    focal_35mm: bool = True
    quality: int = 90
