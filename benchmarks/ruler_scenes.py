"""Sites and visits for the benchmark of the ruler: who hangs where, seen from where, with which wound.

Everything is drawn by lot from a number, so that figures can be made again.  The spread is that of the issue:
distances 30 to 62 cm, views up to 20 degrees off, trunk radius 55 to 140 mm, the card hung with 1.5 degrees of tilt
and 0.5 mm of standoff (standard deviations).  What no sheet fixes is an assumption of this benchmark: roll 2.0 and
yaw 1.5 degrees, a little sway between visits, focal length in the tags 2 % off, registered girth 2 % off, first
radial coefficient of the lens 0.01.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

from pipeline.records import WoundKind
from pipeline.scenes import BarkSpec, CameraSpec, CardHang, LightSpec, SceneSpec, WoundState
from pipeline.scenes.chance import random_bark, random_lookalikes

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

FOCAL_35MM = 26.0
"""What the tags say; the lens differs from it."""
FIRST_SITE = 100_000
GROWTH_A_VISIT = 0.001
"""Share by which the trunk thickens between two visits a month apart: 3 to 4 mm of radius in three years."""
KINDS = (WoundKind.WINDOW, WoundKind.DRILL_HOLE, WoundKind.WINDOW, WoundKind.STRIP)


@dataclass(frozen=True, slots=True)
class Spread:
    """Standard deviations by which sites and photos differ."""

    tilt_deg: float = 1.5
    standoff_mm: float = 0.5
    roll_deg: float = 2.0
    yaw_deg: float = 1.5
    focal_rel: float = 0.02
    girth_rel: float = 0.02
    lens: float = 0.01
    view_deg: float = 20.0
    sway: float = 1.0
    exact_tilt_deg: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class SitePlan:
    """One site: what stays the same in all its visits, and what the register says of it."""

    number: int
    scene: SceneSpec
    girth_mm: float


def site_plan(number: int, spread: Spread, diameter_mm: float | None = None) -> SitePlan:
    """A site; ``diameter_mm`` asks for a drill hole of that size."""
    rng = np.random.default_rng([number, 11])
    kind = WoundKind.DRILL_HOLE if diameter_mm else KINDS[number % len(KINDS)]
    if kind is WoundKind.DRILL_HOLE:
        width = height = diameter_mm or rng.uniform(12, 26)
    elif kind is WoundKind.WINDOW:
        width, height = rng.uniform(25, 70), rng.uniform(40, 110)
    else:
        width, height = rng.uniform(20, 45), rng.uniform(80, 150)
    wound = WoundState(
        kind=kind,
        seed=number + 1,
        centre_mm=(rng.normal(0, 6), -50 - rng.uniform(20, 60) - height / 2),
        width_mm=float(width),
        height_mm=float(height),
        corner_mm=float(rng.uniform(0.1, 0.5) * min(width, height)),
        ragged_mm=float(rng.uniform(0.2, 1.0)),
        lobes=float(rng.uniform(0.1, 0.5)),
        browning=float(rng.uniform(0.3, 1.0)),
    )
    radius = float(rng.uniform(max(55.0, 0.6 * width), 140.0))
    tilt = rng.normal(0, spread.tilt_deg)
    if spread.exact_tilt_deg is not None:
        tilt = spread.exact_tilt_deg * rng.choice([-1, 1])
    hang = CardHang(
        site=FIRST_SITE + number,
        standoff_mm=max(0.1, 1 + rng.normal(0, spread.standoff_mm)),
        tilt_deg=float(tilt),
        roll_deg=rng.normal(0, spread.roll_deg),
        yaw_deg=rng.normal(0, spread.yaw_deg),
        wear=rng.uniform(0, 0.4),
        dirt=rng.uniform(0, 0.4),
        seed=number,
    )
    camera = CameraSpec(focal_35mm=FOCAL_35MM * (1 + rng.normal(0, spread.focal_rel)), k1=rng.normal(0, spread.lens))
    scene = SceneSpec(trunk_radius_mm=radius, wounds=(wound,), card=hang, camera=camera, seed=number)
    return SitePlan(number, scene, 2 * np.pi * radius * (1 + rng.normal(0, spread.girth_rel)))


def visit_scene(
    plan: SitePlan,
    visit: int,
    spread: Spread,
    *,
    megapixels: float = 12.0,
    advance_mm: float = 0.0,
    growth: float = 0.0,
) -> SceneSpec:
    """The scene of one visit: own camera place and light, the wound's rim advanced by ``advance_mm``."""
    rng = np.random.default_rng([plan.number, visit, 12])
    scene = plan.scene
    height = round(np.sqrt(megapixels * 1e6 * 4 / 3) / 8) * 8
    wound = scene.wounds[0]
    bottom = wound.centre_mm[1] - wound.height_mm / 2
    off, around = spread.view_deg * np.sqrt(rng.uniform()), rng.uniform(0, 2 * np.pi)
    fits = 1.15 * (50 - bottom) / (height * 0.9) * FOCAL_35MM * np.hypot(height, height * 0.75) / np.hypot(36, 24)
    camera = replace(
        scene.camera,
        width_px=height * 3 // 4,
        height_px=height,
        distance_mm=float(np.clip(rng.uniform(300, 620), min(fits, 620), 620)),
        azimuth_deg=float(off * np.cos(around)),
        elevation_deg=float(off * np.sin(around)),
        roll_deg=rng.normal(0, 3),
        aim_mm=(wound.centre_mm[0] / 2 + rng.normal(0, 8), (50 + bottom) / 2 + rng.normal(0, 8)),
        defocus_px=rng.uniform(0.4, 1.4) * height / 4000,
    )
    # a loose card hangs a little differently each time: 0.3 degrees of tilt, 0.5 of roll and yaw, 0.2 mm of standoff
    sway = spread.sway * np.random.default_rng([plan.number, visit, 15]).normal(0, (0.3, 0.5, 0.5, 0.2))
    card = replace(
        scene.card,
        tilt_deg=scene.card.tilt_deg + sway[0],
        roll_deg=scene.card.roll_deg + sway[1],
        yaw_deg=scene.card.yaw_deg + sway[2],
        standoff_mm=max(0.1, scene.card.standoff_mm + sway[3]),
    )
    light = LightSpec(
        sun=rng.uniform(0, 0.9),
        sun_azimuth_deg=rng.uniform(-60, 60),
        warmth=rng.normal(0, 0.5),
        exposure=rng.uniform(0.8, 1.12),
        dapple=float(rng.choice([0.0, 0.0, 0.4])),
        seed=visit,
    )
    return replace(
        scene,
        camera=camera,
        card=card,
        light=light,
        wounds=(replace(wound, advance_mm=wound.advance_mm + advance_mm),),
        trunk_radius_mm=scene.trunk_radius_mm * (1 + growth),
        seed=plan.number * 100 + visit,
    )


def dressed(scene: SceneSpec, site: int, visit: int, barks: Sequence[Path]) -> SceneSpec:
    """The scene with the site's bark (every other one a photograph, if there are any) and the visit's disturbers."""
    rng = np.random.default_rng([site, 13])
    if barks and site % 2:
        # one photograph a site, each its own: the same picture twice would be the same bark
        picture = np.asarray(Image.open(barks[(site * 37) % len(barks)]).convert("RGB"))
        bark = BarkSpec("picture", site, picture=picture, picture_px_per_mm=picture.shape[1] / rng.uniform(150, 250))
    else:
        bark = random_bark(rng)
    disturbers = np.random.default_rng([site, visit, 14])
    lookalikes = random_lookalikes(disturbers, scene.wounds[0]) if disturbers.uniform() < 0.4 else ()
    return replace(scene, bark=bark, lookalikes=lookalikes)
