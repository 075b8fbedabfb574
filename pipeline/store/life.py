"""The life of an alert as pure functions: what a finding does to it, and what a step makes of it."""

from __future__ import annotations

import math
from dataclasses import replace

from pipeline.records import Alert, AlertEvent, AlertState, AlertStep, Finding, Severity

DATA = "data"
"""Who acts where no person does."""

_RANK = {Severity.NOTE: 0, Severity.LOOK: 1, Severity.ACT: 2}


def rank(severity: Severity) -> int:
    """How urgent a severity is; more is more urgent."""
    return _RANK[severity]


def step_for(alert: Alert | None, finding: Finding) -> AlertStep | None:
    """What a finding that is seen today does to its alert; ``None`` if it changes nothing.

    An alert closed by the data comes back with the same finding.  One closed by a person comes back
    only with new evidence: a photo that was not among those the person judged, a higher severity, or,
    where no photos are named, another beginning.  An acknowledged one opens again if it gets more urgent.
    """
    if alert is None:
        return AlertStep.OPENED
    known = alert.finding
    worse = rank(finding.severity) > rank(known.severity)
    if alert.state is AlertState.CLOSED:
        newer = bool(set(finding.photos) - set(known.photos)) if finding.photos else finding.since != known.since
        return AlertStep.REOPENED if alert.closed_by == DATA or worse or newer else None
    if _says_the_same(finding, known):
        return None
    return AlertStep.REOPENED if worse and alert.state is AlertState.ACKNOWLEDGED else AlertStep.UPDATED


def _says_the_same(finding: Finding, known: Finding) -> bool:
    """Whether two findings differ in the last digits of a figure at most, as sums in another order do."""
    if finding.figures.keys() != known.figures.keys() or replace(finding, figures=known.figures) != known:
        return False
    return all(
        math.isclose(value, known.figures[name], rel_tol=1e-9, abs_tol=1e-9) for name, value in finding.figures.items()
    )


def after(alert: Alert | None, event: AlertEvent) -> Alert:
    """The alert after one more step; replaying all steps of an alert gives its present state.

    Raises
    ------
    ValueError
        If the first step is not an opening with its finding.
    """
    if alert is None:
        if event.step is not AlertStep.OPENED or event.finding is None:
            raise ValueError(f"the life of alert {event.alert} begins with '{event.step}'")
        return Alert(event.alert, event.finding, AlertState.OPEN, event.on, event.on)
    finding = event.finding or alert.finding
    alert = replace(alert, finding=finding, updated_on=event.on)
    match event.step:
        case AlertStep.OPENED | AlertStep.REOPENED:
            return replace(alert, state=AlertState.OPEN, closed_on=None, closed_by="")
        case AlertStep.ACKNOWLEDGED:
            return replace(alert, state=AlertState.ACKNOWLEDGED)
        case AlertStep.CLOSED:
            return replace(alert, state=AlertState.CLOSED, closed_on=event.on, closed_by=event.by)
        case AlertStep.UPDATED:
            return alert
