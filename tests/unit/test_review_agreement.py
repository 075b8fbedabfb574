"""Agreement figures against published tables and reference libraries."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.stats import binomtest
from sklearn.metrics import cohen_kappa_score

from pipeline.records import Review, ReviewAnswer, Sign
from pipeline.review.agreement import agreement, kappa_weighted, wilson

AT = datetime(2026, 7, 1, tzinfo=UTC)


class Book:
    """Answers with running numbers."""

    def __init__(self) -> None:
        self.reviews: list[Review] = []

    def say(self, who: str, photo: int, signs: list[Sign], **more: object) -> None:
        payload = {"is_lead": True, "verdict": "sign" if signs else "not", "signs": [s.value for s in signs], **more}
        number = len(self.reviews) + 1
        self.reviews.append(
            Review(who, AT, ReviewAnswer.CONFIRMED, 1, f"{photo:064x}", payload=dict(payload), id=number)
        )


def two_people(table: list[list[int]], stages: bool = False) -> Book:
    book, photo = Book(), 0
    for i, line in enumerate(table):
        for j, count in enumerate(line):
            for _ in range(count):
                photo += 1
                first, second = ([Sign.CONK] if k == 1 and not stages else [] for k in (i, j))
                extra = ({"stage": i}, {"stage": j}) if stages else ({}, {})
                book.say("Lek", photo, first, kind="flagged", **extra[0])
                book.say("Rin", photo, second, kind="second", blind=True, **extra[1])
    return book


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        # two by two tables of equal observed agreement and different margins (textbook examples; closed form
        # kappa = (po - pe) / (1 - pe), Cohen 1960)
        ([[20, 5], [10, 15]], 0.4000),
        ([[45, 15], [25, 15]], 0.1304),
        ([[25, 35], [5, 35]], 0.2593),
    ],
)
def test_two_people_on_one_sign(table: list[list[int]], kappa: float) -> None:
    figures = agreement(two_people(table).reviews, 0.5)
    row = next(r for r in figures.people if r.words == "conk")
    assert row.kappa.value == pytest.approx(kappa, abs=5e-5)
    assert row.table == tuple(tuple(line) for line in table)
    assert row.kappa.lo < kappa < row.kappa.hi
    assert figures.pairs == sum(map(sum, table))


def test_stages_are_weighted_quadratically() -> None:
    # table of Fleiss, Cohen & Everitt 1969 as stage counts; quadratic kappa 0.566667 (scikit-learn agrees)
    figures = agreement(two_people([[106, 10, 4], [22, 28, 10], [2, 12, 6]], stages=True).reviews, 0.5)
    row = next(r for r in figures.people if r.words == "stage")
    assert row.kappa.value == pytest.approx(0.566667, abs=1e-6)
    assert row.share == pytest.approx(140 / 200)


def test_weighted_cases_count_as_often_as_their_weight() -> None:
    rng = np.random.default_rng(1)
    first, second = rng.integers(0, 3, 80), rng.integers(0, 3, 80)
    weights = rng.integers(1, 5, 80)
    expected = cohen_kappa_score(np.repeat(first, weights), np.repeat(second, weights), weights="quadratic")
    assert kappa_weighted(first, second, weights.astype(float), 3, "quadratic") == pytest.approx(expected)


@pytest.mark.parametrize(("count", "of"), [(0, 10), (3, 40), (17, 17), (1, 1), (250, 1000)])
def test_wilsons_interval_as_scipy_has_it(count: int, of: int) -> None:
    found, expected = wilson(count, of), binomtest(count, of).proportion_ci(method="wilson")
    assert (found.lo, found.hi) == (pytest.approx(expected.low), pytest.approx(expected.high))


def test_no_case_says_nothing() -> None:
    assert (wilson(0, 0).lo, wilson(0, 0).hi) == (0.0, 1.0)
    assert agreement([], 0.5).people == () and agreement([], 0.5).network == ()


def test_only_blind_answers_judge_the_network() -> None:
    book = Book()
    network = {"green_film": 0.9, "stage": 3.0}
    for photo in range(10):
        book.say("Lek", photo, [Sign.GREEN_FILM], kind="flagged", blind=False, network=network)
    assert agreement(book.reviews, 0.5).network == ()
    for photo in range(20, 26):
        book.say("Lek", photo, [Sign.GREEN_FILM] * (photo < 24), kind="flagged", blind=True, network=network, share=0.1)
    for photo in range(30, 40):
        signs = [Sign.CONK] if photo == 30 else []
        book.say("Lek", photo, signs, kind="unflagged", blind=True, network={"green_film": 0.1}, share=0.02)
    figures = agreement(book.reviews, 0.5)
    assert (figures.missed.count, figures.missed.of) == (1, 10)
    assert (figures.false_alarms.count, figures.false_alarms.of) == (2, 6)
    row = next(r for r in figures.network if r.words == "green film")
    # weights 10 for the flagged and 50 for the unflagged: (4 x 10 + 10 x 50) / (6 x 10 + 10 x 50)
    assert row.share == pytest.approx(540 / 560)


def test_an_answer_taken_back_or_replaced_does_not_count() -> None:
    book = two_people([[20, 5], [10, 15]])
    last = book.reviews[-1]
    book.reviews.append(Review("Rin", AT, ReviewAnswer.NOTE, 1, last.sha256, replaces=last.id, id=last.id + 1))
    assert agreement(book.reviews, 0.5).pairs == 49


def test_a_second_answer_that_knew_the_first_is_no_witness() -> None:
    book = Book()
    book.say("Lek", 1, [Sign.CONK], kind="flagged")
    book.say("Rin", 1, [], kind="disagreement", resolves=True)
    assert agreement(book.reviews, 0.5).pairs == 0
