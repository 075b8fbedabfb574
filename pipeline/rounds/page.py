"""The walk as one page (A4 paper, and a phone without signal) and as a table."""

from __future__ import annotations

import csv
import io
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.advice import SENTENCES, drawing
from pipeline.language import speaker
from pipeline.rounds.plan import Kind
from pipeline.rounds.words import CAUTIONS, HOW, KINDS_OF_STOP, SIGN_CAUTION, where_it_stands, where_on_trunk

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.language import Say
    from pipeline.rounds.plan import Round, Stop, Unplaced

TEMPLATES = Path(__file__).resolve().parent / "templates"
COLUMNS = (
    "order", "tree", "stem", "site", "place", "why", "kind", "height_cm", "bearing_deg", "last_visit_on", "due_on",
    "stage", "reason", "what_to_do", "caution",
)  # fmt: skip


def write_page(
    walk: Round, path: Path, *, grove_name: str, language: str, thumbnail: Callable[[str], str] = lambda _: ""
) -> Path:
    """Write the walk as one HTML file that needs nothing beside it; replaced as a whole.

    ``thumbnail`` gives a small picture of a photo, by its hash, as a ``data:`` address, or ``""`` if there is none.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    say = speaker(language)
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    trees: list[dict[str, Any]] = []
    for number, stop in enumerate(walk.stops, 1):
        if not trees or trees[-1]["tree"] != stop.site.tree:
            trees.append({"tree": stop.site.tree, "place": where_it_stands(stop.tree, say), "stops": []})
        trees[-1]["stops"].append(_row(number, stop, say))
    text = environment.get_template("round.html").render(
        _=say,
        language=language.partition("_")[0],
        grove=grove_name,
        day=walk.today.isoformat(),
        trees=trees,
        counts=[(say(KINDS_OF_STOP[kind]), walk.count(kind)) for kind in Kind if walk.count(kind)],
        unplaced=[_unplaced(u, say) | {"picture": thumbnail(u.refusal.sha256)} for u in walk.unplaced],
        cautions=[say(sentence) for sentence in CAUTIONS],
        how=say(HOW),
    )
    return replace_file(path, text)


def _row(number: int, stop: Stop, say: Say) -> dict[str, Any]:
    sign = any(finding.rule.startswith("sign") for finding in stop.alerts)
    return {
        "number": number,
        "site": stop.site.site,
        "stem": "" if stop.site.stem == "1" else stop.site.stem,
        "kind": stop.kind.value,
        "why": say(KINDS_OF_STOP[stop.kind]),
        "where": where_on_trunk(stop.site, say),
        "last": "" if stop.last_on is None else stop.last_on.isoformat(),
        "due": "" if stop.due_on is None else stop.due_on.isoformat(),
        "advice": say(SENTENCES[stop.advice]) if stop.advice else "",
        "drawing": drawing(stop.advice, say(SENTENCES[stop.advice])) if stop.advice else "",
        "caution": say(SIGN_CAUTION) if sign else say(CAUTIONS[1]) if stop.alerts else "",
    }


def _unplaced(lost: Unplaced, say: Say) -> dict[str, str]:
    sentence = say(SENTENCES[lost.advice])
    return {"file": lost.refusal.file, "advice": sentence, "drawing": drawing(lost.advice, sentence)}


def write_csv(walk: Round, path: Path) -> Path:
    """Write the walk as a table for a spreadsheet; in English, units in the names, empty where not known."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(COLUMNS)
    for number, stop in enumerate(walk.stops, 1):
        site = stop.site
        writer.writerow([
            number, _cell(site.tree), _cell(site.stem), site.site, _cell(where_it_stands(stop.tree, str)),
            stop.kind.value, site.kind.value, _figure(site.height_cm), _figure(site.bearing_deg),
            stop.last_on or "", stop.due_on or "", stop.stage,
            stop.refusal.reason if stop.refusal else "", stop.refusal.remedy if stop.refusal else "",
            " ".join(dict.fromkeys(finding.caution for finding in stop.alerts)),
        ])  # fmt: skip
    return replace_file(path, buffer.getvalue())


def _cell(text: str) -> str:
    """Text that a spreadsheet takes for text and not for a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text


def _figure(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def replace_file(path: Path, text: str) -> Path:
    """Write a file so that a reader, or a program that syncs the folder, never sees half of it.

    A file that already says the same is left untouched, so that nothing is synced for nothing.  A folder that is not
    there is not made: where a share was pulled, nothing must grow in its place.
    """
    content = text.encode("utf-8")
    try:
        if path.read_bytes() == content:
            return path
    except OSError:
        pass  # not there yet, or not readable: it is written
    half = path.with_name(f".{path.name}.{os.getpid()}.part")
    half.write_bytes(content)
    half.replace(path)
    return path
