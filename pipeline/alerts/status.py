"""One plain status a tree, with its reasons; never a number, never 'safe' or 'healed'."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.records import Finding, Flag, Severity, Stage, WoundKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.records import SiteHistory
    from pipeline.settings import Settings

DECIDE, LOOK, CLOSING, HOLDING, COVERED, UNKNOWN = (
    "a person must decide",
    "look this week",
    "closing",
    "open, little change",
    "closed on the surface",
    "too few visits to say",
)
STATUS_WORDS = (DECIDE, LOOK, CLOSING, HOLDING, COVERED, UNKNOWN)


def tree_status(
    histories: Sequence[SiteHistory], findings: Sequence[Finding], settings: Settings
) -> tuple[str, tuple[str, ...]]:
    """Status words of a tree and the reasons, most urgent first.

    Parameters
    ----------
    histories, findings
        Of one tree.

    Returns
    -------
    status, reasons
        ``status`` is one of :data:`STATUS_WORDS`; ``reasons`` are sentences.
    """
    need = settings.time.min_visits_for_rate
    wounds = [h for h in histories if h.site.kind is not WoundKind.BARK_PANEL]
    counted = _counts(wounds)
    urgent = [f for f in findings if f.severity is Severity.ACT]
    if urgent:
        return DECIDE, (*(f.why for f in urgent), *counted)
    watch = [f for f in findings if f.severity is Severity.LOOK]
    if watch:
        return LOOK, (*(f.why for f in watch), *counted)
    seen = [h for h in wounds if h.visits]
    if not seen:
        return UNKNOWN, ("No wound site of this tree has a readable photo yet.",)
    doubtful = [h for h in seen if Flag.STAGE_AGAINST_OPENING in h.visits[-1].flags]
    if doubtful and all(h.visits[-1].stage >= Stage.CLOSED for h in seen):
        listed = ", ".join(str(h.site.site) for h in doubtful)
        return UNKNOWN, (f"Stage and opening do not go together at site {listed}.", *counted)
    if all(h.visits[-1].stage >= Stage.CLOSED for h in seen):
        return COVERED, (*counted, "A closed surface says nothing of the wood inside.")
    rated = [h for h in seen if h.trends and h.trends[-1].rim_advance_rate_mm_per_month is not None]
    if not rated:
        return UNKNOWN, (*counted, f"No open site has the {need} visits yet that a rate needs.")
    closing = [h for h in rated if _advances(h)]
    if closing:
        listed = ", ".join(str(h.site.site) for h in closing)
        return CLOSING, (f"The rim advances at site {listed}.", *counted)
    return HOLDING, ("No open site shows an advance beyond its uncertainty.", *counted)


def _advances(history: SiteHistory) -> bool:
    rate = history.trends[-1].rim_advance_rate_mm_per_month
    return rate is not None and rate.lo > 0


def _counts(histories: Sequence[SiteHistory]) -> tuple[str, ...]:
    seen = [h for h in histories if h.visits]
    parts = []
    for stage in Stage:
        count = sum(h.visits[-1].stage is stage for h in seen)
        if count:
            parts.append(f"{count} {stage.word}")
    unseen = len(histories) - len(seen)
    if unseen:
        parts.append(f"{unseen} not photographed yet")
    return (f"Wound sites: {', '.join(parts)}.",) if parts else ()
