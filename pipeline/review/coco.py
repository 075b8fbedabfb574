"""Labels out and in, in the COCO format for instance segmentation, so that any general tool can read them.

    FOLDER/labels.json        images, annotations, categories
    FOLDER/images/HASH.jpg    the overview patches

Pixels count as COCO counts them: the corner of the top left pixel is (0, 0).  Every image also carries its place on
the bark in mm, who judged it, and the stage, under names of our own, which other tools ignore.
"""

from __future__ import annotations

import json
import shutil
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from pipeline import rim as rim_of_map
from pipeline.corrections import Said, said_of
from pipeline.errors import UsageError
from pipeline.records import Reading, Review, ReviewAnswer, Sign, SitePatch, Stage
from pipeline.review import pictures, rims
from pipeline.review.verdicts import Verdict, disagree, standing_given
from pipeline.store.audit import LogEntry

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from pipeline.records import Polygon
    from pipeline.review.desk import Desk
    from pipeline.review.pictures import Place
    from pipeline.review.verdicts import Given

APERTURE = "aperture"
BY_NETWORK = "network"
NAMES: tuple[str, ...] = (APERTURE, *(sign.value for sign in Sign))
CATEGORIES = [
    {"id": i + 1, "name": name, "supercategory": "wound" if name == APERTURE else "sign"}
    for i, name in enumerate(NAMES)
]
MAX_IMPORT_BYTES = 200_000_000
SUBPIXEL_BITS = 8
FINER = 8


def export_labels(desk: Desk, folder: Path) -> tuple[int, int]:
    """Write every photo that a person judged, with what they said.

    An outline of a sign is a person's where one drew it or called the shown one right (``outline_by`` names them);
    else the network's, kept where a person confirmed the sign (``outline_by`` is ``network``).  A rim is a person's, or
    the network's where a person accepted it.

    Returns
    -------
    images, annotations
        How many were written.

    Raises
    ------
    UsageError
        If the folder holds labels already.
    """
    target = folder / "labels.json"
    if target.exists():
        raise UsageError(f"There are labels in {folder} already.", "Name another folder.")
    (folder / "images").mkdir(parents=True, exist_ok=True)
    reviews = desk.store.reviews(standing_only=True)
    images: list[dict[str, Any]] = []
    annotations: list[dict[str, Any]] = []
    for sha256 in sorted({review.sha256 for review in reviews if review.sha256}):
        place, result = pictures.place_of(desk, sha256), desk.store.result_of(sha256)
        about = [review for review in reviews if review.sha256 == sha256]
        given = [g for g in standing_given(about) if g.verdict is not None or g.stage is not None]
        shapes = _shapes(about, result) if isinstance(result, Reading) else []
        path = pictures.patch_file(desk, sha256)
        if place is None or path is None or not isinstance(result, Reading) or not (given or shapes):
            continue
        shutil.copyfile(path, folder / "images" / f"{sha256}.jpg")
        images.append(_image(len(images) + 1, result, place, desk, given, about))
        for name, polygons, by in shapes:
            annotations.append(_annotation(len(annotations) + 1, len(images), name, polygons, by, place))
    content = {
        "info": {"description": f"Reviewed patches of {desk.settings.grove.name}", "version": "1.0"},
        "licenses": [],
        "images": images,
        "annotations": annotations,
        "categories": CATEGORIES,
    }
    target.write_text(json.dumps(content, ensure_ascii=False, indent=1), encoding="utf-8")
    return len(images), len(annotations)


def _image(
    number: int, reading: Reading, place: Place, desk: Desk, given: Sequence[Given], about: Sequence[Review]
) -> dict[str, Any]:
    last = max(given, key=lambda g: g.lead, default=None)
    site = desk.register.sites.get(reading.site)
    step = place.window.width_mm / place.width_px
    return {
        "id": number,
        "file_name": f"images/{reading.sha256}.jpg",
        "width": place.width_px,
        "height": place.height_px,
        "sha256": reading.sha256,
        "site": reading.site,
        "tree": site.tree if site else "",
        "visit_on": reading.visit_on.isoformat(),
        "left_mm": place.window.left_mm,
        "top_mm": place.window.top_mm,
        "mm_per_px": step,
        "verdict": last.verdict.value if last and last.verdict else "",
        "signs": sorted(sign.value for sign in last.signs) if last else [],
        "rejected": sorted({r.sign.value for r in about if r.answer is ReviewAnswer.REJECTED and r.sign is not None}),
        "instead": last.instead if last else "",
        "disputed": disagree(given),
        "model": reading.model,
        "stage": last.stage.word if last and last.stage is not None else "",
        "judged_by": sorted({g.who for g in given}),
    }


def _shapes(about: Sequence[Review], reading: Reading) -> list[tuple[str, tuple[Polygon, ...], str]]:
    found: list[tuple[str, tuple[Polygon, ...], str]] = []
    for review in about:
        drawn = review.payload.get("rim_mm")
        if isinstance(drawn, list):
            found.append((APERTURE, (tuple((float(x), float(y)) for x, y in drawn),), review.who))
        elif review.payload.get("rim") == "accepted" and reading.outlines.aperture:
            found.append((APERTURE, reading.outlines.aperture, review.who))
    said = said_of(about).get(reading.sha256, Said())
    confirmed = {review.sign for review in about if review.answer is ReviewAnswer.CONFIRMED}
    for sign in Sign:
        if sign in confirmed:
            drawn_by = said.extents_from.get(sign)
            outlines = said.extents.get(sign) or reading.outlines.signs.get(sign, ())
            if outlines:
                found.append((sign.value, outlines, BY_NETWORK if drawn_by is None else drawn_by.who))
    return found


def _annotation(
    number: int, image: int, name: str, polygons: tuple[Polygon, ...], by: str, place: Place
) -> dict[str, Any]:
    corners = [to_px(polygon, place) for polygon in polygons]
    points = np.concatenate(corners)
    low, high = points.min(axis=0), points.max(axis=0)
    islands = any(rims.area_mm2(polygon) < 0 for polygon in polygons)
    step = place.window.width_mm / place.width_px
    segmentation: object = [[round(float(v), 2) for v in shape.ravel()] for shape in corners]
    if islands:
        segmentation = run_lengths(_mask(corners, place))
    return {
        "id": number,
        "image_id": image,
        "category_id": NAMES.index(name) + 1,
        "segmentation": segmentation,
        "area": round(abs(sum(rims.area_mm2(p) for p in polygons)) / step**2, 2),
        "bbox": [round(float(v), 2) for v in (*low, *(high - low))],
        "iscrowd": 0,
        "outline_by": by,
    }


def to_px(polygon: Polygon, place: Place) -> NDArray[np.float64]:
    """Corners in COCO pixels, shape (N, 2)."""
    step = place.window.width_mm / place.width_px
    x, y = np.asarray(polygon, dtype=np.float64).T
    return np.column_stack([(x - place.window.left_mm) / step, (place.window.top_mm - y) / step])


def to_mm(corners: NDArray[np.float64], place: Place) -> Polygon:
    """The way back."""
    step = place.window.width_mm / place.width_px
    return tuple(
        (round(float(place.window.left_mm + x * step), 3), round(float(place.window.top_mm - y * step), 3))
        for x, y in corners
    )


def _mask(corners: Sequence[NDArray[np.float64]], place: Place) -> NDArray[np.uint8]:
    """Pixels of which at least half lies inside; islands stay out (even-odd rule).

    Drawn eight times finer and averaged: OpenCV fills the pixels of the edge too, which at full size would make
    an opening of 30 mm some 5 % larger.
    """
    height, width = place.height_px, place.width_px
    fine = np.zeros((height * FINER, width * FINER), dtype=np.uint8)
    # OpenCV has whole numbers at pixel centres, COCO at corners: half a pixel apart
    shapes = [np.round((shape * FINER - 0.5) * 2**SUBPIXEL_BITS).astype(np.int32) for shape in corners]
    cv2.fillPoly(fine, shapes, 1, shift=SUBPIXEL_BITS)
    share = fine.reshape(height, FINER, width, FINER).mean(axis=(1, 3))
    return np.asarray(share >= 0.5, dtype=np.uint8)


def run_lengths(mask: NDArray[np.uint8]) -> dict[str, Any]:
    """Uncompressed run lengths as COCO has them: column after column, beginning with zeros."""
    flat = mask.ravel(order="F")
    changes = np.flatnonzero(np.diff(flat)) + 1
    counts = np.diff(np.concatenate([[0], changes, [flat.size]])).tolist()
    return {"size": list(mask.shape), "counts": counts if flat[0] == 0 else [0, *counts]}


# ---------------------------------------------------------------- import


def import_labels(desk: Desk, file: Path, who: str) -> tuple[int, int]:
    """Take rims, signs, their outlines and stages from a COCO file as a person's answers; earlier ones stay on record.

    Images are matched by their hash (``sha256``, or a file name that is one).

    Returns
    -------
    taken, left
        Images taken, and images that are not of this grove or hold nothing to take.

    Raises
    ------
    UsageError
        If the file is not COCO, or an outline in it cannot be used.
    """
    content = _read(file)
    names = {c["id"]: c["name"] for c in content["categories"] if isinstance(c.get("name"), str)}
    by_image: dict[int, list[dict[str, Any]]] = {}
    for annotation in content["annotations"]:
        by_image.setdefault(annotation["image_id"], []).append(annotation)
    rows: list[tuple[int, list[Review]]] = []
    for image in content["images"]:
        found = _reviews(desk, image, by_image.get(image["id"], []), names, who, file.name)
        if found:
            rows.append((found[0].site or 0, found))
    for site, found in rows:
        entry = LogEntry(desk.now(), who, "imported labels", f"site {site}", {"file": file.name})
        desk.store.answer_case(found, site, desk.store.last_review(site), entry)
    for tree in sorted({desk.register.sites[site].tree for site, _ in rows}):
        desk.assess(tree)
    return len(rows), len(content["images"]) - len(rows)


def _read(file: Path) -> dict[str, list[dict[str, Any]]]:
    try:
        if file.stat().st_size > MAX_IMPORT_BYTES:
            raise UsageError(f"The file {file} is too large.", "Split it.")
        content = json.loads(file.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise UsageError(f"The file {file} cannot be read: {error.strerror}.", "Check the path.") from None
    except (ValueError, RecursionError):
        raise UsageError(f"The file {file} is not JSON.", "Export it again as COCO.") from None
    needed = {"images": ("id",), "annotations": ("image_id", "category_id", "segmentation"), "categories": ("id",)}
    for name, keys in needed.items():
        part = content.get(name) if isinstance(content, dict) else None
        if not isinstance(part, list) or not all(isinstance(e, dict) and all(k in e for k in keys) for e in part):
            raise UsageError(
                f"The file {file} is not COCO: '{name}' is missing or lacks {', '.join(keys)}.", "Export it again."
            )
    return {name: content[name] for name in needed}


def _reviews(
    desk: Desk,
    image: dict[str, Any],
    annotations: Iterable[dict[str, Any]],
    names: dict[Any, str],
    who: str,
    source: str,
) -> list[Review]:
    stem = str(image.get("file_name", "")).rpartition("/")[2].partition(".")[0]
    sha256 = str(image.get("sha256") or stem)
    result, place = (
        (desk.store.result_of(sha256), pictures.place_of(desk, sha256)) if pictures.is_hash(sha256) else (None, None)
    )
    if not isinstance(result, Reading) or place is None:
        return []
    scale = place.width_px / float(image.get("width") or place.width_px)
    rims_px, signs = [], set()
    extents: dict[Sign, list[Polygon]] = {}
    for annotation in annotations:
        name = names.get(annotation["category_id"], "")
        if name == APERTURE:
            rims_px += _outlines(annotation["segmentation"], scale, place, stem)
        elif name in NAMES:
            signs.add(Sign(name))
            if annotation.get("outline_by") != BY_NETWORK:
                outlines = _outlines(annotation["segmentation"], scale, place, stem)
                extents.setdefault(Sign(name), []).extend(outlines)
    basis = Review(who, desk.now(), ReviewAnswer.NOTE, result.site, sha256, payload={"from": source})
    rows = [_with(basis, ReviewAnswer.CONFIRMED, sign=sign) for sign in Sign if sign in signs]
    stage = next((s for s in Stage if s.word == image.get("stage")), None)
    if stage is not None:
        rows.append(
            _with(basis, ReviewAnswer.CONFIRMED if stage is result.stage else ReviewAnswer.CORRECTED, stage=stage)
        )
    main = rims.largest(rims_px)
    if main is not None:
        rows.append(_with(basis, ReviewAnswer.CORRECTED, rim=main))
    rows += [
        _with(basis, ReviewAnswer.CORRECTED, sign=sign, extent=shapes) for sign, shapes in extents.items() if shapes
    ]
    if rows:
        verdict = Verdict.SIGN.value if signs else None
        lead = {"is_lead": True, "verdict": verdict, "signs": sorted(s.value for s in signs), "kind": "import",
                "stage": None if stage is None else int(stage)}  # fmt: skip
        rows[0] = Review(**{**_fields(rows[0]), "payload": {**rows[0].payload, **lead}})
    return rows


def _with(
    basis: Review,
    answer: ReviewAnswer,
    sign: Sign | None = None,
    stage: Stage | None = None,
    rim: Polygon = (),
    extent: Sequence[Polygon] = (),
) -> Review:
    payload = {**basis.payload, **({"rim_mm": [list(p) for p in rim]} if rim else {})}
    payload |= {"extent_mm": [[list(p) for p in shape] for shape in extent]} if extent else {}
    return Review(**{**_fields(basis), "answer": answer, "sign": sign, "stage": stage, "payload": payload})


def _fields(review: Review) -> dict[str, Any]:
    return {name: getattr(review, name) for name in Review.__dataclass_fields__}


def _outlines(segmentation: object, scale: float, place: Place, image: str) -> list[Polygon]:
    """Outlines of an annotation in mm, from polygons or run lengths."""
    try:
        if isinstance(segmentation, list):
            shapes = [np.asarray(part, dtype=np.float64).reshape(-1, 2) * scale for part in segmentation]
            return [rims.parse_rim(json.dumps(to_mm(shape, place)), place.window) for shape in shapes]
        if isinstance(segmentation, dict):
            return _of_run_lengths(segmentation, place)
    except (ValueError, TypeError, KeyError):
        pass
    raise UsageError(f"An outline of image {image} cannot be used.", "Export it again as polygons.")


def _of_run_lengths(content: dict[str, Any], place: Place) -> list[Polygon]:
    counts, (height, width) = content["counts"], content["size"]
    if not isinstance(counts, list) or (width, height) != (place.width_px, place.height_px):
        raise ValueError("compressed or of another size")
    if sum(counts) != width * height or min(counts, default=0) < 0:
        raise ValueError("run lengths do not fill the picture")
    flat = np.repeat(np.arange(len(counts)) % 2, counts).astype(np.float32)
    map_ = flat.reshape((height, width), order="F")
    window = place.window
    patch = SitePatch(
        np.zeros((height, width, 3), np.uint8),
        np.ones((height, width), np.bool_),
        window.width_mm / width,
        window.left_mm,
        window.top_mm,
        place.source_px_per_mm,
    )
    found = rim_of_map.measure_region(map_, patch, 0.0)
    return [] if found is None else [p for p in found.outlines if rims.area_mm2(p) > 0]
