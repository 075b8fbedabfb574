"""A released network as a reader: loading with every check, one patch in, maps out.  No torch here.

A model folder holds ``model.onnx``, ``calibration.json``, ``features.npz``, ``metrics.json``
and ``card.md``; ``contract.json`` names each of them with its SHA-256 and says what the
network expects and gives.  A folder whose files do not match is refused.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from pipeline.errors import ModelError
from pipeline.records import Sign, SiteMaps, Stage, Tissue

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from pipeline.records import SitePatch

CONTRACT_KIND = "woundwood site network"
CONTRACT_VERSION = 1
STEP_PX = 32
NEIGHBOUR = 5
"""Which of the nearest known patches counts: one that lies oddly among them changes nothing."""
OVERVIEW_MM_PER_PX = 176.0 / 384
INPUTS = ("picture", "valid", "scale")
OUTPUTS = ("tissue", "signs", "stage", "presence", "flags", "features")
FILES = ("model.onnx", "calibration.json", "features.npz", "metrics.json", "card.md")


def prepare(rgb: Any, valid: Any) -> Any:
    """Scale colours for the encoder, (x - 127) / 128, and set unseen pixels to 0.

    The one preparation that both training and use call; it works on NumPy arrays and torch
    tensors alike.

    Parameters
    ----------
    rgb
        Values from 0 to 255.
    valid
        1 where the bark is seen, broadcastable to ``rgb``.
    """
    return (rgb - 127.0) / 128.0 * valid


def scale_input(mm_per_px: NDArray[np.floating]) -> NDArray[np.float32]:
    """Scale of a patch as the network reads it: octaves from the overview's 0.458 mm a pixel, halved; shape (B, 1)."""
    octaves = np.log2(np.asarray(mm_per_px, dtype=np.float64) / OVERVIEW_MM_PER_PX)
    return (octaves / 2).astype(np.float32).reshape(-1, 1)


def stage_probabilities(logits: NDArray[np.floating], temperature: float) -> NDArray[np.float64]:
    """Probabilities of the six stages from the logits of "later than stage k", shape (..., 5) to (..., 6).

    Cumulative link (McCullagh 1980): P(k) = P(> k - 1) - P(> k).
    """
    later = _sigmoid(np.asarray(logits, dtype=np.float64) / temperature)
    later = np.minimum.accumulate(later, axis=-1)
    padded = np.concatenate((np.ones((*later.shape[:-1], 1)), later, np.zeros((*later.shape[:-1], 1))), axis=-1)
    return -np.diff(padded, axis=-1)


def _sigmoid(x: NDArray[np.floating]) -> NDArray[np.float64]:
    return np.asarray(0.5 * (1 + np.tanh(0.5 * np.asarray(x, dtype=np.float64))))


@dataclass(frozen=True, slots=True)
class Calibration:
    """Numbers fitted on data that the network was not trained on.

    Attributes
    ----------
    stage_temperature
        Divides the stage logits.
    presence_scale, presence_shift
        Shape (5,): logit of a sign = scale * raw + shift (Platt 1999).
    flags_scale, flags_shift
        Shape (3,): the same for resin, look-alike, not a site.
    stage_quantile
        Conformal quantile of the stage score, for sets that hold the truth in ``1 - alpha`` of cases.
    sign_thresholds
        Shape (5,): a sign below its threshold is missed in at most ``alpha`` of cases that show it.
    alpha
        Share of misses that the two above allow.
    rim_sd_mm, rim_repeat_sd_mm
        How far rims were found to be off on drawn photos: over all, and from photo to photo of one wound.
    rim_offset_mm, rim_offset_sd_mm
        How far out (positive) rims were found to lie on the mean there, and its standard error.  It is taken off the
        maps, and the two figures above hold for what is then left.
    """

    stage_temperature: float
    presence_scale: NDArray[np.float64]
    presence_shift: NDArray[np.float64]
    flags_scale: NDArray[np.float64]
    flags_shift: NDArray[np.float64]
    stage_quantile: float
    sign_thresholds: NDArray[np.float64]
    alpha: float
    rim_sd_mm: float = 0.0
    rim_repeat_sd_mm: float | None = None
    rim_offset_mm: float = 0.0
    rim_offset_sd_mm: float = 0.0

    @classmethod
    def neutral(cls) -> Calibration:
        """Nothing fitted: probabilities as the network gives them, every stage in the set."""
        return cls(1.0, np.ones(5), np.zeros(5), np.ones(3), np.zeros(3), 1.0, np.zeros(5), 0.1)

    @classmethod
    def from_json(cls, content: dict[str, Any]) -> Calibration:
        """Read what :meth:`to_json` wrote."""
        return cls(
            stage_temperature=float(content["stage_temperature"]),
            presence_scale=np.asarray(content["presence_scale"], dtype=np.float64),
            presence_shift=np.asarray(content["presence_shift"], dtype=np.float64),
            flags_scale=np.asarray(content["flags_scale"], dtype=np.float64),
            flags_shift=np.asarray(content["flags_shift"], dtype=np.float64),
            stage_quantile=float(content["stage_quantile"]),
            sign_thresholds=np.asarray(content["sign_thresholds"], dtype=np.float64),
            alpha=float(content["alpha"]),
            rim_sd_mm=float(content.get("rim_sd_mm", 0.0)),
            rim_repeat_sd_mm=content.get("rim_repeat_sd_mm"),
            rim_offset_mm=float(content.get("rim_offset_mm", 0.0)),
            rim_offset_sd_mm=float(content.get("rim_offset_sd_mm", 0.0)),
        )

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        return {name: np.asarray(getattr(self, name)).tolist() for name in self.__slots__}

    def stages(self, logits: NDArray[np.floating]) -> NDArray[np.float64]:
        """Calibrated stage probabilities."""
        return stage_probabilities(logits, self.stage_temperature)

    def signs(self, logits: NDArray[np.floating]) -> NDArray[np.float64]:
        """Calibrated probabilities that each sign is present."""
        return _sigmoid(np.asarray(logits) * self.presence_scale + self.presence_shift)

    def flags(self, logits: NDArray[np.floating]) -> NDArray[np.float64]:
        """Calibrated probabilities of resin, look-alike, not a site."""
        return _sigmoid(np.asarray(logits) * self.flags_scale + self.flags_shift)

    def stage_set(self, stage_p: NDArray[np.floating]) -> tuple[Stage, ...]:
        """Stages that cannot be ruled out at the level ``1 - alpha`` (split conformal, adaptive sets)."""
        return tuple(Stage(int(k)) for k in np.flatnonzero(conformal_scores(stage_p) <= self.stage_quantile + 1e-12))


def given_stage(tissue: NDArray[np.float32], stage_p: NDArray[np.floating]) -> NDArray[np.float32]:
    """Tissue maps that agree with the stage: a fresh or resinous wound has no new tissue.

    By the law of total probability over "new tissue there is, or is not": where there is none, the other tissues keep
    their proportions and add up to 1.  The pale cut edge of the bark inside a fresh rim looks like callus on its own,
    and its rim was read up to 1.3 mm too far in.

    Parameters
    ----------
    tissue
        Shape (H, W, 5), adding up to 1.
    stage_p
        Shape (6,).
    """
    none_p = np.float32(stage_p[Stage.FRESH] + stage_p[Stage.RESINOUS])
    new = tissue[..., Tissue.NEW_TISSUE]
    gain = 1 + none_p * new / np.maximum(1 - new, np.float32(1e-6))
    given = tissue * gain[..., None]
    given[..., Tissue.NEW_TISSUE] = (1 - none_p) * new
    return np.asarray(given)


def conformal_scores(stage_p: NDArray[np.floating]) -> NDArray[np.float64]:
    """Score of each stage: probability of all stages at least as likely, shape kept (Romano, Sesia & Candès 2020)."""
    p = np.asarray(stage_p, dtype=np.float64)
    order = np.argsort(-p, axis=-1, kind="stable")
    running = np.cumsum(np.take_along_axis(p, order, axis=-1), axis=-1)
    scores = np.empty_like(p)
    np.put_along_axis(scores, order, running, axis=-1)
    return scores


@dataclass(frozen=True, slots=True, eq=False)
class FeatureStatistics:
    """What the encoder's features of known patches are like, to tell what is none of them.

    With a bank: the distance to the known patches is 1 - cosine to the fifth nearest of the bank, once the axes have
    evened the features out (Sun, Ming, Zhu & Li 2022).  Without one, as in older folders, it is the Mahalanobis
    distance on the main axes (Lee, Lee, Lee & Shin 2018), which hardly noticed pictures that show no bark at all.

    Attributes
    ----------
    mean, axes
        Shapes (320,) and (K, 320): features minus mean, on the axes, are comparable.
    distances
        Sorted distances of held-out known patches, shape (N,).
    bank
        Known patches on the axes, each of length 1, shape (M, K); or none.
    """

    mean: NDArray[np.float32]
    axes: NDArray[np.float32]
    distances: NDArray[np.float32]
    bank: NDArray[np.float32] | None = None

    @classmethod
    def load(cls, file: Path) -> FeatureStatistics:
        """Read ``features.npz``."""
        with np.load(file) as stored:
            bank = stored["bank"].astype(np.float32) if "bank" in stored else None
            return cls(stored["mean"], stored["axes"].astype(np.float32), stored["distances"], bank)

    def save(self, file: Path) -> None:
        """Write ``features.npz``; axes and bank in 16 bits where there is a bank."""
        if self.bank is None:
            np.savez_compressed(file, mean=self.mean, axes=self.axes, distances=self.distances)
        else:
            axes, bank = self.axes.astype(np.float16), self.bank.astype(np.float16)
            np.savez_compressed(file, mean=self.mean, distances=self.distances, axes=axes, bank=bank)

    def distance(self, features: NDArray[np.floating]) -> NDArray[np.float64]:
        """Distance from the known patches, shape (...,)."""
        on_axes = (features - self.mean) @ self.axes.T
        if self.bank is None:
            return np.asarray(np.linalg.norm(on_axes, axis=-1), dtype=np.float64)
        length = np.linalg.norm(on_axes, axis=-1, keepdims=True)
        alike = on_axes / np.maximum(length, 1e-12) @ self.bank.T
        place = max(alike.shape[-1] - NEIGHBOUR, 0)
        return np.asarray(1 - np.partition(alike, place, axis=-1)[..., place], dtype=np.float64)

    def strangeness(self, features: NDArray[np.floating]) -> NDArray[np.float64]:
        """Probability-like score of being unlike every known patch.

        It is 0.5 where one in 100 known patches lies farther off (without a bank: one in 500).
        """
        limit = float(np.quantile(self.distances, 0.998 if self.bank is None else 0.99))
        middle = float(np.quantile(self.distances, 0.5))
        return _sigmoid(4.0 * (self.distance(features) - limit) / max(limit - middle, 1e-6))


@dataclass(frozen=True, eq=False)
class NetworkReader:
    """A loaded network; calling it with a patch gives the maps."""

    name: str
    session: Any
    calibration: Calibration
    known: FeatureStatistics
    contract: dict[str, Any]

    def raw(self, patch: SitePatch) -> dict[str, NDArray[np.float32]]:
        """Raw outputs for a patch, maps at the patch's own size (logits)."""
        import cv2

        height, width = patch.valid.shape
        down, right = -height % STEP_PX, -width % STEP_PX
        rgb = np.pad(patch.rgb, ((0, down), (0, right), (0, 0)), mode="edge").astype(np.float32)
        valid = np.pad(patch.valid, ((0, down), (0, right))).astype(np.float32)[..., None]
        picture = np.ascontiguousarray(prepare(rgb, valid).transpose(2, 0, 1)[None], dtype=np.float32)
        feeds = {
            "picture": picture,
            "valid": valid.transpose(2, 0, 1)[None],
            "scale": scale_input(np.array([patch.mm_per_px])),
        }
        results = dict(zip(OUTPUTS, self.session.run(list(OUTPUTS), feeds), strict=True))
        for name in ("tissue", "signs"):
            maps = np.ascontiguousarray(results[name][0].transpose(1, 2, 0))
            full = cv2.resize(maps, (width + right, height + down), interpolation=cv2.INTER_LINEAR)
            results[name] = full[:height, :width]
        return results

    def __call__(self, patch: SitePatch) -> SiteMaps:
        """Read a patch."""
        raw = self.raw(patch)
        # Single precision and in place: these maps are most of the work outside the network.
        tissue = raw["tissue"]
        tissue -= tissue.max(axis=2, keepdims=True)
        np.exp(tissue, out=tissue)
        tissue /= tissue.sum(axis=2, keepdims=True)
        stage_p = self.calibration.stages(raw["stage"][0])
        tissue = given_stage(tissue, stage_p)
        if patch.has_scale:
            tissue = self._rim_put_right(tissue, patch.mm_per_px)
        tissue[~patch.valid] = (0, 0, 0, 0, 1)
        signs = np.negative(np.clip(raw["signs"], -30, 30))
        np.exp(signs, out=signs)
        signs += 1
        np.reciprocal(signs, out=signs)
        signs[~patch.valid] = 0
        flags = self.calibration.flags(raw["flags"][0])
        strange = float(self.known.strangeness(raw["features"][0]))
        return SiteMaps(
            tissue=tissue,
            signs=signs,
            stage_p=stage_p,
            sign_p=self.calibration.signs(raw["presence"][0]),
            not_a_site_p=max(float(flags[2]), strange),
            reader=self.name,
            resin_p=float(flags[0]),
            lookalike_p=float(flags[1]),
            rim_sd_mm=self.calibration.rim_sd_mm,
            rim_repeat_sd_mm=self.calibration.rim_repeat_sd_mm,
        )

    def _rim_put_right(self, tissue: NDArray[np.float32], mm_per_px: float) -> NDArray[np.float32]:
        """Tissue maps with the rim of the opening where drawn wounds have it, on the mean."""
        from pipeline import rim

        outward_px = -self.calibration.rim_offset_mm / mm_per_px
        if outward_px == 0:
            return tissue
        # the last of them is what is left to 1 (a picture of five channels cannot be moved at once)
        four = rim.moved_outward(tissue[..., :4], tissue[..., Tissue.APERTURE], outward_px)
        return np.asarray(np.concatenate([four, 1 - four.sum(axis=2, keepdims=True)], axis=2))


def sha256_of(file: Path) -> str:
    """Hex digest of a file."""
    return hashlib.sha256(file.read_bytes()).hexdigest()


def describe(folder: Path) -> dict[str, Any]:
    """The contract of a model folder, after checking every file against it.

    Raises
    ------
    ModelError
        If the folder, the contract or a file is missing, damaged or of another kind.
    """
    file = folder / "contract.json"
    try:
        contract = json.loads(file.read_text(encoding="utf-8"))
    except OSError:
        raise ModelError(
            f"The folder {folder} holds no network (contract.json is missing).", "Name a model folder, or 'classical'."
        ) from None
    except (json.JSONDecodeError, UnicodeDecodeError):
        raise ModelError(f"The file {file} is damaged.", "Copy the model folder again.") from None
    if (
        not isinstance(contract, dict)
        or contract.get("kind") != CONTRACT_KIND
        or contract.get("version") != CONTRACT_VERSION
    ):
        raise ModelError(
            f"The folder {folder} holds a network of another kind or version.", "Use a model made for this version."
        )
    expected = {
        "inputs": list(INPUTS),
        "outputs": list(OUTPUTS),
        "tissues": [t.name.lower() for t in Tissue],
        "signs": [s.value for s in Sign],
        "stages": [s.word for s in Stage],
    }
    for key, value in expected.items():
        if contract.get(key) != value:
            raise ModelError(
                f"The network in {folder} has other {key} than this version reads.",
                "Use a model made for this version.",
            )
    hashes = contract.get("sha256", {})
    for name in FILES:
        if not (folder / name).is_file():
            raise ModelError(f"The model folder {folder} lacks {name}.", "Copy the model folder again.")
        if sha256_of(folder / name) != hashes.get(name):
            raise ModelError(
                f"The file {folder / name} is not the one that was released (its SHA-256 differs).",
                "Copy the model folder again.",
            )
    return contract


def load(folder: Path) -> NetworkReader:
    """Load a released network as a reader, one thread.

    Raises
    ------
    ModelError
        If anything in the folder does not match its contract, or the network cannot be run.
    """
    contract = describe(folder)
    import onnxruntime

    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = 1
    options.inter_op_num_threads = 1
    options.log_severity_level = 3
    try:
        session = onnxruntime.InferenceSession(str(folder / "model.onnx"), options, providers=["CPUExecutionProvider"])
    except Exception as error:
        raise ModelError(f"The network in {folder} cannot be run: {error}.", "Copy the model folder again.") from error
    inputs, outputs = {i.name for i in session.get_inputs()}, {o.name for o in session.get_outputs()}
    if inputs != set(INPUTS) or outputs != set(OUTPUTS):
        raise ModelError(
            f"The network in {folder} has other inputs or outputs than its contract says.",
            "Use a model made for this version.",
        )
    calibration = Calibration.from_json(json.loads((folder / "calibration.json").read_text(encoding="utf-8")))
    known = FeatureStatistics.load(folder / "features.npz")
    return NetworkReader(str(contract["name"]), session, calibration, known, contract)
