"""From runs to a release: mean weights, digests, parts that are not made twice, joint calibration, the card."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the extra 'train'")
pytest.importorskip("safetensors", reason="needs the extra 'train'")

from pipeline import network  # noqa: E402
from pipeline.errors import ModelError, UsageError  # noqa: E402
from pipeline.learn import calibrate, card, montage, raw, release, runfolder, sets, train  # noqa: E402
from pipeline.learn.data import Collection, Shot  # noqa: E402
from pipeline.learn.drawn_photos import DrawnPatches  # noqa: E402
from pipeline.learn.net import WoundNet  # noqa: E402

pytestmark = [pytest.mark.train, pytest.mark.filterwarnings("ignore::DeprecationWarning")]
CPU = torch.device("cpu")
RNG = np.random.default_rng(4)


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """Two run folders of untrained networks."""
    torch.set_num_threads(1)
    folders = []
    for seed in (1, 2):
        torch.manual_seed(seed)
        folder = tmp_path_factory.mktemp(f"run{seed}")
        train.save_weights(WoundNet(), folder / "model.safetensors", {})
        settings = {"seed": seed, "steps": 2, "minutes": 0.0, "drawn": 4, "photos": 0, "reviewed": 0, "size_px": 64,
                    "digest": f"d{seed}"}  # fmt: skip
        (folder / "settings.json").write_text(json.dumps(settings))
        folders.append(folder)
    return folders


@pytest.fixture(scope="module")
def collection():
    """Drawn pictures: bark and foliage of each split."""
    shots, pixels = [], []
    for split in ("train", "val", "test"):
        for kind in ("bark", "bark", "background_foliage", "wound", "fungus_or_algae_film"):
            shots.append(Shot(f"{split}-{len(shots)}.jpg", kind, "drawn", split, "CC0"))
            pixels.append(np.kron(RNG.integers(40, 200, (3, 40, 30)), np.ones((1, 10, 10))))
    return Collection(torch.from_numpy(np.stack(pixels)).byte(), shots)


def drawn(count, number):
    """Patches as of the other renderer, of noise: every stage and sign in turn."""
    size = 64
    tissue = np.zeros((count, size, size), np.uint8)
    tissue[:, 20:40, 20:40] = 1
    return DrawnPatches(
        number=np.arange(number, number + count), rgb=RNG.integers(0, 255, (count, size, size, 3)).astype(np.uint8),
        valid=np.ones((count, size, size), bool), mm_per_px=np.full(count, 1.0), tissue_trunk=tissue,
        tissue_own=tissue, aperture_mm2=np.full(count, 400.0), stage=np.arange(count) % 6,
        sign=np.eye(5, dtype=bool)[np.arange(count) % 5], lookalike=np.arange(count) % 2 == 0,
        resin=np.arange(count) % 3 == 0,
    )  # fmt: skip


@pytest.fixture(scope="module")
def made(runs, collection, tmp_path_factory):
    """A release of both runs from tiny sets, its photos of the other renderer made beforehand."""
    work, target = tmp_path_factory.mktemp("work"), tmp_path_factory.mktemp("models") / "two-1"
    (work / "drawn-photos").mkdir()
    for seed in (release.FIT_SEED, release.TEST_SEED):
        drawn(6, 0).save(work / "drawn-photos" / f"{seed}-0000-0006.npz")
    plan = release.Plan(6, 6, 6, 6, 2, 64, 5)
    told = []
    results = release.make(target, runs, collection, plan, name="two-1", work=work,
                           tell=lambda *step: told.append(step))  # fmt: skip
    return target, work, plan, results, told


def test_weights_are_the_mean_and_fit_into_16_bits(runs):
    from safetensors.torch import load_file

    one, two = (load_file(str(run / "model.safetensors")) for run in runs)
    mean = raw.mean_weights([run / "model.safetensors" for run in runs]).state_dict()
    for name in ("encoder._conv_stem.weight", "judge.0.bias", "encoder._bn0.running_var"):
        wanted = (one[name].numpy().astype(np.float64) + two[name].numpy()) / 2
        # half precision: 11 bits of significand (IEEE 754)
        np.testing.assert_allclose(mean[name].numpy(), wanted, rtol=2.0**-11, atol=1e-7)
    kernel = mean["encoder._conv_stem.weight"]
    assert torch.equal(kernel, kernel.half().float())


def test_weights_of_another_network_are_refused(runs, tmp_path):
    from safetensors.torch import save_file

    save_file({"a": torch.zeros(1)}, str(tmp_path / "model.safetensors"))
    with pytest.raises(ModelError, match="not of this network"):
        raw.mean_weights([runs[0] / "model.safetensors", tmp_path / "model.safetensors"])
    with pytest.raises(UsageError, match=r"settings\.json"):
        release.run_settings(tmp_path)


def test_the_digest_is_that_of_the_settings_of_all_runs(runs):
    settings = [release.run_settings(run) for run in runs]
    weights = hashlib.sha256((runs[0] / "model.safetensors").read_bytes()).hexdigest()
    assert settings[0]["weights_sha256"] == weights
    lines = sorted(json.dumps(s, sort_keys=True) for s in settings)
    wanted = hashlib.sha256("\n".join(lines).encode()).hexdigest()[:12]
    assert release.settings_digest(settings) == release.settings_digest(settings[::-1]) == wanted
    assert release.settings_digest([settings[0], {**settings[1], "seed": 3}]) != wanted


def test_a_release_of_two_runs_is_whole_and_says_what_it_is(made, runs):
    target, _, _, results, told = made
    contract = network.describe(target)
    assert contract["settings"] == release.settings_digest([release.run_settings(run) for run in runs])
    metrics = json.loads((target / "metrics.json").read_text())
    assert [run["digest"] for run in metrics["runs"]] == ["d1", "d2"]
    assert metrics["seeds"]["fit photos"] != metrics["seeds"]["test photos"]
    text = (target / "card.md").read_text()
    for line in results.scenes + results.photographs + results.drawn:
        assert f"| {line.name.strip()} |" in text
    assert "mean of these 2 runs" in text
    assert "stands in" in text
    assert {step for step, _, _ in told} >= {"calibration cases", "test cases", "classical reader"}
    assert network.load(target).calibration.rim_sd_mm > 1


def test_what_was_read_once_is_not_read_again(made, runs, collection):
    target, work, plan, results, _ = made
    net = raw.mean_weights([run / "model.safetensors" for run in runs])
    file = raw.parts_folder(work, net, plan.size_px) / "scenes-test-0000-0006.npz"
    part = raw.Part.load(file)
    # a part made elsewhere, with overlaps that no drawing would give
    other = replace(part.sheet, aperture_mm2=np.full(6, 500.0), aperture_both_px=np.full(6, 3),
                    aperture_any_px=np.full(6, 4), flags=np.zeros((6, 3)))  # fmt: skip
    raw.Part(other, part.raw).save(file)
    again = release.make(target, runs, collection, plan, name="two-1", work=work, rims=(1.25, 0.5))
    assert again.scenes[0].confidence.value == 0.75
    assert results.scenes[0].confidence.value != 0.75
    assert network.load(target).calibration.rim_repeat_sd_mm == 0.5
    part.save(file)


def test_parts_are_kept_by_weights(runs, tmp_path):
    nets = [raw.mean_weights([run / "model.safetensors"]) for run in runs]
    assert len({raw.parts_folder(tmp_path, net, 64) for net in nets}) == 2
    assert raw.parts_folder(tmp_path, nets[0], 64) == raw.parts_folder(tmp_path, raw.mean_weights(
        [runs[0] / "model.safetensors"]), 64)  # fmt: skip


def test_rims_are_stated_in_card_and_calibration(made, tmp_path):
    target, _, _, _, _ = made
    release.write_card(target, rims=(1.7, 0.6))
    assert network.load(target).calibration.rim_sd_mm == 1.7
    assert "1.7 mm off over all, 0.6 mm" in (target / "card.md").read_text()
    own = tmp_path / "own.md"
    own.write_text("# {{ name }}: {{ figure(metrics.scenes, 'tissue mean IoU') }}")
    release.write_card(target, template=own)
    value = json.loads((target / "metrics.json").read_text())["scenes"][2]["value"]
    assert (target / "card.md").read_text() == f"# two-1: {value:.3f}\n"
    # the template is remembered, and the folder still matches its contract
    release.write_card(target, rims=(1.8, None))
    assert (target / "card.md").read_text().startswith("# two-1: ")
    assert network.describe(target)["name"] == "two-1"
    own.write_text("{{ nothing_of_this_name }}")
    with pytest.raises(UsageError, match="template"):
        release.write_card(target, template=own)
    network.describe(target)


def part_of(logits, stage, presence, sign):
    """Cases without pictures, for fitting."""
    count = len(stage)
    none = np.zeros(count)
    sheet = raw.Sheet(
        confusion=np.zeros((count, 5, 5), int), aperture_mm2=none, aperture_both_px=none, aperture_any_px=none,
        extent_share=none, wound_share=none, stage=stage, stage_p=np.full((count, 6), 1 / 6), sign=sign,
        sign_known=np.ones((count, 5)), sign_p=np.zeros((count, 5)), flags=np.zeros((count, 3)),
        flags_known=np.ones((count, 3)), flags_p=np.zeros((count, 3)), lookalikes=np.zeros((count, 11), bool),
        wound_seen=none, any_sign=none,
    )  # fmt: skip
    return raw.Part(sheet, raw.RawAnswers(logits, presence, np.zeros((count, 3)), np.zeros((count, 4))))


def cases(count, temperature, rng):
    """Cases drawn from the cumulative-link model itself, their logits spread by a temperature."""
    score = rng.normal(0, 3, count)
    logits = score[:, None] - np.array([-3, -1.5, 0, 1.5, 3])[None]
    p = network.stage_probabilities(logits, 1.0)
    stage = np.array([rng.choice(6, p=row) for row in p])
    presence = rng.normal(0, 2, (count, 5))
    sign = (rng.random((count, 5)) < 1 / (1 + np.exp(-presence))).astype(float)
    return part_of(logits * temperature, stage, presence * temperature, sign)


def test_joint_calibration_lies_between_both_renderers_and_covers_both_together():
    rng = np.random.default_rng(8)
    scenes, photos = cases(3000, 1.0, rng), cases(3000, 3.0, rng)
    alone, _ = calibrate.fit_jointly(scenes, None, 0.1)
    both, held = calibrate.fit_jointly(scenes, photos, 0.1)
    assert alone.stage_temperature == pytest.approx(1.0, abs=0.1)
    assert 1.2 < both.stage_temperature < 3.0
    assert held[:3000].sum() == 1000
    assert held[3000:].sum() == 1000
    # Split conformal: exchangeable new cases are covered in 1 - alpha (Vovk et al. 2005); 2000 cases fitted, 4000 new
    fresh = raw.Part.cat([cases(2000, 1.0, rng), cases(2000, 3.0, rng)])
    scores = network.conformal_scores(both.stages(fresh.raw.stage))
    covered = scores[np.arange(4000), fresh.sheet.stage] <= both.stage_quantile
    assert covered.mean() == pytest.approx(0.9, abs=4 * np.sqrt(0.09 / 2000 + 0.09 / 4000))


def test_card_table_counts_what_falls_short():
    lines = [
        {"name": "a", "reach": "0.93", "value": 0.9, "lo": 0.8, "hi": 0.95, "cases": 10},
        {"name": "b", "reach": "<= 0.03", "value": 0.02, "lo": 0.0, "hi": 0.05, "cases": 10},
        {"name": "c", "reach": "<= 0.03", "value": 0.04, "lo": 0.0, "hi": 0.05, "cases": 10},
        {"name": "d", "reach": "-", "value": None, "lo": None, "hi": None, "cases": 0},
    ]
    assert [line["name"] for line in card.missed(lines)] == ["a", "c"]
    beside = [{**lines[0], "value": 0.5, "cases": 4}]
    table = card.table(lines, beside)
    assert "| a | 0.900 | 0.800 to 0.950 | 10 | 0.500 (4 cases) | 0.93 |" in table
    assert "| d | - | - to - | 0 | - | - |" in table


def test_drawn_patches_become_a_batch_with_their_truth():
    patches = drawn(3, 0)
    patches.valid[1, :10] = False
    batch = sets.of_drawn(patches, CPU)
    assert batch.tissue[1, 0, 0] == 255
    assert (batch.tissue[0] == 1).sum() == 400
    assert batch.rgb[1, :, :10].abs().sum() == 0
    assert batch.stage.tolist() == [0, 1, 2]
    assert batch.flags[:, 0].tolist() == [1, 0, 0]
    assert batch.lookalikes.any(1).tolist() == [True, False, True]


def test_texts_for_the_card_are_read_and_anything_else_is_refused(tmp_path):
    from pipeline.cli.making_releases import read_extra

    file = tmp_path / "extra.yaml"
    file.write_text("fails: |\n  - small holes\n", encoding="utf-8")
    assert read_extra(file) == {"fails": "- small holes\n"}
    for bad in ("- a list", "1: number", "a: [b"):
        file.write_text(bad)
        with pytest.raises(UsageError):
            read_extra(file)


def test_the_text_of_our_own_networks_can_be_filled(made):
    target, _, _, _, _ = made
    metrics = json.loads((target / "metrics.json").read_text())
    metrics["extra"] = {"fails": "- Small holes.", "lineage": "From lite0-2."}
    calibration = network.load(target).calibration
    text = card.fill(card.read_template(card.TEMPLATES / "released.md"), "two-1", metrics, calibration)
    assert "- Small holes." in text
    assert "mean of these runs (Wortsman et al. 2022). From lite0-2." in text
    assert "{" not in text
    bare = card.fill(card.read_template(card.TEMPLATES / "released.md"), "two-1", {**metrics, "extra": {}}, calibration)
    assert "Nobody has gone through the failures" in bare


def test_a_run_folder_says_what_it_is_and_shows_its_errors(runs, tmp_path):
    folder = tmp_path / "run"
    folder.mkdir()
    net = raw.mean_weights([runs[0] / "model.safetensors"])
    (folder / "settings.json").write_text(
        json.dumps({"digest": "d1", "minutes": 0, "steps": 2, "drawn": 4, "photos": 0, "reviewed": 0, "size_px": 64,
                    "seed": 1, "device": "cpu"}))  # fmt: skip
    (folder / "curves.csv").write_text(
        "step,progress,patches_per_s,total,stage\n1,0.5,3.0,9.0,1.0\n2,1.0,3.1,8.5,0.9\n"
    )
    runfolder.finish(folder, net, None, 6, 64)
    text = (folder / "card.md").read_text()
    assert "not calibrated, not tested" in text
    assert "step 2, 3.1 patches a second, loss 8.5" in text
    assert "drawn bark only" in text
    metrics = json.loads((folder / "metrics.json").read_text())
    assert metrics["calibration scenes"][2]["cases"] == 6
    assert cv2.imread(str(folder / "worst.png")).shape[1] == montage.COLUMNS * (2 * montage.TILE_PX + 18)


def test_worst_errors_are_named_and_hatched():
    patches = drawn(1, 0)
    batch = sets.of_drawn(patches, CPU)
    batch.signs[0, 2, 30:60, 30:60] = 1.0
    read, read_signs = torch.zeros(1, 64, 64, dtype=torch.long), torch.zeros(1, 5, 64, 64)
    sheet = part_of(np.zeros((1, 5)), np.array([0]), np.zeros((1, 5)), np.eye(5)[[2]]).sheet
    sheet.aperture_mm2, sheet.aperture_any_px = np.array([400.0]), np.array([400])
    found = montage.errors(batch, read, read_signs, sheet)
    # a missed opening, a stage that cannot be told from equal probabilities, a missed bracket
    assert {e.group for e in found} == {"openings of 100 mm2 and more", "missed signs"}
    assert next(e for e in found if e.group == "missed signs").caption.startswith("conk")
    sheet_of = montage.montage(found)
    cell = sheet_of[montage.HEAD_PX + 24 :, 2:]
    true, other = cell[: montage.TILE_PX, : montage.TILE_PX], cell[: montage.TILE_PX, montage.TILE_PX + 4 :]
    # hatching lies inside the sign's square and nowhere on the other half
    inside = (slice(200, 340), slice(200, 340))
    difference = np.abs(true[inside].astype(int) - other[:, : montage.TILE_PX][inside]).max(2)
    stripes = difference.mean(1) > 60
    assert np.count_nonzero(np.diff(stripes.astype(int))) >= 4
