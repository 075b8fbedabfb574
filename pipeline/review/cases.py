"""One case on one screen: what a person needs to judge a site, put together from store, register and pictures."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline import assess, corrections, timeline
from pipeline.records import FLAG_SENTENCES, AlertState, EventKind, Flag, ReviewAnswer, Sign, WoundKind
from pipeline.review import alignment, pictures, rims
from pipeline.review.answers import at_stake
from pipeline.review.curve import Curve, site_curve
from pipeline.review.verdicts import Given, given_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime

    from pipeline.records import (
        Alert,
        Correction,
        Event,
        Outlines,
        Polygon,
        Reading,
        Review,
        Site,
        SiteHistory,
        Stage,
        Tree,
        Visit,
        Window,
    )
    from pipeline.review.alignment import Alignment
    from pipeline.review.desk import Desk
    from pipeline.review.queue import Task

COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@dataclass(frozen=True, slots=True)
class Shape:
    """An outline for SVG; ``kind`` is ``aperture``, ``new_tissue`` or the name of a sign."""

    kind: str
    words: str
    points: str


@dataclass(frozen=True, slots=True)
class Frame:
    """One photo on the common scale: its patch, where it lies, and what is drawn over it."""

    sha256: str
    visit_on: date
    taken_at: datetime
    window: Window
    shapes: tuple[Shape, ...]
    stage: Stage
    width_mm: float | None
    width_sd_mm: float | None
    area_mm2: float | None
    area_sd_mm2: float | None
    doubts: tuple[str, ...]
    has_scale: bool
    scale_px_per_mm: float
    put_right: str = ""

    @property
    def x(self) -> float:
        """Left edge in the drawing."""
        return self.window.left_mm

    @property
    def y(self) -> float:
        """Upper edge in the drawing, where y counts downwards."""
        return -self.window.top_mm


@dataclass(frozen=True, slots=True)
class PastAnswer:
    """One answer in the history of a case."""

    given: Given
    standing: bool
    taken_back_by: str


@dataclass(frozen=True, slots=True)
class Sibling:
    """Another site of the same stem."""

    site: Site
    visit_on: date | None
    sha256: str
    has_patch: bool
    alerts: int


@dataclass(frozen=True, slots=True)
class CaseView:
    """All that the page of one case shows; ``task`` is ``None`` where nothing is asked of this person now.

    ``on_bark`` lays the earlier photo over the chosen one; ``None``: both lie as their cards say.
    """

    site: Site
    tree: Tree
    place: str
    task: Task | None
    blind: bool
    version: int
    frames: tuple[Frame, ...]
    now: Frame
    before: Frame | None
    view_box: Window
    on_bark: Alignment | None
    suspected: frozenset[Sign]
    sign_p: dict[Sign, float]
    curve: Curve | None
    visits: tuple[Visit, ...]
    events: tuple[Event, ...]
    alerts: tuple[Alert, ...]
    past: tuple[PastAnswer, ...]
    siblings: tuple[Sibling, ...]
    rim: Polygon
    rim_by: str
    extents: dict[Sign, tuple[Polygon, ...]]
    extents_by: dict[Sign, str]
    inoculated_on: date | None
    history: SiteHistory


def case_view(
    desk: Desk, number: int, task: Task | None, *, photo: str = "", before: str = "", blind: bool = False
) -> CaseView | None:
    """Everything about a site; ``None`` if it is not in the register or has no photo that can be shown.

    Parameters
    ----------
    photo, before
        Hashes of the photos to show; the last visit's and the visit before by default.
    blind
        Leave out everything that the network or another person said.
    """
    site = desk.site(number)
    tree = desk.register.trees.get(site.tree) if site is not None else None
    if site is None or tree is None:
        return None
    version = desk.store.last_review(number)
    reviews = desk.store.reviews(sites=[number])
    readings = assess.readings_that_count(desk.grove, desk.store, [number], reviews)
    register = assess.full_register(desk.grove, desk.store)
    history = timeline.site_history(site, readings, register.events, desk.settings.time, desk.settings.grove)
    history = corrections.over_history(history, corrections.by_photo(readings), desk.settings)
    said = corrections.said_of(reviews)
    frames = _frames(desk, history, readings, said)
    if not frames:
        return None
    now = next((f for f in frames if f.sha256 == photo), frames[0])
    earlier = [f for f in frames if f.visit_on < now.visit_on] or [f for f in frames if f is not now]
    then = next((f for f in frames if f.sha256 == before and f is not now), earlier[0] if earlier else None)
    on_bark = None
    if then is not None:
        on_bark = alignment.align(desk, readings, then.sha256, now.sha256, look=bool(before))
    rim, rim_by = _rim(now, readings, reviews)
    extents, extents_by = _extents(now, readings, said)
    if blind:
        rim, rim_by, extents, extents_by = (), "", {}, {}
    inoculated = [e.on for e in history.events if e.event is EventKind.INOCULATED]
    return CaseView(
        site=site,
        tree=tree,
        place=place_words(site, tree),
        task=task,
        blind=blind,
        version=version,
        frames=frames,
        now=now,
        before=then,
        view_box=_union([now.window, *([] if then is None else [_placed(then.window, on_bark)])]),
        on_bark=on_bark,
        suspected=frozenset() if blind else at_stake(task, reviews),
        sign_p={} if blind else _sign_p(readings, now),
        curve=None if blind else site_curve(history, desk.settings.reading.sign_p),
        visits=history.visits,
        events=history.events,
        alerts=() if blind else _alerts(desk, site),
        past=() if blind else past_answers(reviews),
        siblings=_siblings(desk, site, blind),
        rim=rim,
        rim_by=rim_by,
        extents=extents,
        extents_by=extents_by,
        inoculated_on=max(inoculated, default=None),
        history=history,
    )


def place_words(site: Site, tree: Tree) -> str:
    """Where the site is, as a person would say it."""
    parts = [f"tree {tree.tree}", f"stem {site.stem}"]
    if tree.block:
        parts.insert(0, f"block {tree.block}")
    if site.height_cm is not None:
        parts.append(f"{site.height_cm:g} cm up")
    if site.bearing_deg is not None:
        parts.append(f"facing {COMPASS[round(site.bearing_deg / 45) % 8]}")
    return ", ".join(parts)


def _frames(
    desk: Desk, history: SiteHistory, readings: Sequence[Reading], said: Mapping[str, corrections.Said]
) -> tuple[Frame, ...]:
    """Photos, the newest first: one a visit, and all of the last visit."""
    by_hash = {reading.sha256: reading for reading in readings}
    found = []
    for visit in reversed(history.visits):
        wanted = visit.photos if visit is history.visits[-1] else (visit.chosen_sha256,)
        for sha256 in sorted(wanted, key=lambda s: s != visit.chosen_sha256):
            place = pictures.place_of(desk, sha256)
            if place is not None:
                found.append(_frame(by_hash[sha256], visit, place, _drawn_by(said, sha256)))
    return tuple(found)


def _drawn_by(said: Mapping[str, corrections.Said], sha256: str) -> dict[Sign, str]:
    """Who drew the outline of a sign on a photo."""
    of_photo = said.get(sha256, corrections.Said())
    return {sign: of_photo.extents_from[sign].who for sign, shapes in of_photo.extents.items() if shapes}


def _frame(reading: Reading, visit: Visit, place: pictures.Place, drawn_by: Mapping[Sign, str]) -> Frame:
    return Frame(
        sha256=reading.sha256,
        visit_on=reading.visit_on,
        taken_at=reading.taken_at,
        window=place.window,
        shapes=_shapes(reading.outlines, drawn_by),
        stage=visit.stage,
        width_mm=reading.aperture_width_mm,
        width_sd_mm=reading.aperture_width_mm_sd,
        area_mm2=reading.aperture_area_mm2,
        area_sd_mm2=reading.aperture_area_mm2_sd,
        doubts=tuple(FLAG_SENTENCES[flag] for flag in Flag if flag & reading.flags),
        has_scale=place.has_scale,
        scale_px_per_mm=place.source_px_per_mm,
        put_right=put_right_words(reading.corrections),
    )


def put_right_words(corrections: Sequence[Correction]) -> str:
    """Who put what right and when, for a person to read."""
    return "; ".join(f"{c.what} by {c.who}, {c.on.isoformat()}" for c in corrections)


def _sign_p(readings: Sequence[Reading], now: Frame) -> dict[Sign, float]:
    reading = next(r for r in readings if r.sha256 == now.sha256)
    return {sign: seen.p for sign, seen in reading.signs.items()}


def _shapes(outlines: Outlines, drawn_by: Mapping[Sign, str]) -> tuple[Shape, ...]:
    shapes = [Shape("new_tissue", "new tissue", rims.svg_points(p)) for p in outlines.new_tissue]
    shapes += [Shape("aperture", "rim of the opening", rims.svg_points(p)) for p in outlines.aperture]
    for sign, polygons in outlines.signs.items():
        how = f"drawn by {drawn_by[sign]}" if sign in drawn_by else "suspected"
        shapes += [Shape(sign.value, f"{sign.words}, {how}", rims.svg_points(p)) for p in polygons]
    return tuple(shapes)


def _union(windows: Sequence[Window]) -> Window:
    from pipeline.records import Window as Rectangle

    return Rectangle(
        min(w.left_mm for w in windows),
        max(w.right_mm for w in windows),
        min(w.bottom_mm for w in windows),
        max(w.top_mm for w in windows),
    )


def _placed(window: Window, on_bark: Alignment | None) -> Window:
    return window if on_bark is None else on_bark.of_window(window)


def _rim(now: Frame, readings: Sequence[Reading], reviews: Sequence[Review]) -> tuple[Polygon, str]:
    """The rim that counts for a photo, with few enough corners to drag: a person's if there is one, else as read."""
    replaced = {review.replaces for review in reviews if review.replaces is not None}
    drawn = [
        review
        for review in reviews
        if review.sha256 == now.sha256 and review.id not in replaced and "rim_mm" in review.payload
    ]
    if drawn:
        content: object = drawn[-1].payload["rim_mm"]
        if isinstance(content, list):
            return tuple((float(x), float(y)) for x, y in content), drawn[-1].who
    reading = next(r for r in readings if r.sha256 == now.sha256)
    main = rims.largest(reading.outlines.aperture)
    return (rims.fewer_corners(main), "") if main is not None else ((), "")


def _extents(
    now: Frame, readings: Sequence[Reading], said: Mapping[str, corrections.Said]
) -> tuple[dict[Sign, tuple[Polygon, ...]], dict[Sign, str]]:
    """Outlines of each sign that is drawn on a photo, with few enough corners to drag, and which person drew it."""
    by = _drawn_by(said, now.sha256)
    reading = next(r for r in readings if r.sha256 == now.sha256)
    found = {}
    for sign, outlines in reading.outlines.signs.items():
        patches = sorted((p for p in outlines if rims.area_mm2(p) > 0), key=rims.area_mm2, reverse=True)
        patches = patches[: rims.MAX_PATCHES]
        found[sign] = tuple(patches if sign in by else map(rims.fewer_corners, patches))
    return {sign: shapes for sign, shapes in found.items() if shapes}, by


def _alerts(desk: Desk, site: Site) -> tuple[Alert, ...]:
    """Open and acknowledged alerts of the site, its stem and its tree."""
    states = (AlertState.OPEN, AlertState.ACKNOWLEDGED)
    found = desk.store.alerts(states=states, trees=[site.tree])
    return tuple(a for a in found if a.finding.site in (None, site.site) and a.finding.stem in ("", site.stem))


def past_answers(reviews: Sequence[Review]) -> tuple[PastAnswer, ...]:
    """Every answer ever given about a site, the newest first, also those replaced."""
    replaced_by = {review.replaces: review for review in reviews if review.replaces is not None}
    found = []
    for review in reviews:
        given = given_of(review)
        if given is not None:
            later = replaced_by.get(review.id)
            taken = later is not None and later.answer is ReviewAnswer.NOTE and bool(later.payload.get("takes_back"))
            found.append(PastAnswer(given, later is None, later.who if taken and later is not None else ""))
    return tuple(reversed(found))


def _siblings(desk: Desk, site: Site, blind: bool) -> tuple[Sibling, ...]:
    numbers = [n for n in desk.sites_of_tree(site.tree) if n != site.site]
    others = [desk.register.sites[n] for n in numbers if desk.register.sites[n].stem == site.stem]
    looks = {look.site: look for look in desk.store.last_looks([s.site for s in others])} if others else {}
    alerts = [] if blind else desk.store.alerts(states=[AlertState.OPEN], trees=[site.tree])
    return tuple(
        Sibling(
            other,
            looks[other.site].visit_on if other.site in looks else None,
            looks[other.site].sha256 if other.site in looks else "",
            other.site in looks and pictures.place_of(desk, looks[other.site].sha256) is not None,
            sum(alert.finding.site == other.site for alert in alerts),
        )
        for other in others
    )


def is_wound(site: Site) -> bool:
    """Whether the site is a wound and not watched bark."""
    return site.kind is not WoundKind.BARK_PANEL
