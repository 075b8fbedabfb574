"""Every way to refuse a photo has its own sentence and drawing for the field hand."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from xml.etree import ElementTree

import pytest

from pipeline.advice import SENTENCES, Advice, advice_for, drawing

PIPELINE = Path(__file__).resolve().parents[2] / "pipeline"
DOOR = ("card.py", "flow.py", "quality.py", "surface.py", "crew.py", "intake/__init__.py", "intake/decode.py",
        "intake/formats.py", "intake/times.py")  # fmt: skip


def texts(node: ast.expr) -> list[str]:
    """Every sentence that an expression can give; figures become 7."""
    if isinstance(node, ast.Constant):
        return [node.value] if isinstance(node.value, str) else []
    if isinstance(node, ast.JoinedStr):
        found = [""]
        for part in node.values:
            more = texts(part.value) if isinstance(part, ast.FormattedValue) else texts(part)
            found = [a + b for a in found for b in (more or ["7"])]
        return found
    if isinstance(node, ast.IfExp):
        return texts(node.body) + texts(node.orelse)
    return []


def reasons() -> list[str]:
    """Reasons of refusals as they stand in the source: of each call that makes one, and of what feeds such a call."""
    found: list[str] = []
    for name in DOOR:
        tree = ast.parse((PIPELINE / name).read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                called = getattr(node.func, "id", "")
                if called == "PhotoRefused" and len(node.args) == 3:
                    found += texts(node.args[1])
                elif called in ("refused", "Advice") and len(node.args) == 2:
                    found += texts(node.args[0])
                elif called == "Refusal":
                    found += [text for k in node.keywords if k.arg == "reason" for text in texts(k.value)]
            elif isinstance(node, ast.FunctionDef) and node.name == "clock_problem":
                found += [t for r in ast.walk(node) if isinstance(r, ast.Return) and r.value for t in texts(r.value)]
    return sorted({text for text in found if text})


def test_the_walk_through_the_source_finds_the_refusals() -> None:
    assert len(reasons()) > 35
    assert any("blurred" in reason for reason in reasons())
    assert any("in the future" in reason for reason in reasons())


@pytest.mark.parametrize("reason", reasons())
def test_every_refusal_has_its_own_advice(reason: str) -> None:
    assert advice_for(reason) is not Advice.TAKE_AGAIN, reason


def test_advice_fits_the_reason() -> None:
    # What the sentence of the refusal says, said by a person: no source outside the project.
    for reason, advice in {
        "The photo was taken from too far away (0.7 pixels a millimetre of bark).": Advice.CLOSER,
        "The photo is blurred: an edge on the card is 4.0 mm wide.": Advice.HOLD_STILL,
        "80% of the bark is burnt out in the photo.": Advice.SHADE,
        "80% of the bark is black in the photo.": Advice.LIGHT,
        "The photo is dated 2031-01-01, which is in the future.": Advice.SET_CLOCK,
        "The file is a ZIP archive or an office document.": Advice.PHOTO_ONLY,
        "Something new.": Advice.TAKE_AGAIN,
    }.items():
        assert advice_for(reason) is advice, reason


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
