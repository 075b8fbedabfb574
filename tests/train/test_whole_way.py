"""From nothing to a loaded reader: pack, train, go on, calibrate, export, read; and torch against ONNX."""

from __future__ import annotations

import csv

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="needs the extra 'train'")
pytest.importorskip("safetensors", reason="needs the extra 'train'")

from pipeline import network  # noqa: E402
from pipeline.learn import data, evaluate, export, train  # noqa: E402
from pipeline.learn.generator import Banks, Generator  # noqa: E402
from pipeline.records import SitePatch  # noqa: E402

pytestmark = [pytest.mark.train, pytest.mark.filterwarnings("ignore::DeprecationWarning")]
CPU = torch.device("cpu")
KINDS = (
    ("bark", "Melaleuca", "a"),
    ("bark", "Hopea", "b"),
    ("bark", "Senna siamea", "c"),
    ("fungus_or_algae_film", "Polyalthia longifolia", "d"),
    ("fungus_or_algae_film", "Prunus salicina", "e"),
    ("lichen_moss", "Dalbergia oliveri", "f"),
    ("lichen_moss", "Anacardium occidentale", "g"),
    ("wound", "Wrightia", "h"),
    ("wound", "Casuarina equisetifolia", "i"),
    ("background_foliage", "leaf", "coconut stem and leaf set"),
    ("background_foliage", "leaf", "another set"),
)


@pytest.fixture(scope="module")
def collection_folder(tmp_path_factory):
    """A tiny collection of drawn pictures with a manifest."""
    folder = tmp_path_factory.mktemp("photos")
    rng = np.random.default_rng(0)
    with (folder / "manifest.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["file", "kind", "source", "licence", "width", "height", "note"])
        for number, (kind, species, source) in enumerate(KINDS):
            small = rng.integers(40, 200, (10, 8, 3)).astype(np.uint8)
            cv2.imwrite(str(folder / f"{number}.jpg"), cv2.resize(small, (150, 200)))
            writer.writerow([f"{number}.jpg", kind, source, "CC0", 150, 200, f"{species}; drawn"])
    return folder


@pytest.fixture(scope="module")
def run_folder(collection_folder, tmp_path_factory):
    torch.set_num_threads(1)
    folder = tmp_path_factory.mktemp("run")
    collection = data.open_collection(collection_folder, folder, CPU)
    settings = train.TrainSettings(steps=2, drawn=4, photos=2, size_px=64, pretrained=False)
    train.run(folder, settings, collection=collection, device=CPU)
    return folder


@pytest.fixture(scope="module")
def released(run_folder, tmp_path_factory):
    target = tmp_path_factory.mktemp("release")
    lines = evaluate.run(
        str(run_folder),
        run_folder / "photos.npz",
        count=24,
        size_px=64,
        draws=5,
        release=target,
        name="tiny-1",
        fit_photos=0,
    )
    assert any("aperture IoU" in line.name for line in lines)
    assert any("area under ROC" in line.name for line in lines)
    return target


def test_splits_go_by_species_and_source(collection_folder):
    split = {(s.kind, s.species): s.split for s in data.read_manifest(collection_folder) if s.species}
    assert split["bark", "Melaleuca"] == "train"
    assert split["bark", "Hopea"] == "val"
    assert split["bark", "Senna siamea"] == "test"
    assert {s.split for s in data.read_manifest(collection_folder) if s.kind == "background_foliage"} == {
        "train",
        "test",
    }
    assert not data.TEST_SPECIES & data.VAL_SPECIES


def test_a_run_goes_on_where_it_stopped(run_folder):
    before = torch.load(run_folder / "last.pt", weights_only=True)
    assert before["step"] == 2
    settings = train.TrainSettings(steps=3, drawn=4, photos=0, size_px=64, pretrained=False)
    train.run(run_folder, settings, device=CPU, resume=True)
    after = torch.load(run_folder / "last.pt", weights_only=True)
    assert after["step"] == 3
    assert (run_folder / "curves.csv").read_text().splitlines()[0].startswith("step,")


def test_released_network_reads_a_patch_as_torch_does(released, run_folder):
    reader = network.load(released)
    net = export.load_weights(released / "model.safetensors")
    batch = Generator(CPU, 3, Banks(), 96).batch(2)
    for row in range(2):
        rgb = np.ascontiguousarray((batch.rgb[row] * 255).round().byte().permute(1, 2, 0).numpy())
        valid = batch.valid[row, 0].numpy()
        patch = SitePatch(rgb, valid, float(batch.mm_per_px[row]), 0.0, 0.0, 2.0)
        raw = reader.raw(patch)
        with torch.no_grad():
            part = batch.rows(torch.tensor([row]))
            output = net(*train.network_inputs(part))
            tissue = torch.nn.functional.interpolate(
                output.tissue, scale_factor=2.0, mode="bilinear", align_corners=False
            )
        # Parity: float32 sums in another order; the same pictures, so the preparation is shared too.
        np.testing.assert_allclose(raw["stage"], output.stage.numpy(), atol=2e-4)
        np.testing.assert_allclose(raw["presence"], output.presence.numpy(), atol=2e-4)
        np.testing.assert_allclose(raw["features"], output.features.numpy(), atol=2e-4)
        np.testing.assert_allclose(raw["tissue"].transpose(2, 0, 1), tissue[0].numpy(), atol=2e-3)
        maps = reader(patch)
        np.testing.assert_allclose(maps.tissue.sum(2), 1.0, atol=1e-5)
        assert maps.stage_p.sum() == pytest.approx(1.0)
        assert maps.reader == "tiny-1"


def test_patches_of_any_size_are_read(released):
    reader = network.load(released)
    rgb = np.random.default_rng(1).integers(0, 255, (70, 101, 3)).astype(np.uint8)
    maps = reader(SitePatch(rgb, np.ones((70, 101), bool), 0.3, 0.0, 0.0, 2.0))
    assert maps.tissue.shape == (70, 101, 5)


def test_release_is_bound_to_its_files(released):
    contract = network.describe(released)
    assert set(contract["sha256"]) == {*network.FILES, "model.safetensors"}
    assert (released / "worst.png").is_file()
