"""Every refusal has a code, and every code a sentence in each language and a drawing for the field hand."""

from __future__ import annotations

import ast
import pickle
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from pipeline.advice import ADVICE_FOR, SENTENCES, Advice, drawing
from pipeline.errors import PhotoRefused
from pipeline.intake.formats import ADVICE, PHOTO_FORMATS, Format
from pipeline.language import languages, speaker
from pipeline.records import RefusalCode

PIPELINE = Path(__file__).resolve().parents[2] / "pipeline"
PLAIN_DRAWING = {Advice.TAKE_AGAIN: "the program does not know more than that: there is nothing special to draw"}
"""Advice whose drawing may look like another's, with the reason."""


def codes_in(node: ast.AST) -> set[str]:
    return {
        n.attr
        for n in ast.walk(node)
        if isinstance(n, ast.Attribute) and isinstance(n.value, ast.Name) and n.value.id == "RefusalCode"
    }


def refusing_calls() -> list[tuple[str, int, ast.Call]]:
    """Every call in the program that refuses a photo: of the error itself, of the record, of the door's own maker."""
    found = []
    for path in sorted(PIPELINE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("PhotoRefused", "Refusal", "refused"):
                found.append((path.name, node.lineno, node))
    return found


def test_every_refusal_in_the_program_names_its_code() -> None:
    calls = refusing_calls()
    assert len(calls) > 25
    bare = []
    for name, line, call in calls:
        code = next((k.value for k in call.keywords if k.arg == "code"), None)
        if code is None and getattr(call.func, "id", "") == "refused":
            code = call.args[0]
        if code is None:
            bare.append(f"{name}:{line}")
    assert bare == []


def test_every_code_is_used_by_a_refusal() -> None:
    used = {name for path in PIPELINE.rglob("*.py") if path.name not in ("kinds.py", "clock_book.py")
            for name in codes_in(ast.parse(path.read_text(encoding="utf-8")))}  # fmt: skip
    assert {code.name for code in RefusalCode} - used == set()


def test_an_error_without_a_code_cannot_be_made() -> None:
    with pytest.raises(TypeError, match="code"):
        PhotoRefused("card", "No card.", "Take it again.")  # type: ignore[call-arg]
    again = pickle.loads(pickle.dumps(PhotoRefused("card", "No card.", "Again.", code=RefusalCode.NO_CARD)))
    assert (again.stage, again.reason, again.remedy, again.code) == ("card", "No card.", "Again.", RefusalCode.NO_CARD)


def test_every_file_that_is_no_photo_has_a_code() -> None:
    assert set(ADVICE) == set(Format) - PHOTO_FORMATS
    assert all(entry.code in RefusalCode for entry in ADVICE.values())


@pytest.mark.parametrize("code", RefusalCode)
def test_every_code_has_advice_in_every_language_and_a_drawing(code: RefusalCode) -> None:
    advice = ADVICE_FOR[code]
    # Only what is not known further may be answered with no more than "again".
    assert (advice is Advice.TAKE_AGAIN) == (code is RefusalCode.UNCODED)
    said = {language: speaker(language)(SENTENCES[advice]) for language in languages()}
    assert set(said) >= {"en", "th", "vi", "id"}
    assert len(set(said.values())) == len(said), said  # none is left in English
    assert drawing(advice, "").startswith("<svg")


def test_advice_fits_the_code() -> None:
    # What a person would say: common sense, no source outside the project.
    for code, advice in {
        RefusalCode.TOO_FAR: Advice.CLOSER,
        RefusalCode.BLURRED: Advice.HOLD_STILL,
        RefusalCode.BURNT_OUT: Advice.SHADE,
        RefusalCode.TOO_DARK: Advice.LIGHT,
        RefusalCode.DATE_IN_FUTURE: Advice.SET_CLOCK,
        RefusalCode.ARCHIVE: Advice.PHOTO_ONLY,
        RefusalCode.MIRRORED: Advice.NO_MIRROR,
        RefusalCode.SEVERAL_CARDS: Advice.ONE_CARD,
        RefusalCode.UNKNOWN_SITE: Advice.ASK_OFFICE,
    }.items():
        assert ADVICE_FOR[code] is advice, code


def test_different_advice_has_different_drawings() -> None:
    """A hand who cannot read has nothing else to go by."""
    drawn: dict[str, list[Advice]] = {}
    for advice in Advice:
        if advice not in PLAIN_DRAWING:
            drawn.setdefault(drawing(advice, ""), []).append(advice)
    assert [same for same in drawn.values() if len(same) > 1] == []


@pytest.mark.parametrize("advice", Advice)
def test_every_drawing_is_sound_xml_and_stays_in_its_frame(advice: Advice) -> None:
    root = ElementTree.fromstring(drawing(advice, 'say "so" & <so>'))
    assert root.get("aria-label") == 'say "so" & <so>'
    assert root.tag.endswith("svg")
    assert not [
        e for e in root.iter() if e.tag.rpartition("}")[2] not in ("svg", "g", "path", "rect", "circle", "ellipse")
    ]
    # nothing is fetched from elsewhere
    assert not re.search(r"href|url\(|<image|<script", drawing(advice, ""))


def test_every_advice_has_a_short_sentence() -> None:
    assert set(SENTENCES) == set(Advice)
    assert all(len(sentence.split()) <= 14 for sentence in SENTENCES.values())
