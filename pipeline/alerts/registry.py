"""All rules, in the order in which a person reads them."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.alerts import asked, closure, signs, stem, visiting
from pipeline.alerts.view import TreeView
from pipeline.records import Finding, Severity

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence
    from datetime import date

    from pipeline.records import Question, Refusal, Register, Review, SiteHistory
    from pipeline.settings import Settings

URGENCY = {Severity.ACT: 0, Severity.LOOK: 1, Severity.NOTE: 2}


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule: its name as in alerts and docs, the settings that it reads, and its function."""

    name: str
    settings: tuple[str, ...]
    sees: Callable[[TreeView], Iterable[Finding]]


RULES: tuple[Rule, ...] = (
    Rule(
        signs.SUSPECTED,
        (
            "alerts.sign_p",
            "alerts.sign_two_photos_p",
            "alerts.sign_present_p",
            "alerts.sign_sure_p",
            "alerts.sign_sure_area_mm2",
            "alerts.sign_area_mm2",
            "alerts.sign_memory_days",
        ),
        signs.suspected,
    ),
    Rule(signs.CONFIRMED, (), signs.confirmed),
    Rule(
        signs.SPREADING,
        ("alerts.sign_growth_factor", "alerts.sign_growth_mm2", "alerts.spread_radius_m", "alerts.spread_p"),
        signs.spreading,
    ),
    Rule(
        closure.ENLARGED,
        ("alerts.enlarged_width_mm", "alerts.enlarged_area_share", "alerts.enlarged_p", "alerts.event_slack_days"),
        closure.enlarged,
    ),
    Rule(
        closure.STALLED,
        (
            "alerts.stalled_advance_mm_per_month",
            "alerts.stalled_p",
            "alerts.stalled_young_days",
            "grove.growing_months",
        ),
        closure.stalled,
    ),
    Rule(closure.REOPENED, (), closure.reopened),
    Rule(closure.OPEN_LONG, ("alerts.open_after_months",), closure.open_long),
    Rule(stem.GIRDLED, ("alerts.girdled_shares",), stem.girdled),
    Rule(visiting.OVERDUE, ("time.visit_interval_days", "time.overdue_factor"), visiting.overdue),
    Rule(visiting.RETAKE, ("alerts.retake_days",), visiting.retake),
    Rule(asked.ASKED, (), asked.photo_asked_for),
    Rule(visiting.PLACE, ("alerts.same_place_score",), visiting.wrong_place),
    Rule(visiting.AGAINST, ("time.closed_width_mm", "time.odd_size_p", "time.odd_visit_p"), visiting.against),
    Rule(closure.IMPLAUSIBLE, ("alerts.implausible_advance_mm_per_month",), closure.implausible),
    Rule(closure.REBARKED, (), closure.rebarked),
)


def find(
    histories: Sequence[SiteHistory],
    register: Register,
    settings: Settings,
    today: date,
    reviews: Sequence[Review] = (),
    refusals: Sequence[Refusal] = (),
) -> tuple[Finding, ...]:
    """Everything that the rules see in one tree today, most urgent first.

    Parameters
    ----------
    histories
        The tree's sites over time, also those without visits.
    reviews, refusals
        Answers of people and refused photos; those of other sites do no harm.

    Returns
    -------
    tuple of Finding
        Each ``key`` once; the order does not depend on the order of the input.
    """
    view = TreeView(tuple(histories), register, settings, today, tuple(reviews), tuple(refusals))
    return find_in(view)


def questions(
    histories: Sequence[SiteHistory], register: Register, settings: Settings, today: date
) -> tuple[Question, ...]:
    """What only a person knows of this tree, e.g. whether wood was taken out where an opening grew."""
    return questions_in(TreeView(tuple(histories), register, settings, today))


def questions_in(view: TreeView) -> tuple[Question, ...]:
    """The same for a view made before."""
    return tuple(closure.questions(view))


def find_in(view: TreeView, screened: Mapping[str, Collection[int]] | None = None) -> tuple[Finding, ...]:
    """The same for a view made before.

    Parameters
    ----------
    screened
        Sites that a rule need look at (``screen.SCREENS``); a rule that is not among them looks at all.
    """
    found: dict[str, Finding] = {}
    for rule in RULES:
        of_rule = view if screened is None or rule.name not in screened else view.only(screened[rule.name])
        if of_rule.sites:
            found |= {finding.key: finding for finding in rule.sees(of_rule)}
    order = {rule.name: i for i, rule in enumerate(RULES)}
    return tuple(sorted(found.values(), key=lambda f: (URGENCY[f.severity], order[f.rule], f.key)))
