"""A way of one photo that is quick and knows its answer, for tests of the run itself.

A "photo" is a small JSON text that says what should come of it.  Everything round it is real: files,
inbox, copies, database, worker processes.  It lives in a module so that worker processes find it.
"""

from __future__ import annotations

import json
import os
import time
from datetime import datetime
from pathlib import Path

import numpy as np

from pipeline import grove
from pipeline.flow import PhotoRead, ReadContext
from pipeline.grove import Grove
from pipeline.records import PhotoStage, Reader, Refusal, RefusalCode, SitePatch
from tests import made_records as made

MODEL = "stand-in 1"
SITES = "site,tree,stem,kind\n205,A-012,1,window\n206,A-012,1,window\n207,B-001,1,drill hole\n"


def make_grove(folder: Path, **options: object) -> Grove:
    """A grove with three sites on two trees; files count as finished at once."""
    if not (folder / "grove.yaml").exists():
        grove.create(folder, "Test grove", "Asia/Bangkok")
        (folder / "register" / "trees.csv").write_text("tree\nA-012\nB-001\n")
        (folder / "register" / "sites.csv").write_text(SITES)
    quick = {"intake.settle_s": 0, "intake.cut_off_wait_s": 0, "run.batch": 4}
    return grove.open_grove(folder, options={**quick, **options}, environment={})


def drop(inbox: Path, file: str, **says: object) -> bytes:
    """Put a "photo" into the inbox; gives its bytes."""
    content = json.dumps({"name": file, "site": 205, "taken_at": "2026-05-03T09:00:00+07:00"} | says).encode()
    path = inbox / file
    path.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_name(f".{path.name}.part")
    half.write_bytes(content)
    half.replace(path)
    return content


def open_reader(name: str) -> tuple[Reader, str]:
    return no_reader, name if name.startswith("stand-in") else MODEL


def no_reader(patch: SitePatch):
    raise AssertionError("the stand-in looks at no patch")


def read_photo(data: bytes, file: str, sha256: str, context: ReadContext, reader: Reader) -> PhotoRead | Refusal:
    says = json.loads(data)
    if "sleep_s" in says:
        time.sleep(says["sleep_s"])
    match says.get("do", "read"):
        case "refuse":
            return Refusal(
                file, sha256, PhotoStage.CARD, "No card was found.", "Take it again.",
                datetime.fromisoformat(says["taken_at"]), code=RefusalCode.NO_CARD, device=says.get("device", ""),
            )  # fmt: skip
        case "raise":
            raise KeyError("a fault of the program")
        case "die":
            os._exit(11)
        case "no number":
            says["width"] = float("nan")
    if says["site"] not in context.register.sites:
        return Refusal(
            file,
            sha256,
            PhotoStage.CARD,
            f"Site {says['site']} is not in the register.",
            "Add it.",
            code=RefusalCode.UNKNOWN_SITE,
        )
    taken_at = datetime.fromisoformat(says["taken_at"])
    reading = made.reading(
        file,
        site=says["site"],
        taken_at=taken_at,
        sha256=sha256,
        visit_on=taken_at.astimezone(context.settings.grove.zone).date(),
        aperture_width_mm=says.get("width", 20.0),
        model=context.model,
        settings=context.settings.reading_hash,
        device=says.get("device", ""),
    )
    rgb = np.full((8, 8, 3), 120, np.uint8)
    return PhotoRead(reading, SitePatch(rgb, np.ones((8, 8), np.bool_), 0.5, -2.0, -52.0, 4.0), None)  # type: ignore[arg-type]
