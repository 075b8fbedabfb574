"""Rules on visible signs of possible fungal infection."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, cast

from pipeline.alerts import cautions
from pipeline.alerts.view import SIGNS, site_finding
from pipeline.presence import presence
from pipeline.records import EventKind, Finding, ReviewAnswer, Severity, Sign

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pipeline.alerts.view import SiteView, TreeView
    from pipeline.records import Review, Visit

RECENT_VISITS = 3
SUSPECTED, CONFIRMED, SPREADING = "sign suspected", "sign confirmed", "sign spreading"


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the last visits show of one sign at one site."""

    view: SiteView
    sign: Sign
    visits: tuple[Visit, ...]
    p: float
    present_p: float
    photos_showing: int
    area_mm2: float | None
    severity: Severity

    @property
    def since(self) -> Visit:
        """The first of the visits that show it."""
        return self.visits[0]


def suspected(view: TreeView) -> Iterator[Finding]:
    """A sign seen on two photos, or large and clearly on one; a single doubtful photo only asks for another one."""
    for site in view.sites:
        for sign in SIGNS:
            seen = evidence(view, site, sign)
            if seen is not None and _confirmation(view, site, sign) is None:
                yield _suspected_finding(view, seen)


def evidence(view: TreeView, site: SiteView, sign: Sign) -> Evidence | None:
    """Evidence for a sign in the last visits of a site, after what a person rejected; ``None`` where there is none."""
    key = ("evidence", site.site.site, sign)
    if key not in view.memo:
        view.memo[key] = _weighed(view, site, sign)
    return cast("Evidence | None", view.memo[key])


def _weighed(view: TreeView, site: SiteView, sign: Sign) -> Evidence | None:
    limits = view.limits
    visits = _recent(view, site, sign)
    showing = [v for v in visits if sign in v.signs and v.signs[sign].p >= limits.sign_two_photos_p]
    if not showing or not _still_there(site, showing):
        return None
    photos = [p for v in showing for p in v.sign_p_by_photo.get(sign, (v.signs[sign].p,))]
    count = sum(p >= limits.sign_two_photos_p for p in photos)
    best = max(showing, key=lambda v: v.signs[sign].p)
    p, area = best.signs[sign].p, max((v.signs[sign].area_mm2 or 0.0 for v in showing), default=0.0)
    if p < limits.sign_p and count < 2:
        return None
    present_p = _followed(site, sign, showing)
    plain = p >= limits.sign_sure_p and area >= limits.sign_sure_area_mm2
    look = plain or (count >= 2 and p >= limits.sign_p and present_p >= limits.sign_present_p)
    severity = Severity.LOOK if look else Severity.NOTE
    return Evidence(site, sign, tuple(showing), p, present_p, count, area or None, severity)


def _followed(site: SiteView, sign: Sign, showing: Sequence[Visit]) -> float:
    """The highest probability, after one of the visits that show it, that the sign is there; from all visits before."""
    visits = site.current
    shown = [v.sign_p_by_photo.get(sign, (v.signs[sign].p,) if sign in v.signs else ()) for v in visits]
    days = [v.visit_on.toordinal() for v in visits]
    after = dict(zip(days, presence(days, shown), strict=True))
    return max(after[v.visit_on.toordinal()] for v in showing)


def _recent(view: TreeView, site: SiteView, sign: Sign) -> list[Visit]:
    if not site.current:
        return []
    oldest = site.current[-1].visit_on - timedelta(days=view.limits.sign_memory_days)
    recent = [v for v in site.current[-RECENT_VISITS:] if v.visit_on >= oldest]
    rejected = _last_review(view, site, sign, ReviewAnswer.REJECTED)
    if rejected is None:
        return recent
    reviewed = [v for v in site.current if rejected.sha256 in v.photos or v.visit_on <= rejected.answered_on]
    known = max((v.signs[sign].area_mm2 or 0.0 for v in reviewed if sign in v.signs), default=0.0)
    grown = max(2.0 * known, known + view.limits.sign_area_mm2)
    return [
        v
        for v in recent
        if v.visit_on > rejected.answered_on and sign in v.signs and (v.signs[sign].area_mm2 or 0.0) > grown
    ]


def _still_there(site: SiteView, showing: Sequence[Visit]) -> bool:
    """A sign that the last two visits do not show is let go."""
    last_two = {v.visit_on for v in site.current[-2:]}
    return any(v.visit_on in last_two for v in showing)


def _last_review(view: TreeView, site: SiteView, sign: Sign, answer: ReviewAnswer) -> Review | None:
    if not view.reviews:
        return None
    taken_back = {r.replaces for r in view.reviews if r.replaces is not None}
    photos = {sha256 for v in site.history.visits for sha256 in v.photos}
    about = [
        r
        for r in view.reviews
        if r.sign is sign
        and (r.site == site.site.site or (r.site is None and r.sha256 in photos))
        and r.answer in (ReviewAnswer.CONFIRMED, ReviewAnswer.REJECTED)
        and (r.id == 0 or r.id not in taken_back)
    ]
    latest = max(about, key=lambda r: (r.at, r.id, r.sha256), default=None)
    return latest if latest is not None and latest.answer is answer else None


def _confirmation(view: TreeView, site: SiteView, sign: Sign) -> Review | None:
    """The answer that confirms a sign, unless the sick part was cleaned off since."""
    review = _last_review(view, site, sign, ReviewAnswer.CONFIRMED)
    if review is None:
        return None
    cleaned = any(
        e.event in (EventKind.CLEANED, EventKind.STEM_REMOVED) and e.on >= review.answered_on
        for e in site.history.events
    )
    return None if cleaned else review


def _suspected_finding(view: TreeView, seen: Evidence) -> Finding:
    limits, sign, site = view.limits, seen.sign, seen.view
    size = f", up to {seen.area_mm2 / 100:.1f} cm2" if seen.area_mm2 else ""
    photos = f"{seen.photos_showing} photo{'' if seen.photos_showing == 1 else 's'}"
    why = (
        f"{sign.words.capitalize()} may be present at site {site.site.site}: shown by {photos} of the last "
        f"{len(site.current[-RECENT_VISITS:])} visits{size}, at most with probability {seen.p:.2f}; from all visits "
        f"together {seen.present_p:.2f}."
    )
    if seen.severity is Severity.NOTE:
        step = "Take another photo of this site within a week, in even light, square to the trunk."
    else:
        step = "A person should look at the photos, confirm or reject the sign, and look at the trunk."
    return site_finding(
        SUSPECTED,
        site,
        seen.severity,
        seen.since.visit_on,
        detail=sign.value,
        why=why,
        figures={
            "p": seen.p,
            "present_p": seen.present_p,
            "photos": float(seen.photos_showing),
            "area_mm2": seen.area_mm2 or 0.0,
        },
        threshold=(
            f"one photo with probability {limits.sign_p:g} asks for another photo; two photos with "
            f"{limits.sign_two_photos_p:g} and {limits.sign_present_p:g} over all visits, or one with "
            f"{limits.sign_sure_p:g} that shows {limits.sign_sure_area_mm2:g} mm2, ask for a person"
        ),
        source="own choice, to be tuned with the grove's own reviews",
        next_step=step,
        caution=cautions.SIGN + _inoculated(site),
        photos=[v.chosen_sha256 for v in seen.visits],
    )


def _inoculated(site: SiteView) -> str:
    days = [e.on for e in site.history.events if e.event is EventKind.INOCULATED]
    return cautions.INOCULATED.format(day=max(days).isoformat()) if days else ""


def confirmed(view: TreeView) -> Iterator[Finding]:
    """A person confirmed a sign, and no cleaning is written down since."""
    for site in view.sites:
        for sign in SIGNS:
            review = _confirmation(view, site, sign)
            if review is None:
                continue
            who = f" by {review.who}" if review.who else ""
            yield site_finding(
                CONFIRMED,
                site,
                Severity.ACT,
                review.answered_on,
                detail=sign.value,
                why=(
                    f"{sign.words.capitalize()} at site {site.site.site} was confirmed{who} on "
                    f"{review.answered_on.isoformat()}, and no cleaning is written down since."
                ),
                figures={"days": float((view.today - review.answered_on).days)},
                threshold="one answer of a person",
                source="a person's answer outweighs the reader",
                next_step=(
                    "Decide at the trunk whether the sick part or the stem has to come off, and write down what was "
                    "done. A plant pathologist with a culture can name the cause."
                ),
                caution=cautions.SIGN + _inoculated(site),
                photos=[review.sha256] if review.sha256 else [],
            )


def spreading(view: TreeView) -> Iterator[Finding]:
    """A sign that grew between visits, or stands at several sites of one stem."""
    for site in view.sites:
        for sign in SIGNS:
            found = _grown(view, site, sign)
            if found is not None:
                yield found
    for (tree, stem), sites in view.stems.items():
        for sign in SIGNS:
            yield from _on_stem(view, tree, stem, sites, sign)


def _grown(view: TreeView, site: SiteView, sign: Sign) -> Finding | None:
    limits = view.limits
    if evidence(view, site, sign) is None:
        return None
    showing = [v for v in site.current if sign in v.signs and v.signs[sign].p >= limits.sign_p]
    if len(showing) < 2 or showing[-1] is not site.current[-1]:
        return None
    first, last = showing[0], showing[-1]
    before, now = first.signs[sign].area_mm2, last.signs[sign].area_mm2
    if before is None or now is None:
        return None
    if now < limits.sign_growth_factor * before or now - before < limits.sign_growth_mm2:
        return None
    is_confirmed = _confirmation(view, site, sign) is not None
    return site_finding(
        SPREADING,
        site,
        Severity.ACT if is_confirmed else Severity.LOOK,
        last.visit_on,
        detail=sign.value,
        why=(
            f"{sign.words.capitalize()} at site {site.site.site} grew from {before / 100:.1f} to {now / 100:.1f} cm2 "
            f"between {first.visit_on.isoformat()} and {last.visit_on.isoformat()}."
        ),
        figures={"area_before_mm2": before, "area_now_mm2": now},
        threshold=f"grown {limits.sign_growth_factor:g} times and by {limits.sign_growth_mm2:g} mm2",
        source="own choice; a margin that moves outward is the test of an active canker (Univ. Florida canker page)",
        next_step="Look at this trunk first. Mark the sign's edge on the bark and photograph again within a week.",
        caution=cautions.SIGN,
        photos=[first.chosen_sha256, last.chosen_sha256],
    )


def _on_stem(view: TreeView, tree: str, stem: str, sites: Sequence[SiteView], sign: Sign) -> Iterator[Finding]:
    seen = [e for e in (evidence(view, site, sign) for site in sites) if e and e.severity is Severity.LOOK]
    sure = [site for site in sites if _confirmation(view, site, sign) is not None]
    numbers = sorted({e.view.site.site for e in seen} | {site.site.site for site in sure})
    if len(numbers) < 2:
        return
    listed = ", ".join(str(number) for number in numbers)
    since = max([e.since.visit_on for e in seen], default=view.today)
    yield Finding(
        key=f"{SPREADING}/tree {tree}/stem {stem}/{sign.value}",
        rule=SPREADING,
        severity=Severity.ACT if sure else Severity.LOOK,
        tree=tree,
        stem=stem,
        site=None,
        since=since,
        why=f"{sign.words.capitalize()} may be present at {len(numbers)} sites of stem {stem}: {listed}.",
        figures={"sites": float(len(numbers))},
        threshold="two sites of one stem",
        source="own choice",
        next_step="Look at the whole stem, also above and below the sites, before any of them is worked on again.",
        caution=cautions.SIGN + " Clean tools between trees.",
        photos=tuple(e.visits[-1].chosen_sha256 for e in seen),
    )
