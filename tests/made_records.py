"""Invented records for tests of the store, the run and the export: plain makers."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime

from pipeline.records import (
    Arrival,
    Finding,
    Flag,
    Outlines,
    PhotoStage,
    Reading,
    Refusal,
    Severity,
    Sign,
    SignReading,
)

NOON = datetime(2026, 5, 3, 12, 0, tzinfo=UTC)
MODEL, SETTINGS, PROGRAM = "classical 1", "0123456789ab", "0.1.0"


def sha(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()


def arrival(file: str, content: str = "", at: datetime = NOON) -> Arrival:
    digest = sha(content or file)
    return Arrival(file, digest, len(content or file), f"{digest[:2]}/{digest}.jpg", at)


def reading(file: str, site: int = 205, taken_at: datetime = NOON, **changes: object) -> Reading:
    values: dict[str, object] = {
        "file": file,
        "sha256": sha(file),
        "site": site,
        "taken_at": taken_at,
        "visit_on": taken_at.date(),
        "stage_p": (0.0, 0.1, 0.7, 0.2, 0.0, 0.0),
        "signs": {sign: SignReading(0.02, 0.0, None) for sign in Sign},
        "not_a_site_p": 0.01,
        "aperture_area_mm2": 512.25,
        "aperture_area_mm2_sd": 6.5,
        "aperture_width_mm": 20.5,
        "aperture_width_mm_sd": 0.3,
        "aperture_height_mm": 31.0,
        "aperture_height_mm_sd": 0.4,
        "aperture_perimeter_mm": 83.0,
        "aperture_perimeter_mm_sd": 0.9,
        "new_tissue_width_mm": 3.25,
        "wood_lab": (61.0, 8.0, 22.0),
        "wood_lab_sd": (1.0, 0.5, 0.5),
        "scale_px_per_mm": 5.5,
        "view_angle_deg": 8.0,
        "sharpness_mm": 0.4,
        "flags": Flag.GIRTH_ASSUMED,
        "outlines": Outlines(aperture=(((-10.0, -60.0), (10.0, -60.0), (0.0, -90.0)),)),
        "model": MODEL,
        "settings": SETTINGS,
    }
    return Reading(**(values | changes))  # type: ignore[arg-type]


def refusal(file: str, **changes: object) -> Refusal:
    values: dict[str, object] = {
        "file": file,
        "sha256": sha(file),
        "stage": PhotoStage.CARD,
        "reason": "No card was found.",
        "remedy": "Take it again with the whole card in the picture.",
    }
    return Refusal(**(values | changes))  # type: ignore[arg-type]


def finding(key: str = "stalled/site 205/episode 1", **changes: object) -> Finding:
    values: dict[str, object] = {
        "key": key,
        "rule": key.split("/")[0],
        "severity": Severity.LOOK,
        "tree": "A-012",
        "stem": "1",
        "site": 205,
        "since": date(2026, 4, 1),
        "why": "The rim has not moved for 80 days.",
        "figures": {"advance_mm_per_month": 0.05},
        "threshold": "0.15 mm a month for 75 days of growing season",
        "source": "common practice, no source",
        "next_step": "Look at the rim.",
        "caution": "",
        "photos": (sha("a"),),
    }
    return Finding(**(values | changes))  # type: ignore[arg-type]
