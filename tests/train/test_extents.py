"""Where people drew a sign, as truth for its map; signs painted on clean patches; weights between start and end."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the extra 'train'")

from pipeline.learn import extents, train  # noqa: E402
from pipeline.learn.augment import relit_plainly  # noqa: E402
from pipeline.learn.from_grove import between  # noqa: E402
from pipeline.learn.generator import IGNORE, PatchBatch  # noqa: E402
from pipeline.learn.losses import losses  # noqa: E402
from pipeline.learn.net import WoundNet  # noqa: E402
from pipeline.learn.painted import SignPainter  # noqa: E402
from pipeline.learn.reviewed import ReviewedPatches  # noqa: E402
from pipeline.learn.signs import SIGN_NAMES  # noqa: E402

pytestmark = [pytest.mark.train, pytest.mark.filterwarnings("ignore::DeprecationWarning")]
CPU = torch.device("cpu")
CATEGORIES = [{"id": i + 1, "name": name} for i, name in enumerate(("aperture", *SIGN_NAMES))]


def ring(x, y, radius, corners=90):
    t = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    return np.column_stack((x + radius * np.cos(t), y + radius * np.sin(t)))


@pytest.mark.filterwarnings("ignore:__array__ implementation:DeprecationWarning")
def test_run_lengths_become_outlines_of_the_same_mask():
    # pycocotools packs the mask; what comes back out of our outlines is compared pixel by pixel
    from pycocotools import mask as reference

    mask = np.zeros((64, 64), np.uint8)
    mask[10:40, 8:50] = 1
    mask[18:26, 20:34] = 0  # an island of clean bark
    packed = reference.encode(np.asfortranarray(mask))
    flat = reference.decode(packed).ravel(order="F")
    edges = np.flatnonzero(np.diff(flat)) + 1
    counts = np.diff(np.concatenate([[0], edges, [flat.size]])).tolist()
    again = extents.filled(extents.outlines_of({"size": [64, 64], "counts": counts}), 64)
    # a pixel of the edge may fall to either side
    assert abs(int(again.sum()) - int(mask.sum())) <= 0.03 * mask.sum()
    assert again[22, 27] == 0
    with pytest.raises(ValueError, match="neither"):
        extents.outlines_of({"size": [64, 64], "counts": "compressed"})


def test_a_belt_along_the_outline_teaches_nothing():
    # closed form: of a disc of radius R, the disc of radius R - w is sure, and so is all beyond R + w
    mask = extents.filled([ring(64, 64, 30)], 128)
    truth = extents.belt(mask, 5.0)
    assert (truth == 1).sum() == pytest.approx(np.pi * 25**2, rel=0.04)
    assert (truth == 0).sum() == pytest.approx(128**2 - np.pi * 35**2, rel=0.01)
    assert (truth == extents.UNKNOWN).sum() == pytest.approx(np.pi * (35**2 - 25**2), rel=0.06)
    small = extents.belt(extents.filled([ring(64, 64, 3)], 128), 8.0)
    assert (small == 1).any(), "a small area keeps its middle"


def labels(folder, images, notes):
    (folder / "images").mkdir(parents=True)
    for image in images:
        rng = np.random.default_rng(image["id"])
        cv2.imwrite(str(folder / image["file_name"]), rng.integers(60, 120, (64, 64, 3)).astype(np.uint8))
    content = {"images": images, "annotations": notes, "categories": CATEGORIES}
    (folder / "labels.json").write_text(json.dumps(content))
    return ReviewedPatches.load(folder)


def image(number, **said):
    base = {"id": number, "file_name": f"images/{number}.jpg", "width": 64, "height": 64, "mm_per_px": 1.0, "tree": "A"}
    return base | {"verdict": "", "signs": [], "rejected": [], "stage": ""} | said


def test_a_sign_is_taught_where_a_person_drew_it_and_nowhere_by_a_network(tmp_path):
    images = [
        image(1, verdict="sign", signs=["conk", "green_film"], rejected=["sunken_bark"]),
        image(2, verdict="not"),
        image(3, stage="callus"),
    ]
    outline = [ring(20, 40, 12).ravel().tolist()]
    notes = [
        {"id": 1, "image_id": 1, "category_id": 4, "segmentation": outline, "outline_by": "Lek"},
        {"id": 2, "image_id": 1, "category_id": 2, "segmentation": outline, "outline_by": "network"},
    ]
    batch, _ = next(labels(tmp_path / "l", images, notes).whole(64, CPU))
    film, mycelium, conk, bleeding, sunken = batch.signs[0]
    # rows count downwards: the middle of the outline is row 40, column 20
    assert conk[40, 20] == 1 and conk[10, 50] == 0 and conk[40, 20 + 12] == extents.UNKNOWN
    assert (film == extents.UNKNOWN).all(), "a network's own outline teaches nothing"
    assert (mycelium == extents.UNKNOWN).all() and (bleeding == extents.UNKNOWN).all(), "nobody spoke of them"
    assert (sunken == 0).all()
    assert (batch.signs[1] == 0).all() and (batch.signs[2] == extents.UNKNOWN).all()
    assert batch.sign_map_known.tolist() == [1, 1, 0]
    torch.manual_seed(1)
    net = WoundNet().train()
    whole = losses(net(*train.network_inputs(batch)), batch)
    for row, teaches in ((0, True), (1, True), (2, False)):
        one = batch.rows(torch.tensor([row]))
        with torch.no_grad():
            maps = losses(net(*train.network_inputs(one)), one)["signs"]
        assert (float(maps) > 0) is teaches
    whole["signs"].backward()
    assert torch.isfinite(net.maps.weight.grad).all()


def test_moved_patches_move_their_maps(tmp_path):
    # a bright square under the drawn outline stays under its map however the patch is turned and shifted
    patches = labels(tmp_path / "l", [image(1, verdict="sign", signs=["conk"])], [
        {"id": 1, "image_id": 1, "category_id": 4, "outline_by": "Lek",
         "segmentation": [[16, 16, 40, 16, 40, 36, 16, 36]]}
    ])  # fmt: skip
    bright = np.full((64, 64, 3), 40, np.uint8)
    bright[16:36, 16:40] = 220
    patches._kept["images/1.jpg"] = bright
    for _ in range(6):
        batch = patches.batch(1, 64, CPU)
        inside, outside = batch.signs[0, 2] == 1, batch.signs[0, 2] == 0
        level = batch.rgb[0].mean(0)
        assert level[inside].min() > level[outside].median() + 0.2


def test_painted_patches_say_what_was_painted_and_nothing_else():
    torch.set_num_threads(1)
    size, count = 64, 24
    rgb = torch.full((count, 3, size, size), 0.45)
    clean = PatchBatch(
        rgb=rgb, valid=torch.ones(count, 1, size, size, dtype=torch.bool), mm_per_px=torch.full((count,), 2.5),
        tissue=torch.zeros(count, size, size, dtype=torch.long), signs=torch.zeros(count, 5, size, size),
        sign_present=torch.zeros(count, 5), sign_known=torch.ones(count, 5), sign_map_known=torch.ones(count),
        any_sign=torch.zeros(count), stage=torch.full((count,), 2), flags=torch.zeros(count, 3),
        flags_known=torch.ones(count, 3), wound_seen=torch.full((count,), -1.0),
        lookalikes=torch.zeros(count, 11, dtype=torch.bool),
    )  # fmt: skip
    painted = SignPainter(CPU, 5).on(clean)
    there = painted.sign_present.bool()
    # 0.67 of 24, minus faint ones and those that fell outside; binomial, four standard errors
    assert 5 <= int(there.any(1).sum()) <= 24 - 1
    covered = (painted.signs > 0.35).float().mean((2, 3))
    assert (covered[there] > 0).all() and (covered[~there & painted.sign_known.bool()] == 0).all()
    assert (painted.tissue == IGNORE).all() and (painted.stage == -1).all()
    assert (painted.flags_known[:, :2] == 0).all()
    again = SignPainter(CPU, 5).on(clean)
    assert torch.equal(again.rgb, painted.rgb) and torch.equal(again.signs, painted.signs)
    # where a sign lies the picture differs from the even bark round it, in most of the patches that show one
    gaps = [
        float((painted.rgb[row][:, painted.signs[row].amax(0) > 0.5].mean() - painted.rgb[row].median()).abs())
        for row in np.flatnonzero(there.any(1).numpy())
        if (painted.signs[row] > 0.5).any()
    ]
    assert np.median(gaps) > 0.02


def test_weights_lie_on_the_line_between_start_and_end():
    torch.manual_seed(3)
    start, end = WoundNet(), WoundNet()
    with torch.no_grad():
        end.encoder._bn0.running_mean.fill_(4.0)
    before = {name: value.clone() for name, value in end.state_dict().items()}
    between(start, end, 0.25)
    for name, value in end.state_dict().items():
        if value.is_floating_point():
            expected = 0.25 * start.state_dict()[name].numpy() + 0.75 * before[name].numpy()
            np.testing.assert_allclose(value.numpy(), expected, atol=1e-6)
    assert end.encoder._bn0.running_mean[0] == 3.0


def test_pictures_are_relit_without_the_library_too():
    rgb = np.random.default_rng(4).integers(0, 255, (48, 48, 3)).astype(np.uint8)
    many = [relit_plainly(rgb, np.random.default_rng(seed)) for seed in range(12)]
    np.testing.assert_array_equal(many[3], relit_plainly(rgb, np.random.default_rng(3)))
    assert all(m.shape == rgb.shape and m.dtype == np.uint8 for m in many)
    # none of the changes comes in 0.4 x 0.6 x 0.75 x 0.7 x 0.6 = 8 of 100 pictures
    assert sum(not np.array_equal(m, rgb) for m in many) >= 8
