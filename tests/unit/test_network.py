"""The network reader without torch: preparation, ordinal probabilities, conformal sets, refusal of mismatches."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from pipeline import network, places, rim
from pipeline.errors import ModelError
from pipeline.network import Calibration, FeatureStatistics
from pipeline.records import SitePatch, Tissue


def test_prepare_is_the_published_normalisation():
    # (x - 127) / 128 is how the Lite weights were trained (TensorFlow TPU repository, EfficientNet-Lite).
    rgb = np.array([[[0.0, 127.0, 255.0]]])
    np.testing.assert_allclose(network.prepare(rgb, 1.0), [[[-127 / 128, 0.0, 1.0]]])
    assert not network.prepare(rgb, 0.0).any()


def test_scale_input_counts_octaves():
    step = network.scale_input(np.array([0.2, 0.4, 0.8]))
    assert step.shape == (3, 1)
    np.testing.assert_allclose(np.diff(step[:, 0]), 0.5, rtol=1e-6)
    assert network.scale_input(np.array([176 / 384]))[0, 0] == pytest.approx(0.0, abs=1e-7)


def test_cumulative_link_by_hand():
    # P(later than k) = 1/2 for k = 0 and 1/(1 + e^2) for all others: differences give the stages (McCullagh 1980).
    p = network.stage_probabilities(np.array([0.0, -2.0, -2.0, -2.0, -2.0]), 1.0)
    later = 1 / (1 + np.exp(2.0))
    np.testing.assert_allclose(p, [0.5, 0.5 - later, 0, 0, 0, later], atol=1e-12)


def test_stage_probabilities_sum_to_one_and_sharpen_with_a_low_temperature():
    logits = np.random.default_rng(3).normal(0, 3, (50, 5))
    p = network.stage_probabilities(np.sort(logits, axis=1)[:, ::-1], 1.0)
    np.testing.assert_allclose(p.sum(1), 1.0, atol=1e-12)
    assert (p >= 0).all()
    sharp = network.stage_probabilities(np.sort(logits, axis=1)[:, ::-1], 0.25)
    assert sharp.max(1).mean() > p.max(1).mean()


def test_conformal_scores_are_running_sums():
    # Romano, Sesia & Candes 2020: the score of a class is the mass of all classes at least as likely.
    np.testing.assert_allclose(network.conformal_scores(np.array([0.1, 0.6, 0.3])), [1.0, 0.6, 0.9])


def test_stage_set_grows_with_doubt():
    base = Calibration.neutral()
    fitted = Calibration(
        1.0,
        base.presence_scale,
        base.presence_shift,
        base.flags_scale,
        base.flags_shift,
        0.95,
        base.sign_thresholds,
        0.1,
    )
    sure = np.array([0.9, 0.04, 0.03, 0.01, 0.01, 0.01])
    unsure = np.array([0.3, 0.3, 0.2, 0.1, 0.05, 0.05])
    assert len(fitted.stage_set(sure)) < len(fitted.stage_set(unsure))
    assert len(base.stage_set(sure)) == 6


def test_calibration_survives_json():
    base = Calibration.neutral()
    again = Calibration.from_json(json.loads(json.dumps(base.to_json())))
    for name in base.__slots__:
        np.testing.assert_array_equal(getattr(again, name), getattr(base, name))


def test_a_wound_without_new_tissue_shows_none():
    # Law of total probability by hand, as fractions: 0.7 of the time there is no new tissue, and then bark 0.2 and
    # opening 0.3 of a pixel that otherwise is half new tissue stand for 0.4 and 0.6 of it.
    tissue = np.array([[[0.2, 0.3, 0.5, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0, 1.0]]], np.float32)
    stage_p = np.array([0.3, 0.4, 0.2, 0.1, 0.0, 0.0])
    given = network.given_stage(tissue, stage_p)
    np.testing.assert_allclose(given[0, 0], [0.7 * 0.4 + 0.3 * 0.2, 0.7 * 0.6 + 0.3 * 0.3, 0.3 * 0.5, 0, 0], rtol=1e-5)
    np.testing.assert_array_equal(given[0, 1], [0, 0, 0, 0, 1])
    # where new tissue is certain to be possible nothing changes
    np.testing.assert_array_equal(network.given_stage(tissue, np.array([0.0, 0, 0.5, 0.5, 0, 0])), tissue)


def test_a_networks_offset_is_taken_off_its_maps():
    # A round opening of 30 mm in new tissue, read 0.4 mm too far in all round: closed form pi (r + d)^2.
    mm_per_px, radius_mm = 0.25, 15.0
    rows, columns = np.indices((180, 180))
    inward = radius_mm / mm_per_px - np.hypot(rows - 90, columns - 88)
    opening = np.clip(0.5 + inward / 3, 0, 1).astype(np.float32)
    tissue = np.stack([0 * opening, opening, 1 - opening, 0 * opening, 0 * opening], axis=2)
    calibration = replace(Calibration.neutral(), rim_offset_mm=-0.4)
    reader = network.NetworkReader("test", None, calibration, None, {})
    right = reader._rim_put_right(tissue, mm_per_px)
    np.testing.assert_allclose(right.sum(axis=2), 1, atol=1e-5)
    found = rim.measure_region(right[..., Tissue.APERTURE], rim.Grid(np.ones(opening.shape, bool), mm_per_px))
    assert found.area_mm2 == pytest.approx(np.pi * (radius_mm + 0.4) ** 2, rel=0.003)
    assert found.width_mm == pytest.approx(2 * (radius_mm + 0.4), abs=0.03)


def test_mahalanobis_distance_of_whitened_features():
    # With axes that are the identity over the standard deviations, it is the Euclidean norm of z-scores.
    mean, sd = np.array([1.0, -2.0], np.float32), np.array([2.0, 0.5], np.float32)
    known = FeatureStatistics(mean, np.diag(1 / sd).astype(np.float32), np.linspace(0, 3, 501, dtype=np.float32))
    assert known.distance(np.array([[5.0, -2.0], [1.0, -1.5]])) == pytest.approx([2.0, 1.0])
    strange = known.strangeness(np.array([[1.0, -2.0], [1.0 + 2 * 2.994, -2.0], [41.0, -2.0]]))
    assert strange[0] < 0.05
    assert strange[1] == pytest.approx(0.5, abs=0.01)
    assert strange[2] > 0.99


def test_a_folder_without_a_contract_is_refused(tmp_path):
    with pytest.raises(ModelError, match="holds no network"):
        network.load(tmp_path)


def _contract(**changes: object) -> dict[str, object]:
    from pipeline.records import Sign, Stage, Tissue

    content: dict[str, object] = {
        "kind": network.CONTRACT_KIND,
        "version": network.CONTRACT_VERSION,
        "name": "test",
        "inputs": list(network.INPUTS),
        "outputs": list(network.OUTPUTS),
        "tissues": [t.name.lower() for t in Tissue],
        "signs": [s.value for s in Sign],
        "stages": [s.word for s in Stage],
        "sha256": {},
    }
    return content | changes


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"version": 99}, "another kind or version"),
        ({"kind": "something else"}, "another kind or version"),
        ({"signs": ["green_film"]}, "other signs"),
        ({"stages": ["fresh"]}, "other stages"),
        ({}, "lacks model.onnx"),
    ],
)
def test_a_contract_of_another_kind_is_refused(tmp_path, changes, message):
    (tmp_path / "contract.json").write_text(json.dumps(_contract(**changes)))
    with pytest.raises(ModelError, match=message):
        network.describe(tmp_path)


def test_a_changed_file_is_refused(tmp_path):
    for name in network.FILES:
        (tmp_path / name).write_bytes(b"as released")
    hashes = {name: network.sha256_of(tmp_path / name) for name in network.FILES}
    (tmp_path / "contract.json").write_text(json.dumps(_contract(sha256=hashes)))
    assert network.describe(tmp_path)["name"] == "test"
    with pytest.raises(ModelError, match="cannot be run"):
        network.load(tmp_path)
    (tmp_path / "calibration.json").write_bytes(b"as changed")
    with pytest.raises(ModelError, match=r"calibration.json is not the one"):
        network.describe(tmp_path)


def test_importing_the_reader_loads_neither_torch_nor_onnxruntime():
    code = "import sys, pipeline.network; print([m for m in ('torch', 'onnxruntime', 'cv2') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_released_network_gives_its_golden_logits():
    # Golden values: the torch network on the same patch, computed once from the released safetensors.
    folder = places.models_folder() / "lite0-3"
    reader = network.load(folder)
    i, j = np.mgrid[0:96, 0:96]
    rgb = np.stack(((i * 5 + j * 3) % 256, (i * 2 + j * 7) % 256, (i * j) % 256), axis=2).astype(np.uint8)
    patch = SitePatch(rgb, np.ones((96, 96), bool), 0.5, 0.0, 0.0, 2.0)
    raw = reader.raw(patch)
    np.testing.assert_allclose(raw["stage"][0], [4.7503, 3.7808, 3.0319, 1.9767, 0.5541], atol=2e-3)
    np.testing.assert_allclose(raw["presence"][0], [-6.1363, -5.2336, -6.2273, -8.0522, -6.9458], atol=2e-3)
    np.testing.assert_allclose(raw["flags"][0], [-17.3455, -10.2578, -42.2288], atol=5e-3)
    maps = reader(patch)
    np.testing.assert_allclose(maps.tissue.sum(axis=2), 1.0, atol=1e-5)
    assert maps.tissue.dtype == maps.signs.dtype == np.float32


def test_strangeness_with_a_bank_is_that_of_the_fifth_neighbour_by_cosine(tmp_path):
    from sklearn.neighbors import NearestNeighbors

    rng = np.random.default_rng(3)
    axes, known, asked = rng.normal(size=(12, 320)), rng.normal(size=(40, 320)), rng.normal(size=(7, 320))
    on_axes = known @ axes.T
    bank = on_axes / np.linalg.norm(on_axes, axis=1, keepdims=True)
    statistics = FeatureStatistics(np.zeros(320, np.float32), axes.astype(np.float32), np.linspace(0, 1, 101),
                                   bank.astype(np.float32))  # fmt: skip
    # scikit-learn's neighbours by cosine distance
    found, _ = NearestNeighbors(n_neighbors=5, metric="cosine").fit(on_axes).kneighbors(asked @ axes.T)
    np.testing.assert_allclose(statistics.distance(asked), found[:, 4], atol=1e-5)
    assert statistics.distance(asked[0]) == pytest.approx(found[0, 4], abs=1e-5)
    statistics.save(tmp_path / "features.npz")
    again = FeatureStatistics.load(tmp_path / "features.npz")
    # 16 bits hold 11 of significand (IEEE 754)
    np.testing.assert_allclose(again.distance(asked), found[:, 4], atol=2e-3)
    # 0.5 where one known patch in 100 lies farther off: the distances run evenly from 0 to 1
    at_limit = FeatureStatistics(np.zeros(2, np.float32), np.eye(2, dtype=np.float32), np.linspace(0, 1, 101),
                                 np.array([[1.0, 0.0]], np.float32))  # fmt: skip
    angle = np.arccos(1 - 0.99)
    assert at_limit.strangeness(np.array([np.cos(angle), np.sin(angle)])) == pytest.approx(0.5, abs=1e-3)
    assert at_limit.strangeness(np.array([-1.0, 0.0])) > 0.9


def test_folders_of_before_keep_their_score(tmp_path):
    old = FeatureStatistics(np.ones(3, np.float32), np.eye(3, dtype=np.float32), np.linspace(0, 3, 501))
    old.save(tmp_path / "features.npz")
    again = FeatureStatistics.load(tmp_path / "features.npz")
    assert again.bank is None
    # Euclid
    assert again.distance(np.array([1.0, 4.0, 5.0])) == pytest.approx(5.0)
