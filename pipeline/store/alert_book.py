"""Alerts with a life: every step is a fact, the present state follows from the steps."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from sqlalchemy import delete, insert, select
from sqlalchemy.dialects.sqlite import insert as upsert

from pipeline.errors import StoreError
from pipeline.records import Alert, AlertChanges, AlertEvent, AlertState, AlertStep
from pipeline.store.connected import CHUNK, Connected
from pipeline.store.life import DATA, after, rank, step_for
from pipeline.store.rows import finding_json, finding_of
from pipeline.store.tables import alert_events, alert_keys, alerts

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence
    from datetime import date, datetime

    from sqlalchemy import Connection, RowMapping

    from pipeline.records import Finding


class AlertBook(Connected):
    """Findings become alerts; people acknowledge and close them."""

    def apply_findings(
        self, findings: Sequence[Finding], today: date, *, trees: Collection[str] | None = None
    ) -> AlertChanges:
        """Open, update, close and re-open alerts so that they match what is seen today, in one transaction.

        Parameters
        ----------
        findings
            Everything the rules see; a matter that is not among them any more closes by the data.
        today
            The day in the grove's time zone.
        trees
            Trees that the findings were made for (default: all); alerts of other trees are left alone.

        Raises
        ------
        ValueError
            If two findings have the same key.
        """
        seen = {finding.key: finding for finding in findings}
        if len(seen) != len(findings):
            raise ValueError("two findings have the same key")
        changed: dict[AlertStep, list[Alert]] = defaultdict(list)
        with self._writing() as connection:
            known = _alerts_by_key(connection, seen, trees)
            numbers = _numbers(connection, [key for key in seen if key not in known])
            events: list[AlertEvent] = []
            now: dict[str, Alert] = {}
            for key, finding in seen.items():
                step = step_for(known.get(key), finding)
                if step is not None:
                    number = known[key].id if key in known else numbers[key]
                    events.append(AlertEvent(number, step, today, DATA, finding=finding))
                    now[key] = after(known.get(key), events[-1])
                    changed[step].append(now[key])
            for key, alert in known.items():
                gone = alert.state is not AlertState.CLOSED and key not in seen
                if gone and (trees is None or alert.finding.tree in trees):
                    events.append(AlertEvent(alert.id, AlertStep.CLOSED, today, DATA))
                    now[key] = after(alert, events[-1])
                    changed[AlertStep.CLOSED].append(now[key])
            _write(connection, events, now.values())
        return AlertChanges(
            opened=tuple(changed[AlertStep.OPENED]),
            updated=tuple(changed[AlertStep.UPDATED]),
            closed=tuple(changed[AlertStep.CLOSED]),
            reopened=tuple(changed[AlertStep.REOPENED]),
        )

    def acknowledge(self, alert_id: int, who: str, when: datetime, note: str = "") -> Alert:
        """Note that a person has seen an alert and takes care of it; a second time by the same person changes nothing.

        Raises
        ------
        StoreError
            If there is no such alert or it is closed.
        """
        return self._person(alert_id, AlertStep.ACKNOWLEDGED, who, when, note)

    def close_alert(self, alert_id: int, who: str, when: datetime, note: str = "") -> Alert:
        """Close an alert by a person's decision; the same evidence will not open it again.

        Raises
        ------
        StoreError
            If there is no such alert or it is closed already.
        """
        return self._person(alert_id, AlertStep.CLOSED, who, when, note)

    def reopen_alert(self, alert_id: int, who: str, when: datetime, note: str = "") -> Alert:
        """Take back an acknowledgement or a closing.

        Raises
        ------
        StoreError
            If there is no such alert or it is open.
        """
        return self._person(alert_id, AlertStep.REOPENED, who, when, note)

    def _person(self, alert_id: int, step: AlertStep, who: str, when: datetime, note: str) -> Alert:
        if not who.strip() or who == DATA:
            raise StoreError("An alert can only be changed in a person's name.", "Say who decides.")
        with self._writing() as connection:
            row = connection.execute(select(alerts).where(alerts.c.id == alert_id)).mappings().first()
            if row is None:
                raise StoreError(f"There is no alert {alert_id}.", "List them with: woundwood alerts GROVE")
            alert = _alert_of(row)
            if step is AlertStep.ACKNOWLEDGED and alert.state is AlertState.ACKNOWLEDGED:
                return alert
            closed = alert.state is AlertState.CLOSED
            if closed != (step is AlertStep.REOPENED) and not (
                step is AlertStep.REOPENED and alert.state is AlertState.ACKNOWLEDGED
            ):
                state = "closed" if closed else "open"
                raise StoreError(f"Alert {alert_id} is {state}.", "List them with: woundwood alerts GROVE")
            event = AlertEvent(alert_id, step, when.date(), who, when, note)
            alert = after(alert, event)
            _write(connection, [event], [alert])
            return alert

    def alerts(
        self,
        *,
        states: Collection[AlertState] | None = None,
        trees: Collection[str] | None = None,
        rules: Collection[str] | None = None,
    ) -> list[Alert]:
        """Alerts, the most urgent first, then the longest open."""
        query = select(alerts)
        if rules is not None:
            query = query.where(alerts.c.rule.in_(sorted(rules)))
        if states is not None:
            query = query.where(alerts.c.state.in_([state.value for state in states]))
        if trees is not None and len(trees) <= CHUNK:
            query = query.where(alerts.c.tree.in_(sorted(trees)))
        with self._reading() as connection:
            found = [_alert_of(row) for row in connection.execute(query).mappings()]
        if trees is not None:
            found = [alert for alert in found if alert.finding.tree in trees]
        return sorted(found, key=lambda alert: (-rank(alert.finding.severity), alert.opened_on, alert.id))

    def alert_history(self, alert_id: int) -> list[AlertEvent]:
        """Every step of an alert, the oldest first."""
        query = select(alert_events).where(alert_events.c.alert == alert_id).order_by(alert_events.c.id)
        with self._reading() as connection:
            return [_event_of(row) for row in connection.execute(query).mappings()]

    def rebuild_alerts(self) -> None:
        """Make the present state of all alerts again from their steps."""
        with self._writing() as connection:
            now: dict[int, Alert] = {}
            for row in connection.execute(select(alert_events).order_by(alert_events.c.id)).mappings():
                now[row["alert"]] = after(now.get(row["alert"]), _event_of(row))
            connection.execute(delete(alerts))
            _write(connection, [], now.values())


def _alert_of(row: RowMapping) -> Alert:
    return Alert(
        row["id"],
        finding_of(row["finding"]),
        AlertState(row["state"]),
        row["opened_on"],
        row["updated_on"],
        row["closed_on"],
        row["closed_by"],
    )


def _event_of(row: RowMapping) -> AlertEvent:
    return AlertEvent(
        alert=row["alert"],
        step=AlertStep(row["step"]),
        on=row["on"],
        by=row["by"],
        at=row["at"],
        note=row["note"],
        finding=None if row["finding"] is None else finding_of(row["finding"]),
    )


def _alerts_by_key(
    connection: Connection, keys: Iterable[str], trees: Collection[str] | None = None
) -> dict[str, Alert]:
    """Alerts (of some trees) that are not closed, and all with these keys."""
    query = select(alert_keys.c.key, alerts).join(alert_keys, alert_keys.c.id == alerts.c.id)
    standing = query.where(alerts.c.state != AlertState.CLOSED.value)
    if trees is not None and len(trees) <= CHUNK:
        standing = standing.where(alerts.c.tree.in_(sorted(trees)))
    rows = list(connection.execute(standing).mappings())
    wanted = sorted(set(keys) - {row["key"] for row in rows})
    for start in range(0, len(wanted), CHUNK):
        chunk = wanted[start : start + CHUNK]
        rows += connection.execute(query.where(alert_keys.c.key.in_(chunk))).mappings()
    return {row["key"]: _alert_of(row) for row in rows}


def _numbers(connection: Connection, keys: Sequence[str]) -> dict[str, int]:
    """Numbers for matters that never had an alert."""
    numbers: dict[str, int] = {}
    if keys:
        connection.execute(insert(alert_keys), [{"key": key} for key in keys])
    for start in range(0, len(keys), CHUNK):
        query = select(alert_keys.c.key, alert_keys.c.id).where(alert_keys.c.key.in_(keys[start : start + CHUNK]))
        numbers |= {row.key: row.id for row in connection.execute(query)}
    return numbers


def _write(connection: Connection, events: Sequence[AlertEvent], now: Iterable[Alert]) -> None:
    if events:
        connection.execute(
            insert(alert_events),
            [
                {
                    "alert": event.alert,
                    "step": event.step.value,
                    "on": event.on,
                    "at": event.at,
                    "by": event.by,
                    "note": event.note,
                    "finding": None if event.finding is None else finding_json(event.finding),
                }
                for event in events
            ],
        )
    rows = [
        {
            "id": alert.id,
            "rule": alert.finding.rule,
            "severity": alert.finding.severity.value,
            "tree": alert.finding.tree,
            "stem": alert.finding.stem,
            "site": alert.finding.site,
            "state": alert.state.value,
            "opened_on": alert.opened_on,
            "updated_on": alert.updated_on,
            "closed_on": alert.closed_on,
            "closed_by": alert.closed_by,
            "finding": finding_json(alert.finding),
        }
        for alert in now
    ]
    if rows:
        place = upsert(alerts)
        names = [column.name for column in alerts.c if column.name != "id"]
        place = place.on_conflict_do_update(
            index_elements=["id"], set_={name: getattr(place.excluded, name) for name in names}
        )
        connection.execute(place, rows)
