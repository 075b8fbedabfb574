"""From reviewed cases to a network that a person may take into use: split by tree, fine-tune, release, compare."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the extra 'train'")
pytest.importorskip("safetensors", reason="needs the extra 'train'")

from pipeline import adoption, readers  # noqa: E402
from pipeline.errors import UsageError  # noqa: E402
from pipeline.learn import compare, train  # noqa: E402
from pipeline.learn.from_grove import Recipe, training_settings  # noqa: E402
from pipeline.learn.net import WoundNet  # noqa: E402
from pipeline.learn.reviewed import ReviewedPatches, is_held_back, side_of, unseen  # noqa: E402
from pipeline.records import Sign, SiteMaps, Stage  # noqa: E402
from pipeline.review.answers import Filled, record  # noqa: E402
from pipeline.review.queue import Queue  # noqa: E402
from pipeline.review.verdicts import Verdict  # noqa: E402
from tests.review_grove import PX, build, clock, ellipse  # noqa: E402

pytestmark = [pytest.mark.train, pytest.mark.filterwarnings("ignore::DeprecationWarning")]
CPU = torch.device("cpu")
NO_DRAWS = {"review.blind_share": 0.0, "review.unflagged_share": 0.0, "review.second_share": 0.0}


def answer(desk, site, verdict, *signs, who="Lek", unseen=False, **more):
    sha256 = desk.store.last_looks([site])[-1].sha256
    form = replace(
        Filled(sha256, desk.store.last_review(site), verdict, frozenset(signs), "", "", None, (), False, ""), **more
    )
    record(desk, site, form, who, Queue(desk).task(site, who), unseen=unseen)
    return sha256


def test_trees_never_change_side():
    names = [f"A-{n:04d}" for n in range(4000)]
    held = {name for name in names if is_held_back(name)}
    # A hash as a fair coin of 0.25: within four standard errors of its share (binomial).
    assert abs(len(held) / 4000 - 0.25) < 4 * np.sqrt(0.25 * 0.75 / 4000)
    assert held < {name for name in names if is_held_back(name, 0.4)}
    assert held == {name for name in names if is_held_back(name)} == {n for n in names if side_of(n) == "held"}
    calibrating = {name for name in names if side_of(name) == "calibrate"}
    assert abs(len(calibrating) / 4000 - 0.1) < 4 * np.sqrt(0.1 * 0.9 / 4000)


def test_what_the_photo_did_not_show_is_known_again():
    picture = np.random.default_rng(1).integers(0, 256, (64, 64, 3)).astype(np.uint8)
    picture[:, 40:] = 128
    stored = cv2.imdecode(cv2.imencode(".jpg", picture, (cv2.IMWRITE_JPEG_QUALITY, 88))[1], cv2.IMREAD_COLOR)
    found = unseen(stored)
    assert found[:, 48:].all()
    assert not found[:, :38].any()


def test_only_what_was_said_is_taught(tmp_path):
    cv2.imwrite(str(tmp_path / "a.jpg"), np.full((32, 32, 3), 90, np.uint8))
    shared = {"file_name": "a.jpg", "mm_per_px": 0.5, "stage": "", "tree": "A-1"}
    images = [
        shared | {"id": 1, "verdict": "sign", "signs": ["conk"], "rejected": ["green_film", "conk"]},
        shared | {"id": 2, "verdict": "not", "instead": "moss"},
        shared | {"id": 3, "verdict": "not", "instead": "resin"},
        shared | {"id": 4, "verdict": "not", "instead": "shadow"},
    ]
    patches = ReviewedPatches(tmp_path, images, {})
    ticked, moss, resin, shadow = (patches._one(entry, 32) for entry in images)
    # a sign that was ticked stays ticked; one rejected beside it is known to be missing; of the rest nothing is known
    np.testing.assert_array_equal(ticked["known"], [1, 0, 1, 0, 0])
    np.testing.assert_array_equal(ticked["present"], [0, 0, 1, 0, 0])
    np.testing.assert_array_equal(ticked["flags_known"], [0, 0, 1])
    np.testing.assert_array_equal(moss["flags"] * moss["flags_known"], [0, 1, 0])
    np.testing.assert_array_equal(resin["flags"] * resin["flags_known"], [1, 0, 0])
    np.testing.assert_array_equal(shadow["flags_known"], [0, 0, 1])
    batch = patches.batch(6, 32, CPU)
    assert (batch.sign_present.amax(1) > 0).sum() == 3, "half of a batch shows a sign"


def test_a_recipe_fills_the_batch():
    for photos in (False, True):
        for reviewed in (0, 1, 40, 4000):
            made = training_settings(Recipe(batch=48), photos=photos, reviewed=reviewed, on_gpu=False)
            assert made.drawn + made.photos + made.reviewed == 48
            assert (made.photos > 0, made.reviewed > 0) == (photos, reviewed > 0)


@pytest.fixture(scope="module")
def judged(tmp_path_factory):
    """A grove of twelve trees with an answer to every case, one of them disputed."""
    torch.set_num_threads(1)
    desk = build(tmp_path_factory.mktemp("grove") / "g", trees=12, visits=1, options=NO_DRAWS)
    for site in sorted(desk.register.sites):
        if site % 20 == 10:
            answer(desk, site, Verdict.SIGN, Sign.GREEN_FILM, stage=Stage.CALLUS, rim=ellipse(0, -130, 15, 24))
        else:
            answer(desk, site, Verdict.NOT, instead="moss")
    return desk


def test_labels_say_what_was_rejected_and_disputed(judged, tmp_path):
    from pipeline.review.coco import export_labels

    answer(judged, 30, Verdict.NOT)
    disputed = answer(judged, 30, Verdict.SIGN, Sign.GREEN_FILM, who="Nok", unseen=True)
    export_labels(judged, tmp_path / "out")
    images = {i["sha256"]: i for i in json.loads((tmp_path / "out" / "labels.json").read_text())["images"]}
    assert [sha for sha, entry in images.items() if entry["disputed"]] == [disputed]
    parts = {part: ReviewedPatches.load(tmp_path / "out", part=part) for part in ("all", "train", "calibrate", "held")}
    assert len(parts["all"]) == len(images) - 1
    sides = [part for name, part in parts.items() if name != "all"]
    trees = [{entry["tree"] for entry in part.images} for part in sides]
    assert sum(map(len, trees)) == len(set().union(*trees)), "no tree stands on two sides"
    assert sum(map(len, sides)) == len(parts["all"])


def test_train_from_a_grove_to_a_network_in_use(judged, tmp_path):
    from pipeline.cli.making_networks import train_from

    start = tmp_path / "start.safetensors"
    train.save_weights(WoundNet(), start, {})
    recipe = Recipe(steps=2, batch=4, size_px=64)
    content = train_from(
        judged.grove, judged.store, tmp_path / "run", "ours-1", None, start, recipe, "cpu", 24, clock()
    )
    folder = judged.grove.models / "ours-1"
    assert readers.model_of(str(folder)) == "ours-1"
    origin = json.loads((folder / "trained_from.json").read_text())
    assert origin["taught"] + content["held_cases"] <= origin["reviewed"]
    assert content["held_cases"] > 0
    assert adoption.comparison_of(judged.grove, "models/ours-1") == json.loads(json.dumps(content))
    assert {row["where"] for row in content["figures"]} == {"held", "release"}
    for case in content["cases"]:
        assert is_held_back(case["tree"])
        if case["picture"]:
            picture = cv2.imread(str(folder / "comparison" / case["picture"]))
            assert picture.shape[1] == 2 * picture.shape[0]
    with pytest.raises(UsageError, match="already"):
        train_from(judged.grove, judged.store, tmp_path / "b", "ours-1", None, start, recipe, "cpu", 24, clock())
    adoption.adopt(judged.grove, judged.store, "models/ours-1", "Nok", clock())
    reader, name = readers.open_reader(str(folder))
    assert name == "ours-1"
    assert callable(reader)


def constant(green_p, stage):
    """A reader that says the same of every patch and outlines the middle."""

    def read(patch):
        height, width = patch.valid.shape
        tissue = np.zeros((height, width, 5), np.float32)
        tissue[..., 0] = 1.0
        tissue[height // 4 : -height // 4, width // 4 : -width // 4] = (0, 1, 0, 0, 0)
        signs = np.zeros((height, width, 5), np.float32)
        signs[10:30, 10:30, 0] = green_p
        p = np.full(5, 0.01)
        p[0] = green_p
        return SiteMaps(tissue, signs, np.eye(6)[int(stage)], p, 0.0, "constant")

    return read


def test_comparison_counts_by_hand(judged, tmp_path):
    """Two readers whose every answer is known: found, missed and needless cases can be counted from the labels."""
    from pipeline.learn.from_grove import no_photographs
    from pipeline.review.coco import export_labels

    export_labels(judged, tmp_path / "labels")
    held = ReviewedPatches.load(tmp_path / "labels", part="held")
    with_sign = sum(e["verdict"] == "sign" for e in held.images)
    without = sum(e["verdict"] == "not" for e in held.images)
    assert with_sign
    assert without
    old, new = constant(0.1, Stage.CALLUS), constant(0.9, Stage.CLOSING)
    content = compare.compare(
        tmp_path / "c", (old, "old"), (new, "new"), held, no_photographs(), at=clock(), count=6, size_px=PX, draws=20
    )
    content = json.loads((tmp_path / "c" / "comparison.json").read_text())
    whats = [case["what"] for case in content["cases"]]
    assert (whats.count("found"), whats.count("needless")) == (with_sign, without)
    assert whats.count("missed") == whats.count("spared") == 0
    line = {row["words"]: row for row in content["figures"] if row["where"] == "held"}
    assert (line["signs that people saw, found"]["old"], line["signs that people saw, found"]["new"]) == (0.0, 1.0)
    assert line["cases without a sign that are flagged"]["change"] == 1.0
    assert line["stage as the person named it"]["old"] == 1.0
    assert line["stage as the person named it"]["new"] == 0.0
    # three trees are too few for an interval
    assert line["stage as the person named it"]["lo"] is None
    overlap = line["opening, overlap with the person's rim (IoU)"]
    assert overlap["old"] == overlap["new"]
    assert 0 < overlap["old"] < 1
    # The other way round what was found is missed, and needless ones are spared.
    truth = compare.truth_of(held, PX)
    a, b = compare.answers_of(new, held, PX), compare.answers_of(old, held, PX)
    back = [what for what, _, _ in compare.changed_cases(truth, a, b, 0.5)]
    assert (back.count("missed"), back.count("spared")) == (with_sign, without)
