"""One photo from top to bottom, and one tree from its readings.

    bytes ──intake──> Photo ──card──> CardFix ──surface──> SitePatch ──reader──> SiteMaps ──measure──> Reading
      └──────────────────── any stage may stop it: Refusal(stage, reason, remedy) ────────────────────┘
    Readings of a tree ──timeline──> SiteHistory ──alerts──> Findings ──> TreeHealth

Nothing here touches a database, a page or the command line; the reader is passed in.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, TypeVar

from pipeline import alerts, card, colour, corrections, intake, measure, quality, surface, timeline
from pipeline.alerts.closure import STALLED
from pipeline.cardspec import site_of_codes
from pipeline.errors import PhotoRefused
from pipeline.records import (
    Flag,
    PhotoStage,
    QualityReport,
    Reading,
    Refusal,
    RefusalCode,
    ScaleUncertainty,
    TreeHealth,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date, datetime

    from pipeline.records import (
        CardFix,
        ClockShift,
        LensFix,
        Photo,
        Reader,
        Register,
        Review,
        RimMeasures,
        SiteHistory,
        SiteMaps,
        SitePatch,
        SurfaceFix,
        Tree,
        WhiteBalance,
    )
    from pipeline.settings import Settings
    from pipeline.timeline import RegisterIndex

AboutSite = TypeVar("AboutSite", "Review", "Refusal")


@dataclass(frozen=True, slots=True)
class ReadContext:
    """What a photo is read against: settings, register, the present time, the reader's name."""

    settings: Settings
    register: Register
    now: datetime
    model: str
    shifts: tuple[ClockShift, ...] = ()
    """What people said of wrong clocks."""
    lenses: Mapping[str, LensFix] = field(default_factory=dict)
    """What earlier photos told of phones' lenses, by label."""


@dataclass(frozen=True, slots=True, eq=False)
class PhotoRead:
    """A reading, the overview patch, and the patch in which the opening was measured (often a closer one)."""

    reading: Reading
    patch: SitePatch
    closer: SitePatch


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What is seen in any photograph; without a card sizes are relative and ``site`` is ``None``."""

    read: PhotoRead
    site: int | None
    why_no_scale: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    overview: SitePatch
    overview_maps: SiteMaps
    patch: SitePatch
    maps: SiteMaps
    opening: RimMeasures | None


# ---------------------------------------------------------------- one photo


def read_photo(data: bytes, file: str, sha256: str, context: ReadContext, reader: Reader) -> PhotoRead | Refusal:
    """Read one photo of a wound site, or say why not and what to do.

    Parameters
    ----------
    data
        The file's bytes.
    file, sha256
        Its name in the inbox and the hex digest of ``data``.
    context
        Settings, register, present time, name of the reader.
    reader
        The callable that sees tissue, signs and stage in a patch.
    """
    settings, zone = context.settings, context.settings.grove.zone
    taken_at, stated_at, site, device = None, None, None, ""
    try:
        photo = intake.open_photo(data, file, sha256, settings.intake, zone, context.now, shifts=context.shifts)
        stated_at = photo.stated_at
        taken_at, device = photo.taken_at, photo.camera.device
        if taken_at is None:
            raise PhotoRefused(
                PhotoStage.INTAKE,
                "The photo has no date.",
                "Set the phone's clock and take it again.",
                code=RefusalCode.NO_DATE,
            )
        found = card.find_card(photo.pixels, settings.card)
        site, doubts = card.site_of(found, context.register)
        day = taken_at.astimezone(zone).date()
        girth_mm, lens = context.register.girth_mm(site, day), context.lenses.get(photo.camera.lens)
        fix = surface.fit_surface(photo, found, girth_mm, settings.surface, lens)
        balance = colour.white_balance(photo, found, fix)
        window = surface.overview_window(context.register.sites[site], settings.patch)
        overview = surface.unroll(photo, fix, window, settings.patch.overview_px, balance)
        checked = quality.assess(photo, found, fix, overview, settings.quality)
        seen = _see(photo, fix, overview, balance, reader, settings)
        doubts |= fix.flags | (balance.flags if balance else Flag.NONE)
        reading = _measure(photo, site, day, seen, fix, checked, doubts, context)
    except PhotoRefused as refused:
        return Refusal(
            file,
            sha256,
            PhotoStage(refused.stage),
            refused.reason,
            refused.remedy,
            taken_at,
            site,
            code=RefusalCode(refused.code),
            device=device,
            stated_at=stated_at,
        )
    return PhotoRead(replace(reading, stated_at=stated_at), seen.overview, seen.patch)


def look_at(data: bytes, file: str, sha256: str, context: ReadContext, reader: Reader) -> Look | Refusal:
    """Say what is seen in any photograph, with or without a card, in or out of the register.

    A photo without a readable card is looked at as a whole: its middle square counts as 100 mm wide, every
    size is then relative, and the reading carries the flag ``NO_SCALE``.
    """
    settings = context.settings
    try:
        photo = intake.open_photo(
            data, file, sha256, settings.intake, settings.grove.zone, context.now, need_time=False
        )
        try:
            found = card.find_card(photo.pixels, settings.card)
        except PhotoRefused as refused:
            return Look(_read_without_card(photo, context, reader), None, refused.reason)
        upper, lower = found.upper_code, found.lower_code
        site = None if upper is None or lower is None else site_of_codes(upper, lower)
        return Look(_read_with_card(photo, found, site, context, reader), site)
    except PhotoRefused as refused:
        return Refusal(
            file, sha256, PhotoStage(refused.stage), refused.reason, refused.remedy, code=RefusalCode(refused.code)
        )


def _read_with_card(photo: Photo, found: CardFix, site: int | None, context: ReadContext, reader: Reader) -> PhotoRead:
    settings, register = context.settings, context.register
    day = (photo.taken_at or context.now).astimezone(settings.grove.zone).date()
    girth_mm = register.girth_mm(site, day) if site is not None else None
    fix = surface.fit_surface(photo, found, girth_mm, settings.surface, context.lenses.get(photo.camera.lens))
    balance = colour.white_balance(photo, found, fix)
    window = surface.overview_window(register.sites.get(site) if site is not None else None, settings.patch)
    overview = surface.unroll(photo, fix, window, settings.patch.overview_px, balance)
    checked = quality.assess(photo, found, fix, overview, settings.quality)
    seen = _see(photo, fix, overview, balance, reader, settings)
    number = site if site is not None else -1
    doubts = fix.flags | (balance.flags if balance else Flag.NONE)
    return PhotoRead(_measure(photo, number, day, seen, fix, checked, doubts, context), seen.overview, seen.patch)


def _read_without_card(photo: Photo, context: ReadContext, reader: Reader) -> PhotoRead:
    settings = context.settings
    patch = surface.relative_patch(photo, settings.patch.overview_px)
    checked = QualityReport(float("nan"), float("nan"), patch.source_px_per_mm, 0.0)
    maps = reader(patch)
    day = (photo.taken_at or context.now).astimezone(settings.grove.zone).date()
    reading = measure.measure(
        photo, -1, day, patch, maps, checked, ScaleUncertainty({}, {}, {}), Flag.NO_SCALE,
        settings.reading, context.model, settings.reading_hash,
        opening=measure.seam_as_none(
            measure.find_opening(patch, maps, settings.reading), maps, settings.reading
        ),
    )  # fmt: skip
    return PhotoRead(reading, patch, patch)


def read_placed(
    photo: Photo, site: int, fix: SurfaceFix, sharpness_mm: float, context: ReadContext, reader: Reader
) -> PhotoRead:
    """Read a photo whose geometry is known from the bark, without its card (``pipeline.cardless``).

    Parameters
    ----------
    sharpness_mm
        Blur of the photo that lent its bark: without a card's edges the photo's own is not known, and taken as no
        better than that.

    Raises
    ------
    PhotoRefused
        If the bark below the card's place is not in the picture, or it was taken from too far away.
    """
    settings = context.settings
    day = (photo.taken_at or context.now).astimezone(settings.grove.zone).date()
    window = surface.overview_window(context.register.sites.get(site), settings.patch)
    overview = surface.unroll(photo, fix, window, settings.patch.overview_px, None)
    scale, limits = overview.source_px_per_mm, settings.quality
    if scale < limits.refuse_px_per_mm:
        raise PhotoRefused(
            PhotoStage.QUALITY,
            f"The photo was taken from too far away ({scale:.1f} pixels a millimetre of bark).",
            "Come closer: the card should be at least a fifth of the picture's height.",
            code=RefusalCode.TOO_FAR,
        )
    doubts = fix.flags | Flag.SCALE_FROM_BARK
    if scale < limits.flag_px_per_mm:
        doubts |= Flag.LOW_SCALE
    if fix.view_angle_deg > limits.flag_view_angle_deg:
        doubts |= Flag.OBLIQUE_VIEW
    checked = QualityReport(max(sharpness_mm, 3.0 / scale), fix.view_angle_deg, scale, 0.0)
    seen = _see(photo, fix, overview, None, reader, settings)
    reading = _measure(photo, site, day, seen, fix, checked, doubts, context)
    return PhotoRead(replace(reading, stated_at=photo.stated_at), seen.overview, seen.patch)


def _see(
    photo: Photo, fix: SurfaceFix, overview: SitePatch, balance: WhiteBalance | None, reader: Reader, settings: Settings
) -> _Seen:
    """Look at the overview; then, at a small opening or one that the overview cuts, look again at a fitting scale."""
    maps = reader(overview)
    opening = measure.find_opening(overview, maps, settings.reading)
    seen = _Seen(overview, maps, overview, maps, measure.seam_as_none(opening, maps, settings.reading))
    window = surface.closer_window(opening.bbox, overview, opening.cut, settings.patch) if opening else None
    if window is None:
        return seen
    patch = surface.unroll(photo, fix, window, settings.patch.overview_px, balance)
    closer = reader(patch)
    opening = measure.find_opening(patch, closer, settings.reading)
    # What looked like an opening from afar and is none from near: keep the wider view.
    if opening is None:
        return seen
    return _Seen(overview, maps, patch, closer, measure.seam_as_none(opening, closer, settings.reading))


def _measure(
    photo: Photo,
    site: int,
    day: date,
    seen: _Seen,
    fix: SurfaceFix,
    checked: QualityReport,
    doubts: Flag,
    context: ReadContext,
) -> Reading:
    """Sizes and stage from the closer patch; signs from both, and whether this is a site at all from the wider one."""
    settings = context.settings
    window = seen.opening.bbox if seen.opening else seen.patch.window
    middle = ((window.left_mm + window.right_mm) / 2, (window.bottom_mm + window.top_mm) / 2)
    scale = surface.area_sd_parts(fix, middle, (window.width_mm, window.height_mm))
    is_closer = seen.patch is not seen.overview
    reading = measure.measure(
        photo,
        site,
        day,
        seen.patch,
        seen.maps,
        checked,
        scale,
        doubts,
        settings.reading,
        context.model,
        settings.reading_hash,
        opening=seen.opening,
        wide=measure.read_signs(seen.overview_maps, seen.overview, seen.opening, settings.reading)
        if is_closer
        else None,
    )
    if not is_closer:
        return reading
    not_a_site_p = float(seen.overview_maps.not_a_site_p)
    doubt = Flag.NOT_LIKE_A_SITE if not_a_site_p >= settings.reading.not_a_site_p else Flag.NONE
    return replace(reading, not_a_site_p=not_a_site_p, flags=reading.flags & ~Flag.NOT_LIKE_A_SITE | doubt)


# ---------------------------------------------------------------- one tree


def assess_tree(
    tree: Tree,
    register: Register,
    readings: Mapping[int, Sequence[Reading]],
    settings: Settings,
    today: date,
    *,
    reviews: Sequence[Review] = (),
    refusals: Sequence[Refusal] = (),
    index: RegisterIndex | None = None,
) -> TreeHealth:
    """A tree's sites over time, what the rules find, and one plain status with its reasons.

    Parameters
    ----------
    readings
        Readings by site number, in any order.
    reviews, refusals
        Answers of people and photos that could not be read; those of other trees are left out.
    index
        The register's sites and events by tree; give it where many trees of one register are assessed.
    """
    index = timeline.index_register(register, tree.tree) if index is None else index
    sites, events = index.sites.get(tree.tree, ()), index.events.get(tree.tree, ())
    histories: tuple[SiteHistory, ...] = tuple(
        timeline.site_history(site, readings.get(site.site, ()), events, settings.time, settings.grove)
        for site in sites
    )
    put_right = corrections.by_photo(reading for site in sites for reading in readings.get(site.site, ()))
    if put_right:
        histories = tuple(corrections.over_history(history, put_right, settings) for history in histories)
    numbers = {site.site for site in sites}
    findings = alerts.find(
        histories,
        register,
        settings,
        today,
        reviews=[review for review in reviews if review.site in numbers],
        refusals=[refusal for refusal in refusals if refusal.site in numbers],
    )
    status, reasons = alerts.tree_status(histories, findings, settings)
    stalled = {f.site: f.figures["p"] for f in findings if f.rule == STALLED}
    histories = tuple(
        timeline.standing_still(h, stalled[h.site.site]) if h.site.site in stalled else h for h in histories
    )
    return TreeHealth(tree, histories, findings, status, reasons)


def assess_grove(
    register: Register,
    readings: Iterable[Reading],
    settings: Settings,
    today: date,
    *,
    reviews: Sequence[Review] = (),
    refusals: Sequence[Refusal] = (),
) -> tuple[TreeHealth, ...]:
    """Every tree of the register, in its order."""
    by_site: dict[int, list[Reading]] = {}
    for reading in readings:
        by_site.setdefault(reading.site, []).append(reading)
    index = timeline.index_register(register)
    reviewed, refused = by_tree(reviews, register), by_tree(refusals, register)
    return tuple(
        assess_tree(
            tree,
            register,
            by_site,
            settings,
            today,
            reviews=reviewed.get(tree.tree, ()),
            refusals=refused.get(tree.tree, ()),
            index=index,
        )
        for tree in register.trees.values()
    )


def by_tree(about: Iterable[AboutSite], register: Register) -> dict[str, list[AboutSite]]:
    """Reviews or refusals by the tree of their site; those without a site of the register are left out."""
    found: dict[str, list[AboutSite]] = {}
    for entry in about:
        site = register.sites.get(entry.site) if entry.site is not None else None
        if site is not None:
            found.setdefault(site.tree, []).append(entry)
    return found
