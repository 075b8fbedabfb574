"""Random scenes: the spread of trunks, wounds, signs, cameras and weather that a reader must cope with."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, get_args

import numpy as np

from pipeline.cardspec import CARD_HALF_HEIGHT_MM, SITE_LIMIT
from pipeline.records import Sign, Stage, WoundKind
from pipeline.scenes import growth
from pipeline.scenes.geometry import DIAGONAL_35MM
from pipeline.scenes.spec import (
    BarkKind,
    BarkSpec,
    CameraSpec,
    CardHang,
    LightSpec,
    LookalikeKind,
    LookalikeSpec,
    SceneSpec,
    SignSpec,
    WoundState,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

WOUND_KINDS = (
    WoundKind.DRILL_HOLE,
    WoundKind.NAIL_HOLE,
    WoundKind.WINDOW,
    WoundKind.STRIP,
    WoundKind.TRUNK_CUT,
)


def random_scene(
    rng: np.random.Generator,
    *,
    size_px: tuple[int, int] = (600, 800),
    kind: WoundKind | None = None,
    stage: Stage | None = None,
    signs: Sequence[Sign] | None = None,
    bark: BarkSpec | None = None,
) -> SceneSpec:
    """Draw a scene by lot.

    Parameters
    ----------
    rng
        Source of chance; the same state gives the same scene.
    size_px
        Width and height of the picture.
    kind, stage, signs, bark
        What is wanted; by lot where ``None`` (signs: none in six of ten scenes).
    """
    kind = kind or WOUND_KINDS[int(rng.choice(len(WOUND_KINDS), p=[0.25, 0.12, 0.33, 0.2, 0.1]))]
    wound = random_wound(rng, kind, Stage(int(rng.integers(len(Stage)))) if stage is None else stage)
    radius = float(rng.uniform(max(45.0, 0.36 * wound.width_mm), 150.0))
    if signs is None:
        wanted = rng.permutation(list(Sign))[: int(rng.choice([0, 1, 2], p=[0.6, 0.32, 0.08]))]
        signs = [Sign(s) for s in wanted]
    tilt = float(rng.normal(0, 1.5))
    card = CardHang(
        site=int(rng.integers(SITE_LIMIT)),
        standoff_mm=float(rng.uniform(0.5, 2.0) + CARD_HALF_HEIGHT_MM * abs(np.sin(np.deg2rad(tilt)))),
        tilt_deg=tilt,
        roll_deg=float(rng.normal(0, 2.0)),
        yaw_deg=float(rng.normal(0, 1.0)),
        wear=float(rng.uniform(0, 0.6)),
        dirt=float(rng.uniform(0, 0.7)),
        seed=int(rng.integers(1 << 20)),
    )
    return SceneSpec(
        trunk_radius_mm=radius,
        taper=float(rng.normal(0, 0.004)),
        bark=bark or random_bark(rng),
        wounds=(wound,),
        signs=tuple(random_sign(rng, s, wound) for s in signs),
        lookalikes=random_lookalikes(rng, wound),
        card=card,
        camera=random_camera(rng, size_px, wound),
        light=random_light(rng),
        seed=int(rng.integers(1 << 30)),
    )


def random_bark(rng: np.random.Generator) -> BarkSpec:
    """A bark of any procedural kind."""
    kinds = [k for k in get_args(BarkKind) if k != "picture"]
    kind = kinds[int(rng.choice(len(kinds), p=[0.4, 0.2, 0.15, 0.15, 0.1]))]
    rgb = None
    if rng.uniform() < 0.6:
        lightness, warmth = rng.uniform(88, 172), rng.uniform(-4, 26)
        rgb = (round(lightness + warmth * 0.6), round(lightness), round(lightness - warmth * 0.8))
    return BarkSpec(kind, int(rng.integers(1, 100_000)), rgb, float(rng.uniform(0.6, 1.5)))


def random_wound(rng: np.random.Generator, kind: WoundKind, stage: Stage) -> WoundState:
    """A wound of a kind at a stage, its top edge 20 to 60 mm below the card."""
    u = rng.uniform
    if kind is WoundKind.DRILL_HOLE:
        d = float(u(8, 26))
        width, height, depth = d, d * float(u(0.95, 1.15)), float(u(25, 60))
    elif kind is WoundKind.NAIL_HOLE:
        width, depth = float(u(5, 13)), float(u(4, 15))
        height = width * float(u(1.0, 1.5))
    elif kind is WoundKind.WINDOW:
        width, height, depth = float(u(25, 85)), float(u(35, 120)), float(u(5, 25))
    elif kind is WoundKind.STRIP:
        width, height, depth = float(u(18, 60)), float(u(90, 200)), float(u(1.5, 4))
    else:
        width, height, depth = float(u(50, 120)), float(u(8, 24)), float(u(12, 40))
    wound = WoundState(
        kind=kind,
        seed=int(rng.integers(1, 100_000)),
        centre_mm=(float(rng.normal(0, 7)), -CARD_HALF_HEIGHT_MM - float(u(20, 60)) - height / 2),
        width_mm=width,
        height_mm=height,
        depth_mm=depth,
        corner_mm=float(u(0.1, 0.5)) * min(width, height),
        ragged_mm=float(u(0.2, 1.4)),
        end_share=float(u(0.3, 0.8)),
        lobes=float(u(0.1, 0.6)),
        nail=kind is WoundKind.NAIL_HOLE and bool(u() < 0.6),
    )
    return at_stage(rng, wound, stage)


def at_stage(rng: np.random.Generator, wound: WoundState, stage: Stage) -> WoundState:
    """The same wound brought to a stage."""
    u = rng.uniform
    if stage is Stage.FRESH:
        return replace(wound, advance_mm=0.0, browning=float(u(0, 0.28)))
    aged = replace(
        wound,
        browning=float(u(0.42, 1.0)),
        resin=float(u(0, 0.75)),
        resin_runs=int(rng.integers(0, 5)),
        run_age=float(u()),
    )
    if stage is Stage.RESINOUS:
        return replace(aged, advance_mm=0.0)
    if stage in (Stage.CALLUS, Stage.CLOSING):
        share = float(u(0.66, 0.95) if stage is Stage.CALLUS else u(0.03, 0.55))
        advance = max(growth.advance_for_share(wound, share), growth.CALLUS_FROM_MM + 0.1)
        islands = float(u(0.1, 0.5)) if wound.kind is WoundKind.STRIP and stage is Stage.CLOSING and u() < 0.5 else 0.0
        return replace(aged, advance_mm=advance, bark_over=float(u(0, 0.3)), islands=islands)
    advance = growth.fully_closed_advance_mm(wound) * float(u(1.03, 1.25)) + 0.3
    over = float(u(0.05, 0.5) if stage is Stage.CLOSED else u(0.68, 1.0))
    return replace(aged, advance_mm=advance, bark_over=over, resin_runs=0, nail=False)


def random_sign(rng: np.random.Generator, sign: Sign, wound: WoundState) -> SignSpec:
    """A sign at or near a wound, never on the card."""
    u = rng.uniform
    x, y = wound.centre_mm
    w, h = wound.width_mm, wound.height_mm
    side = float(rng.choice([-1, 1]))
    strength, seed = float(u(0.45, 1.0)), int(rng.integers(1, 100_000))
    if sign is Sign.GREEN_FILM:
        size = float(u(10, 45))
        place = (x + float(u(-0.5, 0.5)) * w, y + float(u(-0.5, 0.4)) * h)
        return SignSpec(sign, place, size, size * float(u(0.8, 1.8)), strength, seed)
    if sign is Sign.WHITE_MYCELIUM:
        size = float(u(9, 40))
        place = (x + side * float(u(0.2, 0.55)) * w, y + float(u(-0.5, 0.3)) * h)
        return SignSpec(sign, place, size, size * float(u(0.8, 1.5)), strength, seed)
    if sign is Sign.CONK:
        size = float(u(14, 60))
        place = (x + side * (0.5 * w + float(u(-0.2, 0.5)) * size), y + float(u(-0.6, 0.4)) * h)
        return SignSpec(sign, place, size, size * float(u(0.45, 0.75)), max(strength, 0.7), seed)
    if sign is Sign.DARK_BLEEDING:
        length, width = float(u(30, 110)), float(u(6, 26))
        place = (x + side * float(u(0.0, 0.7)) * w, y - float(u(0.2, 0.5)) * h - length / 2)
        return SignSpec(sign, place, width, length, max(strength, 0.6), seed)
    width = float(u(18, 45))
    place = (x + side * (w / 2 + width * float(u(0.45, 0.8))), y + float(u(-0.4, 0.2)) * h)
    return SignSpec(sign, place, width, width * float(u(1.2, 2.8)), max(strength, 0.6), seed)


def random_lookalikes(rng: np.random.Generator, wound: WoundState) -> tuple[LookalikeSpec, ...]:
    """None to three of the things that are no sign."""
    chosen = rng.permutation(list(get_args(LookalikeKind)))[: int(rng.choice([0, 1, 2, 3], p=[0.3, 0.35, 0.25, 0.1]))]
    items = []
    for kind in chosen:
        width = float(rng.uniform(12, 60))
        near_wound = kind in ("ants", "spider web", "leaf shadow", "sun fleck", "mud")
        x = wound.centre_mm[0] + float(rng.normal(0, 0.5 if near_wound else 1.3)) * (wound.width_mm / 2 + 18)
        y = wound.centre_mm[1] + float(rng.normal(0, 0.6)) * (wound.height_mm / 2 + 20)
        height = width * float(rng.uniform(0.6, 1.6))
        if kind == "algae":
            width, height, x = 80.0, 260.0, float(rng.choice([-1, 1]) * rng.uniform(30, 90))
        y = min(y, -CARD_HALF_HEIGHT_MM - height / 2) if kind not in ("algae", "leaf shadow", "sun fleck") else y
        items.append(
            LookalikeSpec(kind, (x, y), width, height, float(rng.uniform(0.5, 1.0)), int(rng.integers(1, 100_000)))
        )
    return tuple(items)


def random_camera(rng: np.random.Generator, size_px: tuple[int, int], wound: WoundState) -> CameraSpec:
    """A hand-held phone that has the whole card and the whole wound in its frame."""
    width, height = size_px
    focal_35mm = float(rng.choice([24, 25, 26, 27, 28]))
    bottom = wound.centre_mm[1] - wound.height_mm / 2
    aim = (
        float(rng.normal(0, 6)) + wound.centre_mm[0] / 2,
        (CARD_HALF_HEIGHT_MM + bottom) / 2 + float(rng.normal(0, 6)),
    )
    focal_px = focal_35mm * float(np.hypot(width, height)) / DIAGONAL_35MM
    reach = 1.35 * max((CARD_HALF_HEIGHT_MM - bottom) / height, (wound.width_mm + 50) / width) * focal_px
    distance = float(np.clip(rng.uniform(300, 620), reach, max(700, reach)))
    scale = max(width, height) / 4000
    soft = float(rng.gamma(1.5, 0.5)) * scale
    return CameraSpec(
        width_px=width,
        height_px=height,
        focal_35mm=focal_35mm,
        distance_mm=distance,
        azimuth_deg=float(rng.normal(0, 8)),
        elevation_deg=float(rng.normal(0, 8)),
        roll_deg=float(rng.normal(0, 3)),
        aim_mm=aim,
        k1=float(rng.normal(0, 0.015)),
        defocus_px=soft,
        motion_px=float(rng.gamma(1.0, 1.2)) * scale,
        motion_deg=float(rng.uniform(0, 180)),
        noise=float(rng.uniform(0.002, 0.012)),
        sharpen=float(rng.uniform(0, 0.7)),
        vignetting=float(rng.uniform(0, 0.25)),
    )


def random_light(rng: np.random.Generator) -> LightSpec:
    """From deep shade to sun through leaves."""
    return LightSpec(
        sun=float(rng.beta(1.3, 1.6)),
        sun_azimuth_deg=float(rng.uniform(-75, 75)),
        sun_elevation_deg=float(rng.uniform(15, 75)),
        dapple=float(rng.uniform(0.3, 1.0)) if rng.uniform() < 0.4 else 0.0,
        warmth=float(rng.normal(0, 0.35)),
        tint=float(rng.normal(0, 0.4)),
        exposure=float(np.exp(rng.normal(0, 0.2))),
        seed=int(rng.integers(1, 100_000)),
    )
