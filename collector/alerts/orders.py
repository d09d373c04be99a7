"""What people order about alerts: acknowledge, shelve, take out of service, accept, and all of it back."""

from __future__ import annotations

from dataclasses import replace

from collector.alerts.holds import Hold, HoldKind, amount_of
from collector.alerts.lifecycle import ANNUNCIATED, Move
from collector.alerts.model import Alert, AlertState
from collector.alerts.moving import Moves
from collector.alerts.priority import SAFETY
from collector.history.alert_rows import AlertRows
from config.errors import TallywireError

DAY_S = 86400.0
LONGEST_SHELVE_S = 30 * DAY_S
LONGEST_OUT_S = 90 * DAY_S
LONGEST_ACCEPTED_S = 366 * DAY_S
HANDLED = (AlertState.NORMAL, AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED, AlertState.RETURNED)


class Orders(Moves):
    """Every order is one transaction; one that the state does not allow raises TallywireError and changes nothing."""

    def acknowledge(self, alert: str, *, by: str, now: float) -> Alert:
        """Acknowledge by a typed name; a no-op where the alert is acknowledged or normal."""
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            found = _known(rows, alert)
            if found.state not in ANNUNCIATED:
                return found
            return self._move(
                rows, replace(found, acknowledged=now, acknowledged_by=by), Move.ACKNOWLEDGE, now, by, "acknowledged"
            )

    def shelve(self, alert: str, *, by: str, reason: str, until: float, now: float) -> Alert:
        """Shelve until a time at most 30 days ahead, with a reason."""
        _reasoned("shelving", reason, until, now, LONGEST_SHELVE_S, 30)
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            found = _known(rows, alert)
            if found.state in (AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE):
                raise TallywireError(f"an alert that is {found.state.value} cannot be shelved", where=alert)
            if rows.holds.over(HoldKind.ACCEPTED, found.loop, found.link) is not None:
                raise TallywireError(
                    "the finding is accepted, so the alert is silent", where=alert, fix="end the acceptance first"
                )
            shelved = replace(found, shelved_until=until, shelved_by=by, shelve_reason=reason)
            return self._move(rows, shelved, Move.SHELVE, now, by, f"shelved: {reason}")

    def unshelve(self, alert: str, *, by: str, now: float) -> Alert:
        """End shelving or an acceptance; the state follows the condition at this moment."""
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            found = _known(rows, alert)
            if found.state is not AlertState.SHELVED:
                raise TallywireError("the alert is not shelved", where=alert)
            hold = rows.holds.over(HoldKind.ACCEPTED, found.loop, found.link)
            if hold is not None:
                rows.holds.end(hold.id, now=now, by=by, note="ended")
            return self._unshelved(rows, found, now, by, "shelving ended" if hold is None else "no longer accepted")

    def remove(self, alert: str, *, by: str, reason: str, until: float, now: float) -> Alert:
        """Take the alerts of a link out of service until a time at most 90 days ahead: this one and those to come."""
        _reasoned("taking out of service", reason, until, now, LONGEST_OUT_S, 90)
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            found = _known(rows, alert)
            if found.state is AlertState.OUT_OF_SERVICE:
                raise TallywireError("the alert is out of service already", where=alert, fix="put it back in service first")
            rows.holds.add(
                Hold(
                    kind=HoldKind.OUT_OF_SERVICE, loop=found.loop, link=found.link, by=by, owner=by, reason=reason, made=now,
                    until=until,
                )
            )  # fmt: skip
            for other in self._at_link(rows, found.loop, found.link):
                if other.id != alert:
                    self._removed(rows, other, now, by, reason)
            return self._removed(rows, found, now, by, reason)

    def restore(self, alert: str, *, by: str, now: float) -> Alert:
        """Put the alerts of a link back in service; their states follow their conditions at this moment."""
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            found = _known(rows, alert)
            hold = rows.holds.over(HoldKind.OUT_OF_SERVICE, found.loop, found.link)
            if found.state is not AlertState.OUT_OF_SERVICE and hold is None:
                raise TallywireError("the alert is not out of service", where=alert)
            if hold is not None:
                rows.holds.end(hold.id, now=now, by=by, note="back in service")
            self._restored(rows, found.loop, found.link, now, by, "back in service")
            return _known(rows, alert)

    def accept(self, alert: str, *, by: str, owner: str, reason: str, until: float, grow: float | None, now: float) -> Alert:
        """Accept what an alert has found: it stands, is known and not told until a time at most a year ahead, or until its
        number has grown by `grow` in the unit of `amount_of` (None where it has none). `owner` answers for it."""
        _reasoned("accepting", reason, until, now, LONGEST_ACCEPTED_S, 366)
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            found = _known(rows, alert)
            self._acceptable(rows, found, grow)
            amount = amount_of(found.finding)
            hold = Hold(
                kind=HoldKind.ACCEPTED, loop=found.loop, link=found.link, cause=found.finding.cause,
                verdict=found.finding.verdict.value, by=by, owner=owner, reason=reason, made=now, until=until,
                measure=amount[0] if amount else "", unit=amount[1] if amount else "", amount=amount[2] if amount else None,
                grow=grow,
            )  # fmt: skip
            rows.holds.add(hold)
            limit = "" if hold.limit is None else f" or above {hold.limit:.2f} {hold.unit}"
            note = f"accepted by {owner} until {self.policy.local(until):%Y-%m-%d %H:%M}{limit}: {reason}"
            accepted = replace(found, shelved_until=until, shelved_by=owner, shelve_reason=reason)
            return self._move(rows, accepted, Move.SHELVE, now, by, note)

    def holds(self) -> list[Hold]:
        """Every link out of service and every acceptance in force, oldest first."""
        with self._state.transaction() as connection:
            return AlertRows(connection).holds.in_force()

    def end_hold(self, hold: int, *, by: str, now: float) -> Hold:
        """End an order by its number, also where no alert stands under it."""
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            found = rows.holds.find(hold)
            if found is None or found.ended is not None:
                raise TallywireError("there is no such order in force", where=str(hold))
            self._end_hold(rows, found, now, by, "ended")
            ended = rows.holds.find(hold)
            assert ended is not None
            return ended

    def _end_hold(self, rows: AlertRows, hold: Hold, now: float, by: str, why: str, message: str = "") -> None:
        rows.holds.end(hold.id, now=now, by=by, note=why)
        if hold.kind is HoldKind.OUT_OF_SERVICE:
            self._restored(rows, hold.loop, hold.link, now, by, f"back in service: {why}", message)
        else:
            for alert in self._at_link(rows, hold.loop, hold.link):
                if alert.state is AlertState.SHELVED:
                    self._unshelved(rows, alert, now, by, f"no longer accepted: {why}", message)

    def _acceptable(self, rows: AlertRows, found: Alert, grow: float | None) -> None:
        if found.finding.cause in SAFETY:
            raise TallywireError(
                "what may concern people near the source cannot be accepted", where=found.id,
                fix="follow its checks; the radiation safety officer decides",
            )  # fmt: skip
        if not found.active or found.state not in HANDLED:
            raise TallywireError(
                "only an alert that stands can be accepted", where=found.id,
                fix="acknowledge it where it has returned; put it back in service or end its shelving first",
            )  # fmt: skip
        amount = amount_of(found.finding)
        if amount is None and grow is not None:
            raise TallywireError("the finding has no number that could grow", where=found.id, fix="leave the growth out")
        if amount is not None and (grow is None or not 0.0 <= grow < float("inf")):
            raise TallywireError(
                f"it is not said by how much it may grow ({amount[0]} is {amount[2]:.2f} {amount[1]} now)", where=found.id,
                fix=f"name a growth in {amount[1]}; 0 tells it again as soon as it is larger",
            )  # fmt: skip
        if rows.holds.over(HoldKind.ACCEPTED, found.loop, found.link) is not None:
            raise TallywireError("a finding of this link is accepted already", where=found.id, fix="end that acceptance first")

    def _unshelved(self, rows: AlertRows, alert: Alert, now: float, by: str, note: str, message: str = "") -> Alert:
        ended = replace(alert, shelved_until=None, shelved_by="", shelve_reason="")
        return self._move(rows, ended, Move.UNSHELVE, now, by, note, message if alert.active else "")

    def _removed(self, rows: AlertRows, alert: Alert, now: float, by: str, reason: str) -> Alert:
        plain = replace(alert, shelved_until=None, shelved_by="", shelve_reason="", parent="")
        return self._move(rows, plain, Move.REMOVE, now, by, f"out of service: {reason}")

    def _restored(self, rows: AlertRows, loop: str, link: str, now: float, by: str, note: str, message: str = "") -> None:
        for alert in self._at_link(rows, loop, link):
            if alert.state is AlertState.OUT_OF_SERVICE:
                self._move(rows, alert, Move.RESTORE, now, by, note, message if alert.active else "")

    def _at_link(self, rows: AlertRows, loop: str, link: str) -> list[Alert]:
        resting = [state for state in AlertState if state is not AlertState.NORMAL]
        return [alert for alert in rows.in_states(resting, loop) if alert.link == link]


def _known(rows: AlertRows, alert: str) -> Alert:
    found = rows.find(alert)
    if found is None:
        raise TallywireError("there is no such alert", where=alert)
    return found


def _reasoned(what: str, reason: str, until: float, now: float, longest_s: float, days: int) -> None:
    if not reason.strip():
        raise TallywireError(f"{what} needs a reason", fix="say why the alert may be silent")
    if not now < until <= now + longest_s:
        raise TallywireError(f"{what} must end within {days} days", fix=f"name a time from now on, at most {days} days ahead")
