"""What a training run leaves behind its weights: figures on calibration scenes, a card, the worst errors as a picture.

They are for the person who trains: nothing is calibrated yet, and the test cases are not touched.
"""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING, Any

import cv2

from pipeline.learn import card, sets
from pipeline.learn.evaluate import scene_figures
from pipeline.learn.figures import as_json
from pipeline.learn.generator import Banks
from pipeline.learn.montage import Error, errors, montage
from pipeline.learn.sheet import Sheet, by_network, sign_maps
from pipeline.network import Calibration

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.learn.data import Collection
    from pipeline.learn.net import WoundNet
    from pipeline.network import FeatureStatistics

TEMPLATE = card.TEMPLATES / "run.md"
WORST_OF = 2 * sets.CHUNK
"""Calibration scenes among which the worst errors are looked for."""


def look(
    net: WoundNet, collection: Collection | None, count: int, size_px: int, calibration: Calibration,
    known: FeatureStatistics | None = None,
) -> tuple[Sheet, list[Error]]:  # fmt: skip
    """What a network makes of the first ``count`` calibration scenes, and what of it is wrong; on the network's device.

    Without a collection scenes have drawn bark only.
    """
    device = next(net.parameters()).device
    banks = collection.banks("val") if collection is not None else Banks()
    sheets: list[Sheet] = []
    found: list[Error] = []
    for batch in sets.scenes(banks, sets.VAL_SEED, count, size_px, device):
        sheet, _, read = by_network(net, batch, calibration, known)
        sheets.append(sheet)
        found += errors(batch, read, sign_maps(net, batch), sheet)
    return Sheet.cat(sheets), found


def finish(folder: Path, net: WoundNet, collection: Collection | None, count: int, size_px: int) -> None:
    """Write ``metrics.json``, ``card.md`` and ``worst.png`` into a run folder.

    Parameters
    ----------
    net
        The averaged network, as :func:`pipeline.learn.train.run` returns it.
    count
        Calibration scenes to look at.
    """
    calibration = Calibration.neutral()
    sheet, found = look(net.eval(), collection, count, size_px, calibration)
    cv2.imwrite(str(folder / "worst.png"), montage(found))
    settings = json.loads((folder / "settings.json").read_text(encoding="utf-8"))
    metrics: dict[str, Any] = {
        "calibration scenes": as_json(scene_figures(sheet, 200)), "plan": {"scenes": count, "size_px": size_px},
        "seed": sets.VAL_SEED, "settings": settings, "curve": last_of(folder / "curves.csv"),
        "photographs": collection is not None,
    }  # fmt: skip
    (folder / "metrics.json").write_text(json.dumps(metrics, indent=1) + "\n", encoding="utf-8")
    text = card.fill(card.read_template(TEMPLATE), folder.name, metrics, calibration)
    (folder / "card.md").write_text(text, encoding="utf-8")


def last_of(curves: Path) -> dict[str, str]:
    """The last row of the curves; empty where none was written."""
    if not curves.is_file():
        return {}
    with curves.open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    return rows[-1] if rows else {}
