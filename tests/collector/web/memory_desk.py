"""A desk of alerts that only remembers, for the tests of the pages."""

from __future__ import annotations

from dataclasses import replace

from collector.alerts.holds import Hold, HoldKind, amount_of
from collector.alerts.lifecycle import ANNUNCIATED
from collector.alerts.model import Alert, AlertState, Annunciation, Transition
from collector.alerts.performance import Performance, performance_of
from config.errors import TallywireError


class MemoryDesk:
    """The desk of the tests: one alert, the states that the pages need."""

    def __init__(self, *alerts: Alert) -> None:
        self.alerts = {item.id: item for item in alerts}
        self.log: list[Transition] = []
        self.orders: list[Hold] = []
        for item in alerts:
            self.log.append(
                Transition(
                    time=item.raised, alert=item.id, old=AlertState.NORMAL, new=AlertState.UNACKNOWLEDGED, by="tallywire"
                )
            )

    def standing(self) -> list[Alert]:
        return [item for item in self.alerts.values() if item.state is not AlertState.NORMAL]

    def past(self, begin: float, end: float, limit: int = 500) -> list[Alert]:
        found = [item for item in self.alerts.values() if begin <= item.raised < end]
        return sorted(found, key=lambda item: -item.raised)[:limit]

    def waiting(self) -> int:
        return sum(item.state in ANNUNCIATED for item in self.alerts.values())

    def over(self, begin: float, end: float, limit: int = 500) -> list[Alert]:
        return self.past(begin, end, limit)

    def find(self, alert: str) -> Alert | None:
        return self.alerts.get(alert)

    def transitions(self, alert: str) -> list[Transition]:
        return [item for item in self.log if item.alert == alert]

    def _move(self, alert: Alert, by: str, now: float, note: str = "") -> Alert:
        old = self.alerts[alert.id].state
        self.alerts[alert.id] = alert
        self.log.append(Transition(time=now, alert=alert.id, old=old, new=alert.state, by=by, note=note))
        return alert

    def acknowledge(self, alert: str, *, by: str, now: float) -> Alert:
        found = self.alerts[alert]
        return self._move(replace(found, state=AlertState.ACKNOWLEDGED, acknowledged=now, acknowledged_by=by), by, now)

    def shelve(self, alert: str, *, by: str, reason: str, until: float, now: float) -> Alert:
        found = self.alerts[alert]
        if found.state is AlertState.SHELVED:
            raise TallywireError("the alert is shelved already", where=alert, fix="end its shelving first")
        shelved = replace(found, state=AlertState.SHELVED, shelved_until=until, shelved_by=by, shelve_reason=reason)
        return self._move(shelved, by, now, reason)

    def unshelve(self, alert: str, *, by: str, now: float) -> Alert:
        found = self.alerts[alert]
        if found.state is not AlertState.SHELVED:
            raise TallywireError("the alert is not shelved", where=alert)
        return self._move(replace(found, state=AlertState.UNACKNOWLEDGED, shelved_until=None), by, now)

    def remove(self, alert: str, *, by: str, reason: str, until: float, now: float) -> Alert:
        found = self.alerts[alert]
        self.orders.append(
            Hold(
                id=len(self.orders) + 1, kind=HoldKind.OUT_OF_SERVICE, loop=found.loop, link=found.link, by=by, owner=by,
                reason=reason, made=now, until=until,
            )
        )  # fmt: skip
        return self._move(replace(found, state=AlertState.OUT_OF_SERVICE), by, now, reason)

    def restore(self, alert: str, *, by: str, now: float) -> Alert:
        found = self.alerts[alert]
        if found.state is not AlertState.OUT_OF_SERVICE:
            raise TallywireError("the alert is not out of service", where=alert)
        self.orders.clear()
        return self._move(replace(found, state=AlertState.UNACKNOWLEDGED), by, now)

    def accept(self, alert: str, *, by: str, owner: str, reason: str, until: float, grow: float | None, now: float) -> Alert:
        found = self.alerts[alert]
        amount = amount_of(found.finding)
        self.orders.append(
            Hold(
                id=len(self.orders) + 1, kind=HoldKind.ACCEPTED, loop=found.loop, link=found.link, cause=found.finding.cause,
                verdict=found.finding.verdict.value, by=by, owner=owner, reason=reason, made=now, until=until,
                measure=amount[0] if amount else "", unit=amount[1] if amount else "", amount=amount[2] if amount else None,
                grow=grow,
            )
        )  # fmt: skip
        shelved = replace(found, state=AlertState.SHELVED, shelved_until=until, shelved_by=owner, shelve_reason=reason)
        return self._move(shelved, by, now, reason)

    def holds(self) -> list[Hold]:
        return list(self.orders)

    def end_hold(self, hold: int, *, by: str, now: float) -> Hold:
        found = next((item for item in self.orders if item.id == hold), None)
        if found is None:
            raise TallywireError("there is no such order in force", where=str(hold))
        self.orders.remove(found)
        return replace(found, ended=now, ended_by=by)

    def performance(self, begin: float, end: float) -> Performance:
        came = [
            Annunciation(time=item.raised, alert=item.id, loop=item.loop, link=item.link, priority=item.priority)
            for item in self.alerts.values()
            if begin <= item.raised < end
        ]
        first = min((item.raised for item in self.alerts.values()), default=None)
        return performance_of(came, self.standing(), list(self.alerts.values()), first, begin, end)
