"""The answer as a page for a phone without signal, and as plain text."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipeline.advice import SENTENCES, Advice, drawing
from pipeline.language import languages, n_, speaker
from pipeline.rounds.page import replace_file
from pipeline.rounds.words import HOW, KINDS_OF_STOP, where_it_stands

if TYPE_CHECKING:
    from collections.abc import Callable

    from jinja2 import Environment

    from pipeline.answers.day import DayAnswer, FolderAnswer, Verdict
    from pipeline.language import Say

TEMPLATES = Path(__file__).resolve().parent / "templates"
ANSWER, ROUND = "ANSWER", "ROUND"
"""Names, without their ending, of what Woundwood writes into the inbox; the scanner leaves them alone."""
MISSING_SHOWN = 80
NOTE = "READ ME.txt"
NOTE_SENTENCES = (
    n_("Put photos of wound sites here; folders by person or by day are fine."),
    HOW,
    n_("Send photos as files, so that they keep their date."),
    n_("After a minute ANSWER.html beside your photos says which ones to take again."),
    n_("Photos leave this folder once they are kept safely. Nothing is deleted."),
)
DOUBLES_NAMED = 8
"""Files that had come before, and are named."""
EARLIER_SHOWN = 100
"""Accepted photos of an earlier day that are named; the others are counted."""


def write_answer(
    answer: FolderAnswer,
    folder: Path,
    *,
    grove_name: str,
    language: str,
    thumbnail: Callable[[str], str] = lambda _: "",
    photos_shown: int = 300,
) -> tuple[Path, Path]:
    """Write ``ANSWER.html`` and ``ANSWER.txt``, each replaced as a whole; unchanged ones are left untouched.

    Parameters
    ----------
    folder
        Where to.
    thumbnail
        Gives a small picture of a photo as a ``data:`` address, or ``""`` if there is none.
    photos_shown
        Accepted photos shown one by one, the latest; the others are counted.
    """
    say = speaker(language)
    content = _content(answer, say, photos_shown)
    content |= {"grove": grove_name, "language": language.partition("_")[0], "_": say}
    environment = _environment()
    html = environment.get_template("answer.html").render(**content, thumbnail=thumbnail)
    text = environment.get_template("answer.txt").render(**content)
    return replace_file(folder / f"{ANSWER}.html", html), replace_file(folder / f"{ANSWER}.txt", text)


def write_note(inbox: Path, language: str) -> None:
    """Say in the grove's language what the inbox is for, in place of our own note in another language."""
    path = inbox / NOTE
    try:
        first = path.read_text(encoding="utf-8").partition("\n")[0].strip()
    except (OSError, UnicodeDecodeError):
        return
    if first in {speaker(code)(NOTE_SENTENCES[0]) for code in languages()}:
        say = speaker(language)
        replace_file(path, "\n\n".join(say(sentence) for sentence in NOTE_SENTENCES) + "\n")


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

    return Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=select_autoescape(["html"]), undefined=StrictUndefined,
        trim_blocks=True, lstrip_blocks=True, keep_trailing_newline=True,
    )  # fmt: skip


def _content(answer: FolderAnswer, say: Say, photos_shown: int) -> dict[str, Any]:
    trees: list[dict[str, Any]] = []
    for stop in answer.missing[:MISSING_SHOWN]:
        if not trees or trees[-1]["tree"] != stop.site.tree:
            trees.append({"tree": stop.site.tree, "place": where_it_stands(stop.tree, say), "stops": []})
        trees[-1]["stops"].append({"site": stop.site.site, "why": say(KINDS_OF_STOP[stop.kind])})
    return {
        **_day(answer.last, say, photos_shown),
        "folder": answer.folder,
        "missing": trees,
        "missing_count": len(answer.missing),
        "missing_more": max(0, len(answer.missing) - MISSING_SHOWN),
        "doubts": [{"words": doubt.words(say), "sha256": doubt.photo.sha256} for doubt in answer.doubts],
        "ask": drawing(Advice.ASK_OFFICE, ""),
        "earlier": [_day(day, say, EARLIER_SHOWN) for day in answer.earlier],
    }


def _day(answer: DayAnswer, say: Say, photos_shown: int) -> dict[str, Any]:
    again = [v for v in answer.again if not v.mended]
    return {
        "day": answer.arrived_on.isoformat(),
        "again": [_row(v, say) for v in again],
        "mended": len(answer.again) - len(again),
        "accepted": [_row(v, say) for v in answer.accepted[:photos_shown]],
        "accepted_count": len(answer.accepted),
        "waiting": answer.waiting,
        "doubles": len(answer.doubles),
        "double_names": ", ".join(file.rpartition("/")[2] for file in answer.doubles[:DOUBLES_NAMED]),
    }


def _row(verdict: Verdict, say: Say) -> dict[str, Any]:
    sentence = say(SENTENCES[verdict.advice]) if verdict.advice else ""
    return {
        "file": verdict.file.rpartition("/")[2],
        "sha256": verdict.sha256,
        "site": "" if verdict.site is None else str(verdict.site),
        "tree": verdict.tree,
        "taken": say("taken {day}").format(day=verdict.taken_on.isoformat()) if verdict.taken_on else "",
        "day": verdict.taken_on.isoformat() if verdict.taken_on else "",
        "advice": sentence,
        "drawing": drawing(verdict.advice, sentence) if verdict.advice else "",
    }
