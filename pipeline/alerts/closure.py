"""Rules on how a wound closes: enlarged, stalled, reopened, open for long, rebarked, too fast to be true."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np

from pipeline.advance import advance_between, area_own_sd, own_sd, width_change_between, width_line, width_own_sd
from pipeline.alerts import cautions
from pipeline.alerts.standstill import standstills
from pipeline.alerts.view import SEEMS_LARGER, plural, site_finding
from pipeline.changes import MOST_VISITS, OPENING_PRIOR, motion_of, opened_between
from pipeline.records import Finding, Question, Severity, Stage
from pipeline.seasons import DAYS_A_MONTH, growing_days

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator, Sequence
    from datetime import date

    from pipeline.alerts.standstill import Standstill
    from pipeline.alerts.view import SiteView, TreeView
    from pipeline.changes import Motion
    from pipeline.records import Visit

ENLARGED, STALLED, REOPENED = "aperture enlarged without an event", "closure stalled", "reopened"
OPEN_LONG, REBARKED, IMPLAUSIBLE = "still open after 36 months", "closed and rebarked", "implausible rate"
WIDTH_DOUBT, AREA_DOUBT = 2.5, 3.0
"""Standard uncertainties by which a growth must be beyond doubt where it cannot be weighed; own choice."""
UNWEIGHED_MM = 2.0
"""Growth of the width, also since the visit before, that is asked about where it cannot be weighed; own choice."""
LATER_VISITS = 3
"""Visits after a growth that may confirm it or speak against it; own choice."""
WEIGHED_DOUBT = 1.0
"""The same, in width or in area, from which on it is weighed; own choice."""
BASELINE_VISITS, BASELINE_LEAST = 5, 3
"""Visits before, at most and at least, through which the expected width is drawn."""
LEAST_SEEN_SHARE = 0.25
"""Share of the threshold by which the width must have grown since the visit before, whatever was expected."""
ALMOST_CLOSED_MM = 2.5
"""Narrower openings are about to close and cannot stall."""


def enlarged(view: TreeView) -> Iterator[Finding]:
    """The opening grew and no cut, cleaning or drilling is written down: a question, not a rate."""
    for site, before, after, figures in _enlargements(view):
        yield _enlarged_finding(view, site, before, after, figures)


def questions(view: TreeView) -> Iterator[Question]:
    """What only a person knows of an opening that grew; the answer may become an event."""
    for site, before, after, _ in _enlargements(view):
        start, end = before.visit_on, after.visit_on
        yield Question(
            key=f"opened/site {site.site.site}/{start.isoformat()}/{end.isoformat()}",
            site=site.site.site,
            asked_on=view.today,
            from_on=start,
            to_on=end,
            words=(
                f"Was wood taken out or the wound cleaned at site {site.site.site} between {start.isoformat()} and "
                f"{end.isoformat()}? Its opening grew, and no event is written down."
            ),
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Grown:
    """A seeming growth: its visits and figures, whether it is beyond doubt, the motion, and its gap there."""

    before: Visit
    after: Visit
    figures: dict[str, float]
    sure: bool
    motion: Motion | None
    gap: int


def _enlargements(view: TreeView) -> Iterator[tuple[SiteView, Visit, Visit, dict[str, float]]]:
    """The latest growth of each site's opening that no event explains and no later visit undoes."""
    weigh_openings([view])
    for site in view.wounds():
        grown = cast("_Grown | None", view.memo[ENLARGED, site.site.site])
        if grown is not None:
            yield site, grown.before, grown.after, grown.figures


def weigh_openings(views: Sequence[TreeView]) -> None:
    """Weigh the growths of many trees at once, for :func:`enlarged`; what was weighed before is left."""
    waiting: list[tuple[TreeView, int, list[_Grown]]] = []
    for view in views:
        known = view.memo
        sites = [site for site in view.wounds() if (ENLARGED, site.site.site) not in known]
        waiting += [(view, site.site.site, list(_seeming(view, site))) for site in sites]
    motions = [g.motion for _, _, growths in waiting for g in growths if g.motion is not None]
    gaps = [g.gap for _, _, growths in waiting for g in growths if g.motion is not None]
    weighed = iter(opened_between(motions, gaps, OPENING_PRIOR))
    for view, number, growths in waiting:
        believed: list[_Grown] = []
        for grown in growths:
            if grown.motion is not None:
                grown.figures["p"] = next(weighed)
            if grown.figures["p"] >= view.limits.enlarged_p if "p" in grown.figures else grown.sure:
                believed.append(grown)
        view.memo[ENLARGED, number] = believed[0] if believed else None


def _seeming(view: TreeView, site: SiteView) -> Iterator[_Grown]:
    """Growths worth weighing, the latest first."""
    visits = site.sized
    screened = cast("Collection[date] | None", view.memo.get((SEEMS_LARGER, site.site.site)))
    for i in range(len(visits) - 1, 0, -1):
        before, after = visits[i - 1], visits[i]
        if screened is not None and after.visit_on not in screened:
            continue
        if not _seems_larger(view, before, after) or _is_shut(before) or _explained(view, site, before, after):
            continue
        found = _growth(view, visits[max(0, i - BASELINE_VISITS) : i], after)
        if found is None or _undone(before, visits[i + 1 :]):
            continue
        figures, sure = found
        expected = (after.aperture_width_mm or 0.0) - figures.get("width_growth_mm", 0.0)
        # the filters know no closed wound: near closing they would expect less than nothing, and call any seam opened
        about_to_close = expected < ALMOST_CLOSED_MM
        motion, gap = (None, 0) if about_to_close else _motion_about(visits, i, view.growing)
        if motion is not None or sure:
            yield _Grown(before, after, figures, sure, motion, gap)


def _motion_about(visits: Sequence[Visit], i: int, growing: tuple[int, ...]) -> tuple[Motion | None, int]:
    """The motion about visit ``i``, with what came soon after, and the gap before that visit in it."""

    def is_measured(visit: Visit) -> bool:
        sizes = (visit.aperture_area_mm2, visit.aperture_width_mm, visit.aperture_height_mm)
        return bool(sizes[0]) and None not in sizes

    later = [v for v in visits[i + 1 : i + 1 + LATER_VISITS] if is_measured(v)]
    until = [v for v in visits[: i + 1] if is_measured(v)][len(later) - MOST_VISITS :]
    if len(until) < 2 or until[-1] is not visits[i]:
        return None, 0
    return motion_of([*until, *later], growing), len(until) - 2


def _is_shut(visit: Visit) -> bool:
    return visit.aperture_area_mm2 == 0 and visit.stage >= Stage.CLOSED


def _seems_larger(view: TreeView, before: Visit, after: Visit) -> bool:
    seen = (after.aperture_width_mm or 0.0) - (before.aperture_width_mm or 0.0)
    return (
        (after.aperture_area_mm2 or 0.0) > (before.aperture_area_mm2 or 0.0)
        or seen > LEAST_SEEN_SHARE * view.limits.enlarged_width_mm
        or (after.aperture_height_mm or 0.0) - (before.aperture_height_mm or 0.0) > view.limits.enlarged_width_mm
    )


def _growth(view: TreeView, earlier: Sequence[Visit], after: Visit) -> tuple[dict[str, float], bool] | None:
    """Figures of a seeming growth, and whether it is beyond doubt; ``None`` where it is not worth weighing.

    A growth of the height alone is never beyond doubt, but worth weighing: ends hardly close, so that it shows there.
    """
    limits, before = view.limits, earlier[-1]
    a1, a2 = before.aperture_area_mm2 or 0.0, after.aperture_area_mm2 or 0.0
    seen = (after.aperture_width_mm or 0.0) - (before.aperture_width_mm or 0.0)
    doubt, share = math.hypot(area_own_sd(before), area_own_sd(after)), limits.enlarged_area_share * a1
    larger, widened = a2 - a1 > max(share, WEIGHED_DOUBT * doubt), seen > LEAST_SEEN_SHARE * limits.enlarged_width_mm
    least, taller = limits.enlarged_width_mm, _taller(before, after, limits.enlarged_width_mm)
    width = _width_growth(view, earlier, after) if larger or widened or taller else None
    wider = width is not None and widened and width[0] > max(least, WEIGHED_DOUBT * width[1])
    if not (larger or wider or taller):
        return None
    sure = larger and a2 - a1 > AREA_DOUBT * doubt
    figures = {"area_before_mm2": a1, "area_after_mm2": a2}
    if width is not None:
        figures |= {"width_growth_mm": width[0], "width_growth_mm_sd": width[1]}
        sure = sure or (wider and min(width[0], seen) > max(UNWEIGHED_MM, WIDTH_DOUBT * width[1]))
    return figures, sure


def _taller(before: Visit, after: Visit, least_mm: float) -> bool:
    if before.aperture_height_mm is None or after.aperture_height_mm is None:
        return False
    own = [own_sd(v.aperture_height_mm, v.aperture_height_mm_sd, 0.5 * v.area_common_rel_sd) for v in (before, after)]
    return after.aperture_height_mm - before.aperture_height_mm > max(least_mm, WEIGHED_DOUBT * math.hypot(*own))


def _width_growth(view: TreeView, earlier: Sequence[Visit], after: Visit) -> tuple[float, float] | None:
    """How much wider the opening is than expected: than the visit before, or than a line through several visits before.

    The line is carried on in growing time, inward or level but never outward.
    """
    begin = earlier[0].visit_on
    months = np.array([growing_days(begin, v.visit_on, view.growing) / DAYS_A_MONTH for v in earlier])
    line = width_line(earlier, months) if len(earlier) >= BASELINE_LEAST and months[-1] > months[0] else None
    if line is None or after.aperture_width_mm is None:
        return width_change_between(earlier[-1], after)
    ahead = growing_days(begin, after.visit_on, view.growing) / DAYS_A_MONTH - float(months[-1])
    expected = max(0.0, -line.level - max(0.0, line.slope) * ahead)
    sd = float(np.sqrt(width_own_sd(after) ** 2 + line.level_sd**2 + (ahead * line.slope_sd) ** 2))
    return after.aperture_width_mm - expected, sd


def _explained(view: TreeView, site: SiteView, before: Visit, after: Visit) -> bool:
    slack = view.limits.event_slack_days
    return any(
        e.event.starts_episode and -slack <= (e.on - before.visit_on).days and (e.on - after.visit_on).days <= slack
        for e in site.history.events
    )


def _undone(before: Visit, later: Sequence[Visit]) -> bool:
    """Whether the next visit shows the old size again, so that the photo between was odd."""
    if not later or before.aperture_area_mm2 is None or later[0].aperture_area_mm2 is None:
        return False
    doubt = math.hypot(area_own_sd(before), area_own_sd(later[0]))
    return later[0].aperture_area_mm2 - before.aperture_area_mm2 <= doubt


def _enlarged_finding(
    view: TreeView, site: SiteView, before: Visit, after: Visit, figures: dict[str, float]
) -> Finding:
    limits = view.limits
    change = figures.get("width_growth_mm")
    wider = f", {change:.1f} mm wider than expected" if change is not None and change > 0 else ""
    weighed = f" Probability that it was made larger: {figures['p']:.2f}." if "p" in figures else ""
    start, end = before.visit_on.isoformat(), after.visit_on.isoformat()
    was, now = figures["area_before_mm2"], figures["area_after_mm2"]
    # a growth of the width or height may go with a smaller area
    grew = (
        f"grew from {was:.0f} to {now:.0f} mm2" if now > was else f"has another shape ({was:.0f}, then {now:.0f} mm2)"
    )
    return site_finding(
        ENLARGED,
        site,
        Severity.LOOK,
        after.visit_on,
        detail=end,
        why=(
            f"The opening of site {site.site.site} {grew}{wider} between {start} and {end}, and no event is written "
            f"down.{weighed}"
        ),
        figures=figures,
        threshold=(
            f"wider by {limits.enlarged_width_mm:g} mm, or larger by {100 * limits.enlarged_area_share:g} %, and made "
            f"larger with probability {limits.enlarged_p:g} or more"
            if weighed
            else f"wider by {UNWEIGHED_MM:g} mm and {WIDTH_DOUBT:g} standard uncertainties, or larger by "
            f"{100 * limits.enlarged_area_share:g} % and {AREA_DOUBT:g} standard uncertainties"
        ),
        source=(
            "own choice, from simulated groves; change of a motion, Willsky & Jones 1976; bark may die back at the rim "
            "of a young wound and make it larger (common practice)"
        ),
        next_step=(
            f"Was wood taken out here between {start} and {end}? If so, write the event down. If not, look at the rim: "
            "soft, sunken or loose bark needs a person."
        ),
        caution=cautions.REACH,
        photos=[before.chosen_sha256, after.chosen_sha256],
    )


def stalled(view: TreeView) -> Iterator[Finding]:
    """The sides of an open wound no longer draw together, in the growing season."""
    weigh_standstills([view])
    for site in view.wounds():
        case = cast("Standstill | None", view.memo.get((STALLED, site.site.site)))
        if case is not None and case.p >= view.limits.stalled_p:
            yield _stalled_finding(view, site, case)


def weigh_standstills(views: Sequence[TreeView]) -> None:
    """Weigh the wounds of many trees of one grove at once, for :func:`stalled`; what was weighed before is left."""
    waiting: dict[tuple[int, int], list[Visit]] = {}
    for i, view in enumerate(views):
        for site in view.wounds():
            if (STALLED, site.site.site) in view.memo:
                continue
            if not site.is_open or (site.sized[-1].aperture_width_mm or 0.0) < ALMOST_CLOSED_MM:
                continue
            young_days, begun = view.limits.stalled_young_days, site.wounded_on or site.sized[0].visit_on
            waiting[i, site.site.site] = [
                v for v in site.sized if growing_days(begun, v.visit_on, view.growing) >= young_days
            ]
    if waiting:
        slowest = views[0].limits.stalled_advance_mm_per_month
        cases = standstills(waiting.values(), views[0].growing, slowest)
        for (i, number), case in zip(waiting, cases, strict=True):
            views[i].memo[STALLED, number] = case


def _moved(side: float) -> str:
    return f"{'closed in by' if side >= 0 else 'went back by'} {abs(side):.2f}"


def _stalled_finding(view: TreeView, site: SiteView, case: Standstill) -> Finding:
    limits, last = view.limits, site.sized[-1]
    return site_finding(
        STALLED,
        site,
        Severity.LOOK,
        last.visit_on,
        why=(
            f"The sides of site {site.site.site} {_moved(case.advance)} mm a month each over "
            f"{plural(case.growing_days, 'day')} of growing season, from {case.since.visit_on.isoformat()} to "
            f"{last.visit_on.isoformat()}; before, they closed in by about {max(case.pace, 0.0):.2f}. "
            f"Probability that they stand still: {case.p:.2f}."
        ),
        figures={
            "p": case.p,
            "side_advance_mm_per_month": case.advance,
            "pace_before_mm_per_month": case.pace,
            "growing_days": float(case.growing_days),
        },
        threshold=(
            f"below {limits.stalled_advance_mm_per_month:g} mm a month, with probability {limits.stalled_p:g} or more"
        ),
        source=(
            "own choice, from simulated groves; change of a motion, Willsky & Jones 1976; the width controls closure, "
            "and only while the stem grows (Neely 1970)"
        ),
        next_step=(
            "Look at the rim for dry, sunken or soft bark, a foreign body, or resin that keeps it apart, and at "
            "the whole tree's growth."
        ),
        caution=cautions.SIZE,
        photos=[case.since.chosen_sha256, last.chosen_sha256],
    )


def reopened(view: TreeView) -> Iterator[Finding]:
    """An opening where the surface had closed, without an event."""
    for site in view.wounds():
        visits = site.sized
        shut = [i for i, v in enumerate(visits) if v.aperture_area_mm2 == 0 and v.stage >= Stage.CLOSED]
        if not shut or not site.is_open:
            continue
        closed, last = visits[shut[-1]], visits[-1]
        opened = visits[shut[-1] + 1]
        doubt = math.hypot(area_own_sd(closed), area_own_sd(last))
        if _explained(view, site, closed, opened) or (last.aperture_area_mm2 or 0.0) < WIDTH_DOUBT * doubt:
            continue
        yield site_finding(
            REOPENED,
            site,
            Severity.LOOK,
            opened.visit_on,
            why=(
                f"Site {site.site.site} showed no opening on {closed.visit_on.isoformat()} and shows one of "
                f"{last.aperture_area_mm2:.0f} mm2 on {last.visit_on.isoformat()}, and no event is written down."
            ),
            figures={"area_mm2": last.aperture_area_mm2 or 0.0, "area_mm2_sd": last.aperture_area_mm2_sd or 0.0},
            threshold=f"an opening beyond {WIDTH_DOUBT:g} standard uncertainties after a visit without one",
            source="definition: an aperture where the last valid visit showed none",
            next_step="Was it opened on purpose? If so, write the event down. If not, look at the seam.",
            caution=f"{cautions.SURFACE} {cautions.REACH}",
            photos=[closed.chosen_sha256, last.chosen_sha256],
        )


def open_long(view: TreeView) -> Iterator[Finding]:
    """A wound that is still open after the months set."""
    for site in view.wounds():
        begun, last = site.wounded_on, site.last
        if begun is None or last is None or not site.is_open:
            continue
        months = (last.visit_on - begun).days / DAYS_A_MONTH
        if months < view.limits.open_after_months:
            continue
        yield site_finding(
            OPEN_LONG,
            site,
            Severity.NOTE,
            last.visit_on,
            why=(
                f"Site {site.site.site} is still open {months:.0f} months after {begun.isoformat()} "
                f"({site.sized[-1].aperture_area_mm2:.0f} mm2)."
            ),
            figures={"months": months, "area_mm2": site.sized[-1].aperture_area_mm2 or 0.0},
            threshold=f"{view.limits.open_after_months} months",
            source="if not closed in about 3 years, speed of closure has little effect on decay (Perry & Hickman 1987)",
            next_step="Decide whether this wound is to close, and whether it should be worked on again.",
            caution=cautions.SURFACE,
            photos=[last.chosen_sha256],
        )


def rebarked(view: TreeView) -> Iterator[Finding]:
    """New bark at two visits: the grower may decide."""
    for site in view.wounds():
        last_two = site.current[-2:]
        if len(last_two) < 2 or any(v.stage is not Stage.REBARKED for v in last_two) or site.is_open:
            continue
        p = last_two[-1].stage_posterior[Stage.REBARKED] if last_two[-1].stage_posterior else 1.0
        yield site_finding(
            REBARKED,
            site,
            Severity.NOTE,
            last_two[0].visit_on,
            why=(
                f"New bark runs into the old at site {site.site.site} at two visits, "
                f"{last_two[0].visit_on.isoformat()} and {last_two[1].visit_on.isoformat()} (probability {p:.2f})."
            ),
            figures={"p": p},
            threshold="two visits in a row",
            source="own choice",
            next_step="The grower may decide whether this place rests on or is opened again.",
            caution=cautions.SURFACE,
            photos=[v.chosen_sha256 for v in last_two],
        )


def implausible(view: TreeView) -> Iterator[Finding]:
    """Closing faster than wood grows: the card, the site number or the photo needs a check."""
    limit = view.limits.implausible_advance_mm_per_month
    for site in view.wounds():
        visits = site.sized
        if len(visits) < 2:
            continue
        before, last = visits[-2], visits[-1]
        change = advance_between(before, last)
        days = (last.visit_on - before.visit_on).days
        if change is None or days <= 0:
            continue
        months = days / DAYS_A_MONTH
        sure = (change[0] - WIDTH_DOUBT * change[1]) / months
        if sure <= limit:
            continue
        yield site_finding(
            IMPLAUSIBLE,
            site,
            Severity.LOOK,
            last.visit_on,
            detail=last.visit_on.isoformat(),
            why=(
                f"The rim of site {site.site.site} would have advanced {change[0]:.1f} mm in {plural(days, 'day')}, "
                f"{change[0] / months:.0f} mm a month."
            ),
            figures={"advance_mm": change[0], "advance_mm_sd": change[1], "mm_per_month": change[0] / months},
            threshold=f"more than {limit:g} mm a month beyond {WIDTH_DOUBT:g} standard uncertainties",
            source=(
                "about twice the fastest edge growth seen in the tropics (above 70 mm a year, Delvaux et al. 2010, "
                "that is 6 mm a month)"
            ),
            next_step="Check that the card hangs at the right wound and upright, and photograph again.",
            caution=cautions.CARD,
            photos=[before.chosen_sha256, last.chosen_sha256],
        )
