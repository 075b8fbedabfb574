"""A site's figures as table cells, with their intervals; empty where not measured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.records import FLAG_SENTENCES
from pipeline.report.words import change_words, compass, event_words, say

if TYPE_CHECKING:
    from pipeline.records import Interval, RimShift, Site, SiteHistory, Trend, Visit

SIGN_P = 0.5


def site_words(site: Site) -> str:
    """Kind and place of a site in words."""
    parts = [site.kind.value]
    if site.height_cm is not None:
        parts.append(say("height_up", height=f"{site.height_cm:.0f}"))
    if site.bearing_deg is not None:
        parts.append(say("facing", direction=compass(site.bearing_deg)))
    return ", ".join(parts)


def site_tables(history: SiteHistory) -> dict[str, Any]:
    """Rows of a site's two tables: trends, and visits with events between them, newest first."""
    visits: list[tuple[tuple[str, int], dict[str, str]]] = [
        ((v.visit_on.isoformat(), 1), _visit_row(v, history.site)) for v in history.visits
    ]
    visits += [((e.on.isoformat(), 0), {"day": e.on.isoformat(), "event": event_words(e)}) for e in history.events]
    visits.sort(key=lambda row: row[0], reverse=True)
    return {
        "trends": [_trend_row(trend) for trend in history.trends],
        "visits": [row for _, row in visits] if history.visits else [],
    }


def plus_minus(value: float | None, sd: float | None, digits: int) -> str:
    """A value with the half width of its 95 % interval."""
    if value is None:
        return ""
    if sd is None:
        return f"{value:.{digits}f}"
    return f"{value:.{digits}f} \u00b1 {1.96 * sd:.{digits}f}"


def bounds(interval: Interval | None, digits: int) -> str:
    """A value with its interval in brackets."""
    if interval is None:
        return ""
    return f"{interval.value:.{digits}f} ({interval.lo:.{digits}f} to {interval.hi:.{digits}f})"


def _visit_row(visit: Visit, site: Site) -> dict[str, str]:
    stage = say("stage_" + visit.stage.word) if site.is_wound else ""
    if visit.stage_posterior:
        stage = f"{stage} ({visit.stage_posterior[visit.stage]:.2f})"
    signs = [
        f"{say('sign_' + sign.value)} {seen.p:.2f}" + (f", {seen.area_mm2 / 100:.1f} cm\u00b2" if seen.area_mm2 else "")
        for sign, seen in visit.signs.items()
        if seen.p >= SIGN_P
    ]
    doubts = [
        sentence for flag, sentence in FLAG_SENTENCES.items() if flag in visit.flags and flag.name != "NO_APERTURE"
    ]
    doubts += [say("put_right_" + c.what, who=c.who, day=c.on.isoformat()) for c in visit.corrections]
    return {
        "day": visit.visit_on.isoformat(),
        "event": "",
        "stage": stage,
        "area": plus_minus(visit.aperture_area_mm2, visit.aperture_area_mm2_sd, 0),
        "width": plus_minus(visit.aperture_width_mm, visit.aperture_width_mm_sd, 1),
        "height": plus_minus(visit.aperture_height_mm, visit.aperture_height_mm_sd, 1),
        "advance": plus_minus(visit.rim_advance_mm, visit.rim_advance_mm_sd, 2),
        "sides": _shift(visit, "sides"),
        "ends": _shift(visit, "ends"),
        "signs": "; ".join(signs),
        "doubts": " ".join(doubts),
    }


def _shift(visit: Visit, piece: str) -> str:
    shift: RimShift | None = None if visit.rim_field is None else getattr(visit.rim_field, piece)
    return "" if shift is None else plus_minus(shift.advance_mm, shift.advance_mm_sd, 2)


def _trend_row(trend: Trend) -> dict[str, str]:
    if trend.forecast is not None:
        closes = say(
            "closes_cell",
            day=trend.forecast.closes_on.isoformat(),
            lo=trend.forecast.closes_on_lo.isoformat(),
            hi=trend.forecast.closes_on_hi.isoformat(),
        )
        closes += f" {trend.borrows}." if trend.borrows else ""
    else:
        closes = trend.why_no_forecast
    return {
        "episode": str(trend.episode),
        "from_to": f"{trend.from_on.isoformat()} to {trend.to_on.isoformat()}",
        "visits": str(trend.visits),
        "area_closure": bounds(trend.area_closure_pct, 0),
        "width_rate": bounds(trend.width_closure_rate_mm_per_year, 1),
        "height_rate": bounds(trend.height_closure_rate_mm_per_year, 1),
        "rim": bounds(trend.rim_advance_rate_mm_per_month, 2),
        "side_rate": bounds(trend.side_advance_rate_mm_per_month, 2),
        "end_rate": bounds(trend.end_advance_rate_mm_per_month, 2),
        "closes": closes,
        "changes": " ".join(change_words(change) for change in trend.change_points),
    }
