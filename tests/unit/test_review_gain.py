"""The order of the queue in which labels teach most: doubt and variety, without what is judged, and stable."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from PIL import Image

from pipeline import cache
from pipeline.records import Flag, Sign
from pipeline.review.answers import Filled, record
from pipeline.review.gain import GainOrder, case_doubt, looks, unsure_of
from pipeline.review.queue import LABEL_WORDS, Filters, Queue
from pipeline.review.verdicts import Verdict
from tests.review_grove import TODAY, add_visit, desks

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.review import Desk

GAIN = Filters(order="gain")


template, desk = desks(trees=4, visits=1)


def judge(desk: Desk, queue: Queue, site: int) -> None:
    sha256 = desk.store.last_looks([site])[-1].sha256
    form = Filled(sha256, desk.store.last_review(site), Verdict.NOT, frozenset(), "", "", None, (), False, "")
    record(desk, site, form, "Lek", queue.task(site, "Lek", GAIN))


def test_cases_that_nobody_flagged_are_asked_about_and_judged_ones_are_not(desk: Desk) -> None:
    queue = Queue(desk)
    flagged = {task.case.site for task in queue.tasks("Lek")}
    wanted = queue.tasks("Lek", GAIN)
    assert {task.case.site for task in wanted} == set(desk.register.sites)
    assert flagged < set(desk.register.sites)
    quiet = next(task for task in wanted if task.case.site not in flagged)
    assert (quiet.kind, quiet.reasons) == ("label", (LABEL_WORDS,))
    judge(desk, queue, quiet.case.site)
    left = [task.case.site for task in queue.tasks("Lek", GAIN)]
    assert left == [task.case.site for task in wanted if task.case.site != quiet.case.site], "the order stays"
    assert queue.task(quiet.case.site, "Lek", GAIN) is None


def test_doubt_goes_before_certainty(desk: Desk) -> None:
    cases = Queue(desk).cases()
    # Sites with a green film at p = 0.9 are less sure than those at 0.02 (entropy: 0.47 against 0.14 bits).
    sure, unsure = cases[20], cases[10]
    assert case_doubt(unsure) > case_doubt(sure)
    assert unsure_of(unsure) == "green film" or unsure_of(unsure) == "the stage"
    order = GainOrder(desk).order(cases)
    assert sorted(order) == sorted(cases)
    assert cases[order[0]].sign_p[Sign.GREEN_FILM] == pytest.approx(0.9)


def test_new_photos_make_the_order_anew(desk: Desk) -> None:
    queue = Queue(desk)
    before = [task.case.site for task in queue.tasks("Lek", GAIN)]
    add_visit(desk.store, desk.grove, before[-1], TODAY, 20.0, True, Flag.UNSURE_SIGN)
    again = [task.case.site for task in queue.tasks("Lek", GAIN)]
    assert set(again) == set(before)
    assert again.index(before[-1]) < len(again) - 1


def test_looks_tell_green_from_brown_and_survive_a_missing_patch(desk: Desk, tmp_path: Path) -> None:
    plain, green = tmp_path / "a.jpg", tmp_path / "b.jpg"
    base = np.full((384, 384, 3), (138, 118, 96), np.uint8)
    Image.fromarray(base).save(plain)
    base[:128, :128] = (92, 122, 66)
    Image.fromarray(base).save(green)
    first, second = looks(plain), looks(green)
    assert first is not None
    assert second is not None
    assert first.shape == second.shape == (21,)
    moved = np.flatnonzero(np.abs(first - second) > 0.05)
    assert 9 in moved, "the greenness of the upper left field"
    assert looks(tmp_path / "none.jpg") is None
    cases = Queue(desk).cases()
    cache.patch_path(desk.grove.cache, cases[10].photos[-1]).unlink()
    assert sorted(GainOrder(desk).order(cases)) == sorted(cases)


def test_the_command_lists_them(tmp_path: Path) -> None:
    from click.testing import CliRunner

    from pipeline.cli import cli
    from pipeline.grove import create

    create(tmp_path / "g", "Pillar grove", "Asia/Bangkok")
    done = CliRunner().invoke(cli, ["review", str(tmp_path / "g"), "--label-next", "5"])
    assert done.exit_code == 0, done.output
    assert "Label these next" in done.output
