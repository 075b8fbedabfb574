"""Site patches cut from photos of the other renderer, ``pipeline.scenes``, from which no network learns.

Every photo goes through card, surface and white balance as in a run.  Its truth is given in two frames, the trunk's own
and the patch's.  They differ by how the card hangs, which a single photo cannot know, and by every other error of the
placing: against the first, a reader is judged together with the ruler; against the second, alone.

No torch here: ``benchmarks/bench_reader.py`` works without the extra ``train``.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import cv2
import numpy as np

from pipeline import camera, card, colour, surface, trunk
from pipeline.errors import PhotoRefused
from pipeline.records import CameraTag, Photo, Sign, Stage, Tissue, Window
from pipeline.scenes import render
from pipeline.scenes.chance import random_scene
from pipeline.settings import Settings

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from pipeline.records import ImageRGB, SitePatch
    from pipeline.scenes import SceneSpec, Truth

logger = logging.getLogger(__name__)

TEST_SEED = 7_400_001
"""Of the photos that figures are printed on: ``benchmarks/bench_reader.py`` and the card of a release."""
FIT_SEED = 8_200_001
"""Of the photos that probabilities and thresholds are fitted on; no test photo is among them."""
SIZE_PX = (900, 1200)
RESIN_FROM = 0.25
MARGIN_MM = 20.0
"""How far beyond the patch's window its truth is looked up; a card that hangs 5 degrees off moves places by less."""


def photo_of(pixels: ImageRGB, focal_35mm: float | None) -> Photo:
    """A photo record around drawn or loaded pixels."""
    when = datetime(2026, 1, 1, tzinfo=UTC)
    return Photo("drawn.jpg", "0" * 64, when, None, pixels, CameraTag(focal_35mm=focal_35mm))


@dataclass(frozen=True, eq=False)
class DrawnCase:
    """One photo's overview patch beside what was drawn.

    Attributes
    ----------
    tissue_share
        Shape (H, W, 5), share of each tissue, in the trunk's frame.
    tissue_own
        Shape (H, W), uint8: what each pixel of the patch really shows, as :class:`~pipeline.records.Tissue`.
    """

    spec: SceneSpec
    truth: Truth
    patch: SitePatch
    tissue_share: NDArray[np.float32]
    tissue_own: NDArray[np.uint8]

    @property
    def aperture_mm2(self) -> float:
        """What can be seen of the opening."""
        return float(self.tissue_share[..., Tissue.APERTURE].sum()) * self.patch.mm_per_px**2

    @property
    def has_resin(self) -> bool:
        """Whether resin is plain to see."""
        wound = self.spec.wounds[0]
        return wound.resin >= RESIN_FROM or wound.resin_runs > 0


def drawn_case(seed: int, number: int, size_px: tuple[int, int] = SIZE_PX) -> DrawnCase | None:
    """Draw photo ``number`` of a seed and unroll its overview; ``None`` where the photo is refused before a reader.

    Stages take turns, so that each is as frequent as the others.
    """
    spec = random_scene(np.random.default_rng([seed, number]), size_px=size_px, stage=Stage(number % len(Stage)))
    pixels, truth = render(spec)
    photo, settings = photo_of(pixels, spec.camera.focal_35mm), Settings()
    try:
        found = card.find_card(photo.pixels, settings.card)
        fix = surface.fit_surface(photo, found, 2 * np.pi * spec.trunk_radius_mm, settings.surface)
        balance = colour.white_balance(photo, found, fix)
        window = surface.overview_window(None, settings.patch)
        patch = surface.unroll(photo, fix, window, settings.patch.overview_px, balance)
    except PhotoRefused:
        return None
    share = truth.tissue(patch.window, patch.mm_per_px, 2)
    return DrawnCase(spec, truth, patch, share, tissue_in_patch(truth, patch))


def true_places_mm(truth: Truth, patch: SitePatch) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where on the bark the pixels of a patch really lie: trunk-frame x and y, shape (H, W), NaN off the trunk.

    Patch to picture by the patch's own geometry, picture to trunk by that of the scene.
    """
    fix, view = patch.fix, truth.view
    if fix is None:
        raise ValueError("the patch was cut without a card")
    rows, columns = patch.valid.shape
    # pixel centres, docs/conventions.md
    x_mm = patch.left_mm + (np.arange(columns) + 0.5) * patch.mm_per_px
    y_mm = patch.top_mm - (np.arange(rows) + 0.5) * patch.mm_per_px
    points = trunk.bark_in_picture(fix, *np.meshgrid(x_mm, y_mm))
    seen_x = (points[..., 0] - view.matrix[0, 2]) / view.matrix[0, 0]
    seen_y = (points[..., 1] - view.matrix[1, 2]) / view.matrix[1, 1]
    on_x, on_y, root = view.on_trunk(*camera.undistort(seen_x, seen_y, view.distortion))
    on_x[root < 0] = on_y[root < 0] = np.nan
    return on_x, on_y


def tissue_in_patch(truth: Truth, patch: SitePatch) -> NDArray[np.uint8]:
    """What each pixel of a patch really shows, shape (H, W), wherever the card's hanging has put it."""
    step = patch.mm_per_px / 2
    window = patch.window
    wide = Window(
        window.left_mm - MARGIN_MM, window.right_mm + MARGIN_MM, window.bottom_mm - MARGIN_MM, window.top_mm + MARGIN_MM
    )
    classes = truth.tissue(wide, step, 1).argmax(axis=2).astype(np.uint8)
    x, y = true_places_mm(truth, patch)
    column = np.nan_to_num((x - wide.left_mm) / step - 0.5, nan=-1e4).astype(np.float32)
    row = np.nan_to_num((wide.top_mm - y) / step - 0.5, nan=-1e4).astype(np.float32)
    found: NDArray[np.uint8] = cv2.remap(
        classes, column, row, cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT, borderValue=int(Tissue.BACKGROUND)
    )
    return found


@dataclass(frozen=True, eq=False)
class DrawnPatches:
    """Patches of N photos with their truth, as plain arrays: drawn once, read for every new network.

    Attributes
    ----------
    number
        Which photo of the seed each row is; refused ones are missing.
    rgb, valid, mm_per_px
        Shapes (N, H, W, 3), (N, H, W), (N,).
    tissue_trunk, tissue_own
        Shape (N, H, W), uint8, in the trunk's frame and in the patch's own.
    aperture_mm2
        Shape (N,): visible opening, counted in shares of pixels.
    stage, sign, lookalike, resin
        Shapes (N,), (N, 5), (N,), (N,).
    """

    number: NDArray[np.int64]
    rgb: NDArray[np.uint8]
    valid: NDArray[np.bool_]
    mm_per_px: NDArray[np.float64]
    tissue_trunk: NDArray[np.uint8]
    tissue_own: NDArray[np.uint8]
    aperture_mm2: NDArray[np.float64]
    stage: NDArray[np.int64]
    sign: NDArray[np.bool_]
    lookalike: NDArray[np.bool_]
    resin: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.number)

    @classmethod
    def of(cls, cases: Iterable[tuple[int, DrawnCase]]) -> DrawnPatches:
        """Arrays from numbered cases, at least one."""
        rows = list(cases)
        return cls(
            number=np.array([n for n, _ in rows]),
            rgb=np.stack([c.patch.rgb for _, c in rows]),
            valid=np.stack([c.patch.valid for _, c in rows]),
            mm_per_px=np.array([c.patch.mm_per_px for _, c in rows]),
            tissue_trunk=np.stack([c.tissue_share.argmax(axis=2).astype(np.uint8) for _, c in rows]),
            tissue_own=np.stack([c.tissue_own for _, c in rows]),
            aperture_mm2=np.array([c.aperture_mm2 for _, c in rows]),
            stage=np.array([int(c.truth.openings[0].stage) for _, c in rows]),
            sign=np.array([[s in c.truth.signs_present for s in Sign] for _, c in rows]),
            lookalike=np.array([bool(c.spec.lookalikes) for _, c in rows]),
            resin=np.array([c.has_resin for _, c in rows]),
        )

    @classmethod
    def load(cls, file: Path) -> DrawnPatches:
        """Read what :meth:`save` wrote."""
        with np.load(file) as stored:
            return cls(**{f.name: stored[f.name] for f in fields(cls)})

    def save(self, file: Path) -> None:
        """Write, whole or not at all."""
        partial = file.with_suffix(".part.npz")
        np.savez_compressed(partial, **{f.name: getattr(self, f.name) for f in fields(self)})
        partial.replace(file)


def draw_patches(folder: Path, seed: int, count: int, chunk: int = 20) -> Iterator[tuple[int, DrawnPatches | None]]:
    """Patches of the first ``count`` photos of a seed in chunks; what lies in ``folder`` already is not drawn again.

    Yields
    ------
    tuple
        How many photos are done, and the chunk; ``None`` where every photo of it was refused.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for start in range(0, count, chunk):
        stop = min(start + chunk, count)
        file = folder / f"{seed}-{start:04d}-{stop:04d}.npz"
        if file.is_file():
            yield stop, DrawnPatches.load(file)
            continue
        found = [(n, case) for n in range(start, stop) if (case := drawn_case(seed, n)) is not None]
        logger.info("%d of %d photos of the other renderer are drawn", stop, count)
        if not found:
            yield stop, None
            continue
        patches = DrawnPatches.of(found)
        patches.save(file)
        yield stop, patches
