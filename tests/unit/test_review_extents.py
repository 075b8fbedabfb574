"""How far a sign reaches: drawn on a case, kept in mm, shown, taken back, and carried by labels both ways."""

from __future__ import annotations

import contextlib
import io
import json
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest
from pycocotools.coco import COCO

from pipeline.errors import UsageError
from pipeline.records import ReviewAnswer, Sign, Window
from pipeline.review import answers, rims
from pipeline.review.answers import Filled, record, take_back
from pipeline.review.cases import case_view
from pipeline.review.coco import export_labels, import_labels
from pipeline.review.queue import Queue
from pipeline.review.verdicts import Verdict
from tests.review_grove import clone, desks, ellipse

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.review import Desk
    from pipeline.review.answers import Recorded
    from pipeline.review.cases import CaseView

# the independent reader's own call into NumPy, not ours
pytestmark = pytest.mark.filterwarnings("ignore:__array__ implementation:DeprecationWarning")
SITE = 10
WINDOW = Window(-88.0, 88.0, -228.0, -52.0)
FILM = (ellipse(30, -110, 14, 20, 30), ellipse(-40, -180, 6, 9, 24))
CONK = (ellipse(-30, -90, 8, 5, 20),)

template, desk = desks(trees=2, visits=2)


def answer(desk: Desk, verdict: Verdict, *signs: Sign, who: str = "Lek", **more: object) -> Recorded:
    last = desk.store.last_looks([SITE])[-1].sha256
    form = Filled(last, desk.store.last_review(SITE), verdict, frozenset(signs), "", "", None, (), False, "")
    return record(desk, SITE, replace(form, **more), who, Queue(desk).task(SITE, who))


def seen(desk: Desk) -> CaseView:
    view = case_view(desk, SITE, None)
    assert view is not None
    return view


def form(desk: Desk, **fields: list[str]) -> dict[str, list[str]]:
    last = desk.store.last_looks([SITE])[-1].sha256
    return {"photo": [last], "seen": ["0"], "verdict": ["sign"], "sign": ["green_film"], **fields}


def test_a_drawn_sign_is_shown_with_its_name_until_it_is_taken_back(desk: Desk) -> None:
    as_read = seen(desk).extents[Sign.GREEN_FILM]
    assert not seen(desk).extents_by
    done = answer(desk, Verdict.SIGN, Sign.GREEN_FILM, Sign.CONK, extents={Sign.GREEN_FILM: FILM, Sign.CONK: CONK})
    view = seen(desk)
    assert set(view.extents[Sign.GREEN_FILM]) == set(FILM) and view.extents[Sign.CONK] == CONK
    assert view.extents_by == {Sign.GREEN_FILM: "Lek", Sign.CONK: "Lek"}
    drawn = [shape.words for shape in view.now.shapes if shape.kind == "green_film"]
    assert drawn == ["green film, drawn by Lek"] * 2
    # what the reader measured stays: drawn and read areas side by side would look like growth
    last = view.history.visits[-1]
    assert last.signs[Sign.GREEN_FILM].area_mm2 == pytest.approx(1206.0)
    take_back(desk, SITE, done.lead.lead, desk.store.last_review(SITE), "Lek")
    assert seen(desk).extents[Sign.GREEN_FILM] == as_read
    assert not seen(desk).extents_by


def test_an_extent_stays_until_its_sign_is_seen_no_more(desk: Desk) -> None:
    both = {Sign.GREEN_FILM: FILM, Sign.CONK: CONK}
    answer(desk, Verdict.SIGN, Sign.GREEN_FILM, Sign.CONK, extents=both)
    answer(desk, Verdict.SIGN, Sign.GREEN_FILM, Sign.CONK, extents={Sign.CONK: FILM[1:]})
    assert seen(desk).extents == {Sign.GREEN_FILM: FILM, Sign.CONK: FILM[1:]}
    answer(desk, Verdict.SIGN, Sign.GREEN_FILM)
    assert set(seen(desk).extents_by) == {Sign.GREEN_FILM}
    answer(desk, Verdict.NOT)
    assert not seen(desk).extents_by
    assert sum("extent_mm" in review.payload for review in desk.store.reviews()) == 3, "all rows stay"


def test_the_newest_persons_outline_counts(desk: Desk) -> None:
    answer(desk, Verdict.SIGN, Sign.GREEN_FILM, extents={Sign.GREEN_FILM: FILM})
    answer(desk, Verdict.SIGN, Sign.GREEN_FILM, who="Rin", extents={Sign.GREEN_FILM: CONK})
    assert seen(desk).extents_by == {Sign.GREEN_FILM: "Rin"}
    assert seen(desk).extents[Sign.GREEN_FILM] == CONK


def test_a_blind_case_shows_no_outline(desk: Desk) -> None:
    answer(desk, Verdict.SIGN, Sign.GREEN_FILM, extents={Sign.GREEN_FILM: FILM})
    view = case_view(desk, SITE, None, blind=True)
    assert view is not None and not view.extents and not view.extents_by


def test_a_form_says_where_the_ticked_signs_are(desk: Desk) -> None:
    text = json.dumps({"green_film": [list(FILM[0])], "conk": [list(CONK[0])]})
    filled = answers.read_form(form(desk, extent=[text]), desk, SITE)
    assert filled.extents == {Sign.GREEN_FILM: FILM[:1]}, "a sign that is not ticked has no extent"
    right = answers.read_form(form(desk, extent_right=["green_film"]), desk, SITE)
    assert right.extents == {Sign.GREEN_FILM: ()}
    record(desk, SITE, right, "Lek", Queue(desk).task(SITE, "Lek"))
    (note,) = [r for r in desk.store.reviews() if r.payload.get("extent") == "accepted"]
    assert (note.answer, note.sign) == (ReviewAnswer.NOTE, Sign.GREEN_FILM)
    none = answers.read_form(form(desk, verdict=["not"], extent=[text]), desk, SITE)
    assert not none.extents


CROSSED = [[0, -100], [10, -110], [10, -100], [0, -110]]
SQUARE = [[0, -100], [10, -100], [10, -110], [0, -110]]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[", "cannot be read"),
        ("[]", "cannot be read"),
        ('{"rust": []}', "cannot be read"),
        ('{"conk": 7}', "cannot be read"),
        (json.dumps({"conk": [CROSSED]}), "conk crosses itself"),
        (json.dumps({"conk": [SQUARE] * 13}), "at most 12"),
        (json.dumps({"conk": [[[0, -100], [10, -100], [500, -110]]]}), "outside the patch"),
        (json.dumps({"conk": [[[0, -100], [10, -100], [0, None]]]}), "cannot be read"),
        ("[" * 5000, "cannot be read"),
    ],
)
def test_extents_that_cannot_be_taken_say_why(text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        rims.parse_extents(text, WINDOW)


def test_labels_carry_the_persons_outline_and_come_back(template: Desk, desk: Desk, tmp_path: Path) -> None:
    answer(desk, Verdict.SIGN, Sign.GREEN_FILM, Sign.CONK, extents={Sign.GREEN_FILM: FILM})
    assert export_labels(desk, tmp_path / "out") == (1, 1)
    with contextlib.redirect_stdout(io.StringIO()):
        coco = COCO(str(tmp_path / "out" / "labels.json"))
    (note,) = coco.loadAnns(coco.getAnnIds())
    assert coco.loadCats([note["category_id"]])[0]["name"] == "green_film"
    assert note["outline_by"] == "Lek"
    step = coco.loadImgs([note["image_id"]])[0]["mm_per_px"]
    # closed form: half-axes a, b give pi a b; pycocotools rasters both patches into one mask
    area = np.pi * (14 * 20 + 6 * 9)
    assert coco.annToMask(note).sum() * step**2 == pytest.approx(area, rel=0.04)
    other = clone(template, tmp_path / "other")
    assert import_labels(other, tmp_path / "out" / "labels.json", "Rin") == (1, 0)
    (drawn,) = [r for r in other.store.reviews(sites=[SITE]) if "extent_mm" in r.payload]
    assert drawn.sign is Sign.GREEN_FILM
    for shape, given in zip(drawn.payload["extent_mm"], FILM, strict=True):
        assert np.allclose(shape, given, atol=0.02)
    other.store.close()


def test_a_networks_outline_does_not_become_a_persons_on_the_way(template: Desk, desk: Desk, tmp_path: Path) -> None:
    answer(desk, Verdict.SIGN, Sign.GREEN_FILM)
    export_labels(desk, tmp_path / "out")
    content = json.loads((tmp_path / "out" / "labels.json").read_text())
    assert [note["outline_by"] for note in content["annotations"]] == ["network"]
    other = clone(template, tmp_path / "other")
    import_labels(other, tmp_path / "out" / "labels.json", "Rin")
    assert not [r for r in other.store.reviews(sites=[SITE]) if "extent_mm" in r.payload]
    other.store.close()
    answer(desk, Verdict.SIGN, Sign.GREEN_FILM, extents={Sign.GREEN_FILM: ()})
    export_labels(desk, tmp_path / "right")
    content = json.loads((tmp_path / "right" / "labels.json").read_text())
    assert [note["outline_by"] for note in content["annotations"]] == ["Lek"], "called right by a person"
