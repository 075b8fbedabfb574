"""Batches of drawn site patches with the exact truth of every pixel."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import torch
from torch import Tensor

from pipeline.learn import lookalikes as like
from pipeline.learn import signs as s
from pipeline.learn.banks import Banks, Mix, clean_only
from pipeline.learn.bark import draw_bark, plain_photo
from pipeline.learn.camera import draw_light, expose, light_scene, photograph
from pipeline.learn.foreign import FOREIGN_NAMES, not_a_site, put_background, put_foreign, unseen
from pipeline.learn.patches import (
    APERTURE,
    BACKGROUND,
    BARK,
    EITHER,
    FOREIGN,
    IGNORE,
    NEW_TISSUE,
    NOT_WOUND,
    PatchBatch,
)
from pipeline.learn.scene import is_visible, paint_on
from pipeline.learn.stage import Stage, blur, mix, noise_bank, smoothstep
from pipeline.learn.variety import Variety, own_numbers, unresolved, vary_bark, vary_signs, vary_wounds
from pipeline.learn.wounds import (
    CLOSED,
    FRESH,
    REBARKED,
    RESINOUS,
    STAGE_SHARES,
    Wound,
    cast_shadow,
    draw_callus,
    draw_sizes,
    draw_wood,
    draw_wound,
)

__all__ = [
    "APERTURE",
    "BACKGROUND",
    "BARK",
    "EITHER",
    "FOREIGN",
    "IGNORE",
    "NEW_TISSUE",
    "NOT_WOUND",
    "SEEN_SHARE",
    "Banks",
    "Generator",
    "Mix",
    "PatchBatch",
    "clean_only",
]

SEEN_SHARE = 0.0012
"""A sign counts as present if it covers this share of the patch, as absent if it covers none."""


@dataclass
class Generator:
    """Draws batches; the same seed draws the same scenes.

    Parameters
    ----------
    device
        Where to draw.
    seed
        Of everything random.
    banks
        Photographs to draw with.
    size_px
        Edge of a patch, a multiple of 32.
    variety
        Looks for training only; none where scenes are drawn to test on.
    """

    device: torch.device
    seed: int
    banks: Banks = field(default_factory=Banks)
    size_px: int = 384
    shares: Mix = field(default_factory=Mix)
    variety: Variety = field(default_factory=Variety)

    def __post_init__(self) -> None:
        """Make the noise textures and start the random numbers."""
        self.noise = noise_bank(self.device)
        self.rng = np.random.default_rng(self.seed)
        self.device_rng = torch.Generator(device=self.device).manual_seed(self.seed)
        self.drawn = 0

    def _edges(self, half: np.ndarray) -> np.ndarray:
        """Edge of each patch in mm: the overview, a close look at the opening, or anything between."""
        rng, count = self.rng, len(half)
        overview = 176.0 * np.exp(rng.normal(0, 0.06, count))
        long = half[:, 1] > 75
        overview = np.where(long, np.minimum(2 * half[:, 1] * rng.uniform(0.9, 1.4, count), 420), overview)
        close = 2 * half.max(1) / rng.uniform(0.3, 0.8, count)
        free = np.exp(rng.uniform(np.log(26), np.log(360), count))
        pick = rng.random(count)
        edge = np.where(pick < 0.45, overview, np.where(pick < 0.8, close, free))
        return np.clip(edge, 22, 420)

    @torch.no_grad()
    def batch(self, count: int) -> PatchBatch:
        """Draw ``count`` patches."""
        rng = self.rng
        kind, half = draw_sizes(rng, count)
        edge = self._edges(half)
        stage = Stage.make(rng, self.noise, edge, self.size_px)
        closure = rng.choice(6, count, p=STAGE_SHARES)
        spread = np.where(rng.random(count) < 0.1, 0.45, 0.16)[:, None]
        centre = np.clip(rng.normal(0, 1, (count, 2)) * spread, -0.5, 0.5) * edge[:, None]
        wounded = rng.random(count) >= self.shares.no_wound
        bark, height = draw_bark(stage, self.banks.bark, self.shares.real_bark)
        plain = (rng.random(count) < self.shares.plain) & (self.banks.plain is not None)
        if self.banks.plain is not None and plain.any():
            rows = np.flatnonzero(plain)
            index = torch.as_tensor(rows, device=self.device)
            bark = bark.index_copy(0, index, plain_photo(stage.subset(rows), self.banks.plain))
            height = height * stage.host((~plain).astype(np.float32))
            wounded &= ~plain | (rng.random(count) < 0.6)
        other, _ = draw_bark(stage, self.banks.bark, self.shares.real_bark)
        new_bark = mix(bark, other, stage.uniform(0, 0.7))
        wound = draw_wound(stage, kind, half, centre, closure)
        scene, tissue, light, depth = self._wounded(stage, wound, bark, height, new_bark, wounded)
        own = own_numbers(stage, self.seed + self.drawn)
        self.drawn += count
        vary_wounds(own, wound, scene, wounded, self.variety)
        if self.variety.unresolved_px:
            tissue[unresolved((tissue == APERTURE).float(), self.variety.unresolved_px)] = IGNORE
        resin = (rng.random(count) < np.where(wound.stage == RESINOUS, 0.55, self.shares.resin)) & wounded
        resin &= wound.stage != FRESH
        paint_on(stage, scene, resin, lambda st, sc: like.resin(st, sc))
        lookalikes = self._lookalikes(stage, scene, first=True)
        vary_bark(own, scene, self.variety)
        signs = self._signs(stage, scene, own, wounded)
        lookalikes |= self._lookalikes(stage, scene, first=False)
        linear = light_scene(
            stage, scene.albedo, scene.height, scene.gloss, light, stage.host((~plain).astype(np.float32))
        )
        shadow = cast_shadow(stage, wound, light, depth) * stage.host(wounded.astype(np.float32))
        linear = linear * scene.shade * (1 - shadow * stage.uniform(0.2, 0.93))
        linear = _as_soft_as_photo(stage, linear, plain)
        return self._finish(
            stage, wound, wounded, linear, light, tissue, signs.masks, signs.seen_well, lookalikes, resin
        )

    def _wounded(
        self, stage: Stage, wound: Wound, bark: Tensor, height: Tensor, new_bark: Tensor, wounded: np.ndarray
    ) -> tuple[s.Scene, Tensor, Tensor, Tensor]:
        """Put wood and callus into the bark; returns the scene, the tissue truth, the light and the depth."""
        there = stage.host(wounded.astype(np.float32))
        wood, wood_height = draw_wood(stage, wound)
        callus, callus_height = draw_callus(stage, wound, new_bark)
        soft_open = torch.sigmoid(-wound.opening / (0.35 * stage.px_mm)) * (wound.outline < 0.5 * stage.px_mm).float()
        soft_open = soft_open * stage.host((wound.stage < CLOSED).astype(np.float32)) * there
        new = wound.tissue * there
        inner_bark = stage.colour(((0.72, 0.50, 0.34), (0.62, 0.36, 0.25), (0.80, 0.66, 0.46)), 0.1)
        lip = torch.sigmoid((wound.outline + stage.uniform(0.2, 2.5)) / (0.5 * stage.px_mm)) * stage.chance(0.6)
        wood = mix(
            wood,
            inner_bark * torch.exp(-0.9 * stage.host(wound.dark)),
            lip * stage.host((wound.stage <= RESINOUS).astype(np.float32)),
        )
        early = stage.host((wound.stage <= RESINOUS).astype(np.float32)) * there
        bark = _stained_rim(stage, wound, bark, early)
        swollen = torch.sigmoid(-wound.outline / 6.0) * stage.host((wound.stage >= 2).astype(np.float32)) * there
        albedo = mix(mix(bark, callus, new), wood, soft_open)
        # The cut edge of the bark is rounded, lifted or dried inwards; its shading is no callus either.
        edge = smoothstep(1.0, 0.0, wound.outline.clamp_min(0) / stage.log_uniform(0.8, 6))
        height = height + early * stage.chance(0.6) * stage.uniform(-3.0, 2.0) * edge
        relief = mix(mix(height + 0.8 * swollen, callus_height + 0.8, new), wood_height, soft_open)
        wet = stage.chance(0.15) * stage.uniform(0.3, 1.0)
        albedo = albedo * (1 - 0.4 * wet)
        tissue = torch.zeros_like(stage.x, dtype=torch.long)
        grown = stage.host((wound.stage < REBARKED).astype(np.float32))
        tissue[(new * grown) > 0.5] = NEW_TISSUE
        tissue[(wound.aperture * there) > 0.5] = APERTURE
        light = draw_light(stage)
        rng = stage.rng
        angle = rng.uniform(0, 2 * np.pi, stage.count)
        rim = wound.centre_mm + wound.half_mm * np.stack((np.cos(angle), np.sin(angle)), 1) * rng.uniform(
            0.2, 1.1, (stage.count, 1)
        )
        loose = rng.uniform(-0.4, 0.4, (stage.count, 2)) * stage.edge_mm[:, None]
        anchor = np.where((wounded & (rng.random(stage.count) < 0.8))[:, None], rim, loose)
        opening = torch.where(there > 0, wound.opening, torch.full_like(wound.opening, 1e3))
        size = np.where(wounded, wound.half_mm.min(1), stage.edge_mm * 0.1)
        scene = s.Scene(
            albedo, relief, wet * 0.35 * torch.ones_like(relief), torch.ones_like(relief), opening, new, anchor, size
        )
        depth = torch.where(
            stage.host((wound.kind < 2).astype(np.float32)) > 0,
            stage.host(wound.half_mm.min(1)),
            stage.log_uniform(0.8, 22),
        )
        return scene, tissue, light, depth

    def _lookalikes(self, stage: Stage, scene: s.Scene, *, first: bool) -> np.ndarray:
        """Paint look-alikes that lie under (first) or over the signs; which ones, shape (B, 11)."""
        names, rng, banks = s.LOOKALIKE_NAMES, stage.rng, self.banks
        under = np.array([n not in ("leaf_shadow", "sun_fleck", "ants", "web", "mud") for n in names])
        chosen = np.zeros((stage.count, len(names)), bool)
        for probability in (self.shares.lookalike, self.shares.lookalike * self.shares.second_lookalike):
            some = rng.random(stage.count) < probability * 0.6
            chosen[np.arange(stage.count), rng.integers(len(names), size=stage.count)] |= some
        chosen &= under if first else ~under
        for number, name in enumerate(names):
            if name == "moss":
                mask = paint_on(stage, scene, chosen[:, number], lambda st, sc: like.moss(st, sc, banks.moss))
            elif name == "lichen":
                mask = paint_on(stage, scene, chosen[:, number], lambda st, sc: like.lichen(st, sc, banks.lichen))
            else:
                mask = paint_on(stage, scene, chosen[:, number], getattr(like, name))
            if mask is not None:
                rows = np.flatnonzero(chosen[:, number])
                chosen[rows, number] = (mask > 0.3).float().mean((1, 2, 3)).cpu().numpy() > SEEN_SHARE
        return chosen

    def _signs(self, stage: Stage, scene: s.Scene, own: Stage, wounded: np.ndarray) -> s.SignMaps:
        """Paint signs, those of the training looks first."""
        chosen = s.choose_signs(stage.rng, stage.count, self.shares.sign, self.shares.second_sign)
        maps = s.SignMaps.none(stage)
        before = scene.albedo
        varied, run = vary_signs(own, scene, wounded, self.variety)
        if run is not None:
            index = torch.as_tensor(varied, device=stage.device)
            maps.seen_well[index, 3] = is_visible(scene.albedo[index], before[index], run)
            maps.masks[index, 3] = run[:, 0]
        s.paint_signs(stage, scene, chosen, self.banks.film, maps)
        return maps

    def _finish(
        self,
        stage: Stage,
        wound: Wound,
        wounded: np.ndarray,
        linear: Tensor,
        light: Tensor,
        tissue: Tensor,
        signs: Tensor,
        seen_well: Tensor,
        lookalikes: np.ndarray,
        resin: np.ndarray,
    ) -> PatchBatch:
        rng, count, device = stage.rng, stage.count, stage.device
        beside = np.flatnonzero(rng.random(count) < self.shares.background)
        if len(beside):
            index = torch.as_tensor(beside, device=device)
            part, mask = put_background(stage.subset(beside), linear[index], self.banks.background)
            linear = linear.index_copy(0, index, part)
            tissue[index] = torch.where(mask > 0.5, BACKGROUND, tissue[index])
            signs[index] = signs[index] * (1 - mask)
        which = np.where(rng.random(count) < self.shares.foreign, rng.integers(len(FOREIGN_NAMES), size=count), -1)
        linear, front = put_foreign(stage, linear, light, which)
        tissue = torch.where(front > 0.5, FOREIGN, tissue)
        signs = signs * (1 - front)
        nothing = rng.random(count) < self.shares.not_a_site
        if nothing.any():
            rows = np.flatnonzero(nothing)
            index = torch.as_tensor(rows, device=device)
            linear = linear.index_copy(0, index, not_a_site(stage.subset(rows), self.banks.background))
            tissue[index], signs[index] = BACKGROUND, 0.0
        rgb = photograph(stage, expose(stage, linear), self.device_rng)
        seen = unseen(stage) | (stage.chance(self.shares.unseen * 1.6) < 1)
        rgb = rgb * seen
        signs = signs * seen
        tissue = torch.where(seen, tissue, IGNORE)[:, 0]
        return self._labels(
            stage, wound, wounded & ~nothing, nothing, rgb, seen, tissue, signs, seen_well, lookalikes, resin
        )

    def _labels(
        self,
        stage: Stage,
        wound: Wound,
        wounded: np.ndarray,
        nothing: np.ndarray,
        rgb: Tensor,
        seen: Tensor,
        tissue: Tensor,
        signs: Tensor,
        seen_well: Tensor,
        lookalikes: np.ndarray,
        resin: np.ndarray,
    ) -> PatchBatch:
        device, count = stage.device, stage.count
        covered = (signs > 0.35).float().mean((2, 3))
        present = (covered >= SEEN_SHARE).float()
        known = ((covered >= SEEN_SHARE) | (signs.amax((2, 3)) < 0.2)).float()
        faint = present * (1 - seen_well)
        known, present = known * (1 - faint), present * (1 - faint)
        signs = signs * (1 - faint)[:, :, None, None]
        # A bracket hides what lies behind it.
        hidden = signs[:, 2] > 0.5
        before = ((tissue == APERTURE) | (tissue == NEW_TISSUE)).float().mean((1, 2))
        tissue = torch.where(hidden & (tissue != FOREIGN), IGNORE, tissue)
        bark_wound = (tissue == APERTURE) | (tissue == NEW_TISSUE)
        left = bark_wound.float().mean((1, 2))
        visible = torch.where(left > 0.6 * before, left, 0.0).cpu().numpy()
        inside = (np.abs(wound.centre_mm) < 0.5 * stage.edge_mm[:, None]).all(1)
        shown = wounded & inside & ((visible > 0.001) | (wound.stage == REBARKED))
        closure = np.where(shown, wound.stage, -1)
        dark_wood = (wound.dark > 0.45) & wounded
        ordinary = np.ones(count, bool)
        flags = np.stack((resin & ~nothing, lookalikes[:, s.COUNTED_LOOKALIKES].any(1) & ~nothing, nothing), 1)
        weights = np.stack((ordinary & (resin | ~dark_wood), ordinary, ordinary), 1)

        def tensor(values: np.ndarray) -> Tensor:
            return torch.as_tensor(values, device=device)

        return PatchBatch(
            rgb=rgb,
            valid=seen,
            mm_per_px=tensor((stage.edge_mm / self.size_px).astype(np.float32)),
            tissue=tissue,
            signs=signs,
            sign_present=present,
            sign_known=known,
            sign_map_known=torch.ones(count, device=device),
            any_sign=torch.where(known.bool().all(1), present.amax(1), torch.full((count,), -1.0, device=device)),
            stage=tensor(closure),
            flags=tensor(flags.astype(np.float32)),
            flags_known=tensor(weights.astype(np.float32)),
            wound_seen=torch.full((count,), -1.0, device=device),
            lookalikes=tensor(lookalikes & ~nothing[:, None]),
        )


def _stained_rim(stage: Stage, wound: Wound, bark: Tensor, early: Tensor) -> Tensor:
    """Bark that dried, tore or took up sap along the rim of an open wound: no callus, though it looks like some."""
    wide = stage.log_uniform(0.6, 7)
    ragged = stage.noise("fbm", wide * 2) * wide * 0.4
    band = smoothstep(1.0, 0.0, (wound.outline + ragged).clamp_min(0) / wide)
    tone = stage.colour(((0.4, 0.33, 0.28), (0.6, 0.45, 0.33), (1.35, 1.2, 1.0), (0.75, 0.7, 0.68)), 0.12) * 1.1
    amount = band * early * stage.chance(0.5) * stage.uniform(0.2, 0.9)
    return mix(bark, (bark * tone).clamp(0.01, 0.98), amount)


def _as_soft_as_photo(stage: Stage, linear: Tensor, plain: np.ndarray) -> Tensor:
    """What is painted on a photograph must be no sharper than the photograph, or sharpness would give it away."""
    rows = np.flatnonzero(plain)
    if not len(rows):
        return linear
    index = torch.as_tensor(rows, device=linear.device)
    part = stage.subset(rows)
    return linear.index_copy(0, index, blur(linear[index], part.uniform(0.4, 1.2)))
