"""Rule on the girdled share of a stem: the union of arcs of open wounds at one height."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.alerts import cautions
from pipeline.alerts.view import SiteView
from pipeline.records import Finding, Severity

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from pipeline.alerts.view import TreeView
    from pipeline.records import Register, SiteHistory

GIRDLED = "girdled share"
NEXT_STEPS = (
    (0.75, Severity.ACT, "Open no new wound on this stem, and let a person decide soon what it can still carry."),
    (0.50, Severity.ACT, "Open no new wound on this stem before these have closed; a person should look at its crown."),
    (0.33, Severity.LOOK, "Rest this height of the stem; look at its crown and at the rims."),
    (0.0, Severity.NOTE, "Keep new wounds away from this height until these have closed."),
)


@dataclass(frozen=True, slots=True)
class Arc:
    """One open wound on a stem: place round it and along it.

    ``centre_deg`` is ``None`` where the bearing is not known: the arc is then counted in full.
    ``bottom_mm`` and ``top_mm`` are ``None`` where the height is not known: it then counts at every height.
    """

    site: int
    width_deg: float
    centre_deg: float | None
    bottom_mm: float | None
    top_mm: float | None


def union_deg(arcs: Sequence[Arc]) -> float:
    """Degrees of the circumference covered: the union of the placed arcs plus the unplaced ones, 360 at most."""
    unplaced = sum(min(arc.width_deg, 360.0) for arc in arcs if arc.centre_deg is None)
    pieces: list[tuple[float, float]] = []
    for arc in arcs:
        if arc.centre_deg is None:
            continue
        width = min(arc.width_deg, 360.0)
        start = (arc.centre_deg - width / 2.0) % 360.0
        end = start + width
        pieces += [(start, min(end, 360.0))] + ([(0.0, end - 360.0)] if end > 360.0 else [])
    covered, reached = 0.0, 0.0
    for start, end in sorted(pieces):
        covered += max(0.0, end - max(start, reached))
        reached = max(reached, end)
    return min(360.0, covered + unplaced)


def largest_girdle(arcs: Sequence[Arc]) -> tuple[float, tuple[Arc, ...]]:
    """Largest share of the circumference that is open at one height, and the wounds there."""
    heights = sorted({arc.bottom_mm for arc in arcs if arc.bottom_mm is not None}) or [0.0]
    best: tuple[float, tuple[Arc, ...]] = (0.0, ())
    for height in heights:
        there = tuple(
            arc
            for arc in arcs
            if arc.bottom_mm is None
            or arc.top_mm is None
            or arc.bottom_mm <= height < max(arc.top_mm, arc.bottom_mm + 1e-9)
        )
        share = union_deg(there) / 360.0
        if share > best[0]:
            best = (share, there)
    return best


def stem_girdle(histories: Sequence[SiteHistory], register: Register, stem: str) -> tuple[float, tuple[Arc, ...]]:
    """Largest open share of a stem's circumference at one height, and the wounds there, from its sites' last visits."""
    sites = [SiteView(history) for history in histories if history.site.stem == stem]
    return largest_girdle([arc for arc in (arc_of(site, register) for site in sites) if arc is not None])


def arc_of(site: SiteView, register: Register) -> Arc | None:
    """The open wound of a site as an arc; ``None`` where it is closed, unmeasured, or the girth is not known."""
    if not site.is_open or not site.is_wound:
        return None
    last, entry = site.sized[-1], site.site
    girth = register.girth_mm(entry.site, last.visit_on)
    width, height = last.aperture_width_mm, last.aperture_height_mm
    if girth is None or girth <= 0 or not width:
        return None
    middle = None if entry.height_cm is None else 10.0 * entry.height_cm
    half = 0.5 * (height or 0.0)
    return Arc(
        entry.site,
        360.0 * width / girth,
        entry.bearing_deg,
        None if middle is None else middle - half,
        None if middle is None else middle + half,
    )


def girdled(view: TreeView) -> Iterator[Finding]:
    """Open wounds that overlap in height take a large share of the circumference."""
    for (tree, stem), sites in view.stems.items():
        arcs = [arc for arc in (arc_of(site, view.register) for site in sites) if arc is not None]
        share, there = largest_girdle(arcs)
        bands = [band for band in sorted(view.limits.girdled_shares) if share >= band]
        if not bands:
            continue
        _, severity, step = next(entry for entry in NEXT_STEPS if bands[-1] >= entry[0])
        listed = ", ".join(str(arc.site) for arc in there)
        doubt = [arc.site for arc in there if arc.centre_deg is None or arc.bottom_mm is None]
        unknown = (
            f" The place of site {', '.join(map(str, doubt))} is not known in full, so it counts in full."
            if doubt
            else ""
        )
        used = [site for site in sites if site.site.site in {arc.site for arc in there}]
        yield Finding(
            key=f"{GIRDLED}/tree {tree}/stem {stem}",
            rule=GIRDLED,
            severity=severity,
            tree=tree,
            stem=stem,
            site=None,
            since=max(site.sized[-1].visit_on for site in used),
            why=(
                f"Open wounds take {100 * share:.0f} % of the circumference of stem {stem} at one height "
                f"(site {listed}), over {100 * bands[-1]:g} %.{unknown}"
            ),
            figures={"girdled_share": share, "band": bands[-1], "sites": float(len(there))},
            threshold="bands at " + ", ".join(f"{100 * band:g} %" for band in sorted(view.limits.girdled_shares)),
            source=(
                "25 %: limit for partial cuts (J. Ecosyst. Manag. 2008, 9(1)); 33 % and 50 %: rules of thumb of tree "
                "care; 75 %: all debarked trees lived two years on (Delvaux et al. 2010)"
            ),
            next_step=step,
            caution=cautions.STEM,
            photos=tuple(site.sized[-1].chosen_sha256 for site in used),
        )
