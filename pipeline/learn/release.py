"""Make a release from one or more training runs: mean weights, calibration, figures, card, contract.

Every step that takes long leaves its result in a work folder and is not done twice; :mod:`pipeline.learn.raw` can do
the longest one on another machine.
"""

from __future__ import annotations

import hashlib
import json
import logging
import shutil
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from pipeline import classical, network
from pipeline.errors import UsageError
from pipeline.learn import baseline, calibrate, card, export, raw, sets
from pipeline.learn.drawn_figures import DrawnReading, drawn_figures, read_row
from pipeline.learn.drawn_photos import FIT_SEED, TEST_SEED, DrawnPatches, draw_patches
from pipeline.learn.evaluate import photo_figures, scene_figures
from pipeline.learn.figures import Figure, as_json, mean_over, over
from pipeline.learn.montage import montage
from pipeline.learn.runfolder import WORST_OF, look
from pipeline.learn.speed import cpu_time_ms
from pipeline.metrics import expected_calibration_error

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from pipeline.learn.data import Collection
    from pipeline.learn.net import WoundNet
    from pipeline.learn.reviewed import ReviewedPatches
    from pipeline.learn.sheet import Sheet
    from pipeline.network import Calibration, NetworkReader

    Told = Callable[[str, int, int], None]
    """Called with a step's name, how many cases are done, and how many there are."""

logger = logging.getLogger(__name__)

STEPS = (
    "photos of the other renderer",
    "calibration cases",
    "test cases",
    "network as in use",
)


@dataclass(frozen=True)
class Plan:
    """How many cases a release is calibrated and tested on.

    Attributes
    ----------
    fit_scenes, fit_photos
        Scenes of the training renderer and photos of the other renderer for calibration; with no such photos the
        probabilities are those of scenes alone, and too sure of signs elsewhere.
    test_scenes, test_photos
        The same for the figures.
    baseline_scenes
        The first test scenes that the classical reader reads too; it reads all photographs and test photos, unless
        this is 0.
    """

    fit_scenes: int = 240
    fit_photos: int = 240
    test_scenes: int = 600
    test_photos: int = 150
    baseline_scenes: int = 120
    size_px: int = 384
    draws: int = 300
    alpha: float = calibrate.ALPHA


@dataclass
class Results:
    """All that the card and the metrics tell."""

    scenes: list[Figure] = field(default_factory=list)
    photographs: list[Figure] = field(default_factory=list)
    drawn: list[Figure] = field(default_factory=list)
    fit: list[Figure] = field(default_factory=list)
    classical_scenes: list[Figure] = field(default_factory=list)
    classical_photographs: list[Figure] = field(default_factory=list)
    classical_drawn: list[Figure] = field(default_factory=list)
    cpu_ms: tuple[float, float] = (0.0, 0.0)

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        tables = {name: as_json(value) for name, value in vars(self).items() if isinstance(value, list)}
        return {**tables, "cpu_ms": {"median": self.cpu_ms[0], "least": self.cpu_ms[1]}}


# ------------------------------------------------------------------- the runs


def run_weights(run: Path) -> Path:
    """The weights of a run folder or of a released network.

    Raises
    ------
    UsageError
        If there are none.
    """
    file = run / "model.safetensors"
    if not file.is_file():
        raise UsageError(f"The folder {run} holds no model.safetensors.", "Name run folders of 'woundwood train'.")
    return file


def run_settings(run: Path) -> dict[str, Any]:
    """What a run was trained with, its curves' last line, and the SHA-256 of its weights."""
    settings = {"weights_sha256": network.sha256_of(run_weights(run))}
    file = run / "settings.json"
    if file.is_file():
        return settings | json.loads(file.read_text(encoding="utf-8"))
    if (run / "contract.json").is_file():
        contract = network.describe(run)
        return settings | {"release": contract["name"], "digest": contract["settings"]}
    raise UsageError(f"The folder {run} holds no settings.json.", "Name run folders of 'woundwood train'.")


def settings_digest(settings: Sequence[dict[str, Any]]) -> str:
    """Twelve hex digits over the settings of all runs, in any order: what the contract of a release names."""
    lines = sorted(json.dumps(one, sort_keys=True) for one in settings)
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()[:12]


def fit_figures(sheet: Sheet, held: np.ndarray, count: int, calibration: Calibration, draws: int) -> list[Figure]:
    """What the fitted probabilities are worth on the held cases of both renderers; ``count`` cases are scenes."""
    lines = []
    staged = held & (sheet.stage >= 0)
    top, hit = sheet.stage_p.max(1), sheet.stage_p.argmax(1) == sheet.stage
    for words, here in (("scenes", np.arange(len(held)) < count), ("other renderer", np.arange(len(held)) >= count)):
        rows = np.flatnonzero(staged & here)

        def ece(r: np.ndarray) -> float:
            return expected_calibration_error(top[r], hit[r])

        lines.append(Figure(f"ECE of the stage on held cases, {words}", "<= 0.03", over(ece, rows, draws)))
    return lines + conformal_figures(sheet, staged, calibration, draws, "held cases (exact by construction)")


def conformal_figures(
    sheet: Sheet, among: np.ndarray, calibration: Calibration, draws: int, words: str
) -> list[Figure]:  # fmt: skip
    """Share of stage sets that hold the truth, and how many stages they name."""
    rows = np.flatnonzero(among & (sheet.stage >= 0))
    scores = network.conformal_scores(sheet.stage_p)
    inside = scores <= calibration.stage_quantile + 1e-12
    truth = np.clip(sheet.stage, 0, None)
    holds = inside[np.arange(len(inside)), truth]
    wanted = f">= {1 - calibration.alpha:.2f}"
    return [
        Figure(f"stage sets that hold the truth, {words}", wanted, mean_over(holds, rows, draws)),
        Figure(f"stages in a set, mean, {words}", "-", mean_over(inside.sum(1), rows, draws)),
    ]


# ------------------------------------------------------------------- the parts


def _drawn_patches(work: Path, seed: int, count: int, tell: Told) -> list[DrawnPatches]:
    found = []
    for done, patches in draw_patches(work / "drawn-photos", seed, count):
        tell(STEPS[0], done, count)
        if patches is not None:
            found.append(patches)
    return found


def _of_split(
    net: WoundNet, collection: Collection, folder: Path, split: str, count: int, size_px: int, tell: Told
) -> tuple[raw.Part, dict[str, raw.Part]]:  # fmt: skip
    """Scenes of a split, and its photographs by group."""
    step = STEPS[1] if split == "val" else STEPS[2]
    rows = sum(len(r) for chunks in sets.photo_rows(collection, split).values() for r in chunks)
    done, scenes = 0, []
    groups: dict[str, list[raw.Part]] = {}
    for part in raw.scene_parts(net, collection, folder, split, count, size_px):
        scenes.append(part)
        tell(step, done := done + len(part), count + rows)
    for name, part in raw.photo_parts(net, collection, folder, split, size_px):
        groups.setdefault(name, []).append(part)
        tell(step, done := done + len(part), count + rows)
    return raw.Part.cat(scenes), {name: raw.Part.cat(parts) for name, parts in groups.items()}


# ----------------------------------------------------------------- the release


def make(
    target: Path,
    runs: Sequence[Path],
    collection: Collection,
    plan: Plan,
    *,
    name: str,
    work: Path,
    template: Path | None = None,
    extra: dict[str, Any] | None = None,
    rims: tuple[float, float | None] | None = None,
    reviewed: ReviewedPatches | None = None,
    tell: Told = lambda step, done, total: None,
) -> Results:
    """Make a release; the collection must lie on the CPU, where the network is used.

    Parameters
    ----------
    target
        Model folder to write; replaced as a whole, at the end.
    runs
        Run folders; their weights are averaged.
    work
        Where long steps leave their results.  They are taken from there if they are there.
    template
        The card's text (Jinja); default :data:`pipeline.learn.card.GENERIC`.
    extra
        What the template may show beside the figures; kept in the metrics.
    rims
        How far rims are off over all and from photo to photo, mm, as measured with these weights; otherwise the
        classical reader's figure stands in.
    reviewed
        Cases that people judged, which calibrate beside the scenes.
    """
    settings = [run_settings(run) for run in runs]
    digest = settings_digest(settings)
    net = raw.mean_weights([run_weights(run) for run in runs])
    folder = raw.parts_folder(work, net, plan.size_px)
    fit_drawn = _drawn_patches(work, FIT_SEED, plan.fit_photos, tell)
    test_drawn = _drawn_patches(work, TEST_SEED, plan.test_photos, tell)
    scenes, photographs = _of_split(net, collection, folder, "val", plan.fit_scenes, plan.size_px, tell)
    drawn = [raw.drawn_part(net, patches, folder, FIT_SEED) for patches in fit_drawn]
    drawn += [] if reviewed is None else [raw.reviewed_part(net, reviewed, plan.size_px)]
    calibration, held = calibrate.fit_jointly(scenes, raw.Part.cat(drawn) if drawn else None, plan.alpha)
    calibration = with_rims(calibration, rims)
    known = calibrate.fit_known(scenes, photographs, raw.Part.cat(drawn) if drawn else None)
    results = Results()
    everything = calibrate.answered(raw.Part.cat([scenes, *drawn]), calibration, known)
    results.fit = fit_figures(everything, held, len(scenes), calibration, plan.draws)
    tested, real = _of_split(net, collection, folder, "test", plan.test_scenes, plan.size_px, tell)
    sheet = calibrate.answered(tested, calibration, known)
    results.scenes = scene_figures(sheet, plan.draws)
    results.scenes += conformal_figures(sheet, sheet.flags[:, 2] == 0, calibration, plan.draws, "scenes")
    results.photographs = photo_figures(
        {n: calibrate.answered(part, calibration, known) for n, part in real.items()}, plan.draws
    )  # fmt: skip
    if plan.baseline_scenes:
        read = baseline.read_all(collection, test_drawn, work, plan.baseline_scenes, plan.size_px, tell)
        results.classical_scenes = scene_figures(read.scenes, plan.draws)
        results.classical_photographs = photo_figures(read.photographs, plan.draws)
        results.classical_drawn = drawn_figures(read.drawn, plan.draws) if read.drawn else []
    made = folder / "release"
    export.release(made, net, calibration, known, {}, "", name=name, settings=digest)
    known.save(made / "features.npz")
    export.seal(made, name=name, settings=digest)
    _as_in_use(network.load(made), test_drawn, plan, tell, results)
    _, worst = look(net, collection, min(plan.fit_scenes, WORST_OF), plan.size_px, calibration, known)
    cv2.imwrite(str(made / "worst.png"), montage(worst))
    metrics = _metrics(settings, plan, results, extra or {})
    _write_card(made, metrics, name, digest, template, rims)
    _put(made, target)
    return results


def _as_in_use(reader: NetworkReader, drawn: list[DrawnPatches], plan: Plan, tell: Told, results: Results) -> None:
    """The figures on the other renderer and the CPU time, by the ONNX file."""
    total, read = sum(map(len, drawn)), list[DrawnReading]()
    for patches in drawn:
        for row in range(len(patches)):
            read.append(read_row(reader, patches, row))
            tell(STEPS[3], len(read), total)
    results.drawn = drawn_figures(read, plan.draws) if read else []
    results.cpu_ms = cpu_time_ms(reader, 20)


def _metrics(
    settings: Sequence[dict[str, Any]], plan: Plan, results: Results, extra: dict[str, Any]
) -> dict[str, Any]:  # fmt: skip
    seeds = {"fit scenes": sets.VAL_SEED, "test scenes": sets.TEST_SEED, "fit photos": FIT_SEED,
             "test photos": TEST_SEED}  # fmt: skip
    return {
        **results.to_json(), "plan": asdict(plan), "runs": list(settings), "seeds": seeds, "rims_measured": False,
        "extra": extra,
    }  # fmt: skip


def with_rims(calibration: Calibration, rims: tuple[float, float | None] | None) -> Calibration:
    """The calibration with how far rims are off; where that was not measured, the classical reader's figure."""
    sd_mm, repeat_sd_mm = rims or (classical.RIM_SD_MM, None)
    return replace(calibration, rim_sd_mm=sd_mm, rim_repeat_sd_mm=repeat_sd_mm)


def write_card(
    folder: Path, *, template: Path | None = None, rims: tuple[float, float | None] | None = None
) -> None:  # fmt: skip
    """Write the card of a folder that :func:`make` made, from its own figures, and seal it.

    Parameters
    ----------
    template
        Text with places for figures; default: the one that was used before, which the metrics keep.
    rims
        States how far rims are off, as in :func:`make`.

    Raises
    ------
    UsageError
        If the folder's figures are not those that :func:`make` writes, or the template cannot be used.
    """
    contract = network.describe(folder)
    metrics = json.loads((folder / "metrics.json").read_text(encoding="utf-8"))
    if "plan" not in metrics:
        raise UsageError(f"The network in {folder} was not made by 'woundwood model make'.", "Its card stays as it is.")
    _write_card(folder, metrics, str(contract["name"]), str(contract["settings"]), template, rims)


def _write_card(
    folder: Path, metrics: dict[str, Any], name: str, settings: str, template: Path | None,
    rims: tuple[float, float | None] | None,
) -> None:  # fmt: skip
    """Metrics, calibration and card, and the contract over them."""
    stored = json.loads((folder / "calibration.json").read_text(encoding="utf-8"))
    calibration = network.Calibration.from_json(stored)
    if rims is not None:
        calibration = with_rims(calibration, rims)
        metrics["rims_measured"] = True
    if template is not None or "template" not in metrics:
        metrics["template"] = card.read_template(template or card.GENERIC)
    text = card.fill(metrics["template"], name, metrics, calibration)
    content = json.dumps(calibration.to_json(), indent=1) + "\n"
    (folder / "calibration.json").write_text(content, encoding="utf-8")
    (folder / "metrics.json").write_text(json.dumps(metrics, indent=1) + "\n", encoding="utf-8")
    (folder / "card.md").write_text(text, encoding="utf-8")
    export.seal(folder, name=name, settings=settings)


def _put(made: Path, target: Path) -> None:
    """Replace the target folder by what was made."""
    target.parent.mkdir(parents=True, exist_ok=True)
    fresh = target.with_name(target.name + ".part")
    shutil.rmtree(fresh, ignore_errors=True)
    shutil.copytree(made, fresh)
    shutil.rmtree(target, ignore_errors=True)
    fresh.rename(target)


def release_run(
    folder: Path,
    collection: Collection,
    target: Path,
    *,
    count: int,
    size_px: int,
    name: str,
    draws: int = 400,
    fit_photos: int = 120,
    reviewed: ReviewedPatches | None = None,
    tell: Told = lambda step, done, total: None,
) -> Results:
    """Make a release of one run, without the baseline; its work lies in the run folder."""
    plan = Plan(count, fit_photos, count, 0, 0, size_px, draws)
    return make(target, [folder], collection, plan, name=name, work=folder / "work", reviewed=reviewed, tell=tell)
