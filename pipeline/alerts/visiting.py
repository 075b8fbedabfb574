"""Rules on the visits themselves: overdue, not taken again, not the same place."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from pipeline.alerts import cautions
from pipeline.alerts.signs import evidence
from pipeline.alerts.view import SIGNS, plural, site_finding
from pipeline.records import Finding, Flag, Severity, Stage

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from pipeline.alerts.view import SiteView, TreeView

OVERDUE, RETAKE, PLACE = "visit overdue", "retake not done", "photo does not match its site"
AGAINST = "stage and opening disagree"
PERSISTS = 3
"""Visits in a row at which stage and opening disagree before a person is to look at the trunk."""


def interval_days(view: TreeView, site: SiteView) -> tuple[int, str]:
    """Days until the next visit is due, and the word for which: the stage, or 'suspect'."""
    table = view.settings.time.visit_interval_days
    word = site.last.stage.word if site.last else Stage.FRESH.word
    if any(evidence(view, site, sign) for sign in SIGNS):
        word = "suspect"
    return table.get(word, 30), word


def due_on(view: TreeView, site: SiteView) -> date | None:
    """Day from which the next visit counts as overdue; ``None`` where neither a visit nor the making is known."""
    days, _ = interval_days(view, site)
    since = site.last.visit_on if site.last else site.site.made_on
    return None if since is None else since + timedelta(days=round(days * view.settings.time.overdue_factor))


def overdue(view: TreeView) -> Iterator[Finding]:
    """No photo for longer than the stage asks for."""
    for site in view.sites:
        due = due_on(view, site)
        if due is None or view.today <= due:
            continue
        days, word = interval_days(view, site)
        since = site.last.visit_on if site.last else site.site.made_on
        gap = (view.today - since).days if since else 0
        seen = (
            f"was last photographed {plural(gap, 'day')} ago"
            if site.last
            else f"was never photographed in {plural(gap, 'day')}"
        )
        suspect = word == "suspect"
        yield site_finding(
            OVERDUE,
            site,
            Severity.LOOK if suspect else Severity.NOTE,
            due,
            why=(
                f"Site {site.site.site} ({'a sign is suspected' if suspect else word}) {seen}; "
                f"every {plural(days, 'day')} is asked for."
            ),
            figures={"days": float(gap), "interval_days": float(days)},
            threshold=f"{view.settings.time.overdue_factor:g} times the interval of the stage",
            source="own choice (visits every 3 months are a published design: Perry & Hickman 1987)",
            next_step="Photograph this site on the next walk.",
            caution=cautions.REACH,
            photos=[site.last.chosen_sha256] if site.last else [],
        )


def retake(view: TreeView) -> Iterator[Finding]:
    """A photo was refused and no readable one came since."""
    for site in view.sites:
        zone = view.settings.grove.zone
        refused = [r for r in view.refusals if r.site == site.site.site and r.taken_at is not None]
        dated = [(r.taken_at.astimezone(zone).date(), r.file, r) for r in refused if r.taken_at is not None]
        if not dated:
            continue
        on, _, refusal = max(dated, key=lambda entry: entry[:2])
        if (site.last and site.last.visit_on >= on) or (view.today - on).days <= view.limits.retake_days:
            continue
        yield site_finding(
            RETAKE,
            site,
            Severity.NOTE,
            on,
            why=(
                f"The photo of site {site.site.site} of {on.isoformat()} could not be read "
                f"({refusal.reason.rstrip('.')}), and none was taken in the "
                f"{plural(view.limits.retake_days, 'day')} after."
            ),
            figures={"days": float((view.today - on).days)},
            threshold=f"{view.limits.retake_days} days",
            source="own choice",
            next_step=refusal.remedy,
            caution=cautions.REACH,
        )


def wrong_place(view: TreeView) -> Iterator[Finding]:
    """The bark around the wound does not look like the visit before."""
    for site in view.sites:
        last = site.last
        if last is None or last.same_place is None or last.same_place >= view.limits.same_place_score:
            continue
        yield site_finding(
            PLACE,
            site,
            Severity.LOOK,
            last.visit_on,
            detail=last.visit_on.isoformat(),
            why=(
                f"The bark around site {site.site.site} on {last.visit_on.isoformat()} does not match the visit before "
                f"(score {last.same_place:.2f})."
            ),
            figures={"same_place": last.same_place},
            threshold=f"score below {view.limits.same_place_score:g}",
            source="own choice",
            next_step="Check that the card hangs at its own wound; photograph again, or write down that it was moved.",
            caution=cautions.CARD,
            photos=[last.chosen_sha256],
        )


def against(view: TreeView) -> Iterator[Finding]:
    """The stage says closed and an opening is measured, or the other way round: nobody may rely on either."""
    for site in view.wounds():
        last = site.current[-1]
        if Flag.STAGE_AGAINST_OPENING not in last.flags:
            continue
        run = 0
        while run < len(site.current) and Flag.STAGE_AGAINST_OPENING in site.current[-1 - run].flags:
            run += 1
        since, width, sd = site.current[-run], last.aperture_width_mm or 0.0, last.aperture_width_mm_sd or 0.0
        measured = f"an opening {width:.1f} \u00b1 {1.96 * sd:.1f} mm wide" if width > 0 else "no opening"
        yield site_finding(
            AGAINST,
            site,
            Severity.LOOK if run >= PERSISTS else Severity.NOTE,
            since.visit_on,
            why=(
                f"The photos of site {site.site.site} look {last.stage.word}, yet {measured} was measured on "
                f"{last.visit_on.isoformat()}; one of them is wrong"
                + (f", at {plural(run, 'visit')} in a row." if run > 1 else ".")
            ),
            figures={"width_mm": width, "width_mm_sd": sd, "visits": float(run)},
            threshold=(
                f"closed, and an opening surely (95 %) wider than {view.settings.time.closed_width_mm:g} mm; or not "
                f"yet closing, and no opening; {PERSISTS} visits in a row ask for a look"
            ),
            source="definition: a closed wound shows no opening; bound of the seam: own choice",
            next_step="Is there an opening? Say so in the review, and photograph again, sharp and straight on.",
            caution=cautions.SURFACE,
            photos=[last.chosen_sha256],
        )
