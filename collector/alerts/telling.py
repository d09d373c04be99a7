"""What time itself brings: shelving that ends, returns that last, escalation, hand-over at the begin of a duty, the daily digest."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, timedelta

from collector.alerts.flood import flood_of
from collector.alerts.holds import HoldKind
from collector.alerts.lifecycle import ANNUNCIATED, Move
from collector.alerts.model import Alert, AlertState, Priority, Transition
from collector.alerts.moving import FLOOD_MARK, SERVICE
from collector.alerts.orders import Orders
from collector.history.alert_rows import AlertRows
from config.errors import StoreError

DAY_S = 86400.0
ORPHAN_S = 180.0
"""How long a consequence may outlast its cause before it stands for itself [s]; longer than the usual delay of a return."""
GATHER_S = 600.0
"""Time between two messages about many alerts that nobody acknowledges [s]."""
MOST_SINGLE = 3
"""Alerts that are told one by one when nobody acknowledges them; more become one message."""
DUTY_MARK, DIGEST_MARK = "duty", "digest"
AuditHead = Callable[[date], str]


class Telling(Orders):
    """Lets time pass for the alerts; every tick is one transaction."""

    audit_head: AuditHead | None = None
    """Gives the hash that ends the audit log of a local day; the digest carries it out of the house."""

    def tick(self, now: float) -> None:
        """Let time pass up to `now` [epoch s], which may have stepped either way since the last tick."""
        if self._at_rest():
            return
        head = self._head(now)
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            self._clock_back(rows, now)
            self._time_over(rows, now)
            self._returns(rows, now)
            for alert in rows.orphans(now - ORPHAN_S):
                alone = replace(alert, parent="")
                note = "it stands for itself: what it was a consequence of is gone"
                self._move(rows, alone, Move.UNSUPPRESS, now, SERVICE, note, "raised" if alert.active else "")
            self._escalate(rows, now)
            self._flood(rows, now)
            marks = rows.holds.marks()
            self._duties(rows, dict(marks.get(DUTY_MARK) or {}), now)
            self._digests(rows, dict(marks.get(DIGEST_MARK) or {}), head, now)

    def _at_rest(self) -> bool:
        """Whether there is nothing that time could move: no alert, no order, no flood, and nobody whose duty or digest begins."""
        if any(tell.shifts or tell.days or tell.quiet or tell.digest for tell in self.policy.tells.values()):
            return False
        with self._state.transaction() as connection:
            rows = AlertRows(connection)
            return not rows.any_at_work() and flood_of(rows.holds.mark(FLOOD_MARK)).since is None

    def _clock_back(self, rows: AlertRows, now: float) -> None:
        for alert in rows.waiting_ahead(now, self.policy.reopen_s):
            waiting = None if alert.waiting_since is None else min(alert.waiting_since, now)
            due = None if alert.return_due is None else min(alert.return_due, now + self.policy.reopen_s)
            rows.change(replace(alert, waiting_since=waiting, return_due=due))

    def _time_over(self, rows: AlertRows, now: float) -> None:
        for hold in rows.holds.in_force():
            if hold.until <= now:
                what = "accepted" if hold.kind is HoldKind.ACCEPTED else "out of service"
                self._end_hold(rows, hold, now, SERVICE, f"the time is over for which it was {what}", "raised")
        for alert in rows.shelving_over(now):
            self._unshelved(rows, alert, now, SERVICE, "the time of shelving is over")

    def _returns(self, rows: AlertRows, now: float) -> None:
        for alert in rows.returns_due(now):
            rows.change(replace(alert, return_due=None))
            if not alert.active:
                note = f"it has stayed away for {self.policy.reopen_s / 60.0:.0f} min"
                kind = "" if self._in_flood(rows, alert) else "returned"
                self._tell(rows, replace(alert, return_due=None), alert.state, now, SERVICE, note, kind)

    def _escalate(self, rows: AlertRows, now: float) -> None:
        """Hand up what nobody acknowledges, each alert once to each delivery that waits for it."""
        policy = self.policy
        if not policy.escalates:
            if policy.remind_s > 0.0:
                self._remind(rows, now)
            return
        after = {name: tell.after for name, tell in policy.tells.items() if tell.after is not None}
        waiting = {alert.id: alert for alert in rows.unheard(now - min(after.values()))}
        for name, wait in after.items():
            due = [
                alert
                for alert in waiting.values()
                if name not in alert.escalated and now - (alert.waiting_since or now) >= wait
                and policy.wants(name, alert) and policy.awake(name, alert.priority, now)
            ]  # fmt: skip
            for alert in self._told_late(rows, due, [name], "escalated", now):
                waiting[alert.id] = replace(alert, escalated=(*alert.escalated, name))
                rows.change(waiting[alert.id])
        for alert in waiting.values():
            if all(name in alert.escalated or not policy.wants(name, alert) for name in after):
                rows.reminded(alert.id, now)

    def _remind(self, rows: AlertRows, now: float) -> None:
        by_receivers: defaultdict[tuple[str, ...], list[Alert]] = defaultdict(list)
        for alert in rows.unheard(now - self.policy.remind_s, Priority.HIGH):
            by_receivers[tuple(self.policy.receivers(alert, now))].append(alert)
        for receivers, alerts in by_receivers.items():
            for alert in self._told_late(rows, alerts, list(receivers), "reminder", now):
                rows.reminded(alert.id, now)

    def _told_late(self, rows: AlertRows, alerts: list[Alert], receivers: list[str], kind: str, now: float) -> Sequence[Alert]:
        """Tell of alerts that nobody has acknowledged, one by one or, where they are many, in one message every ten minutes.

        Gives back those that were told; the others wait for the next message.
        """
        if not alerts:
            return ()
        mark = f"late {kind} {' '.join(receivers)}"
        last = rows.holds.mark(mark)
        if last is not None and 0.0 <= now - last < GATHER_S:
            return ()
        single = len(alerts) <= MOST_SINGLE and flood_of(rows.holds.mark(FLOOD_MARK)).since is None
        note = "nobody has acknowledged it yet" + (f": told to {', '.join(receivers)}" if kind == "escalated" else "")
        for alert in alerts:
            number = rows.note(
                Transition(time=now, alert=alert.id, old=alert.state, new=alert.state, by=SERVICE, note=note, message=True)
            )
            if single:
                self._post(rows, alert, number, receivers, kind, now, note)
        if not single:
            rows.holds.keep_mark(mark, now)
            many = "an alert" if len(alerts) == 1 else f"{len(alerts)} alerts"
            title = f"{many[:1].upper()}{many[1:]} that nobody has acknowledged"
            self._post_about_many(rows, f"many-{kind}", f"{now:.0f}", receivers, title, self._lines(alerts), now)
        return alerts

    def _flood(self, rows: AlertRows, now: float) -> None:
        mark = rows.holds.mark(FLOOD_MARK)
        flood = flood_of(mark)
        since = flood.since
        if since is None or not flood.over(now):
            return
        rows.holds.keep_mark(FLOOD_MARK, flood.plain())
        counted = sorted(flood.causes.items(), key=lambda item: (-item[1], item[0]))
        lines = [f"{count} times {cause}" for cause, count in counted]
        waiting = rows.counted(ANNUNCIATED)
        title = f"The flood of alerts since {self._when(since)} is over; {waiting} wait for somebody to acknowledge"
        self._post_about_many(rows, "flood-over", f"{since:.0f}", self.policy.everybody(now), title, lines, now)

    def _duties(self, rows: AlertRows, known: dict[str, list[float]], now: float) -> None:
        """Hand over, when a duty or the end of quiet hours begins, what came while it was told to nobody there."""
        before = dict(known)
        for name, tell in self.policy.tells.items():
            if tell.after is not None or not (tell.shifts or tell.days or tell.quiet):
                continue
            awake = self.policy.awake(name, Priority.MEDIUM, now)
            was, since = known.get(name, [float(awake), now])
            if name in known and bool(was) == awake:
                continue
            known[name] = [float(awake), now]
            if awake and not was:
                self._hand_over(rows, name, min(since, now), now)
        if known != before:
            rows.holds.keep_mark(DUTY_MARK, known)

    def _hand_over(self, rows: AlertRows, name: str, since: float, now: float) -> None:
        tell = self.policy.tells[name]
        passed = bool(tell.quiet) and not tell.shifts and not tell.days
        alerts = [
            alert
            for alert in rows.over(since, now, 500)
            if self.policy.wants(name, alert) and alert.state not in (AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE)
            and not (passed and alert.priority is Priority.HIGH)
            and not (tell.digest and alert.priority is Priority.LOW)
        ]  # fmt: skip
        if alerts:
            came = "one alert came" if len(alerts) == 1 else f"{len(alerts)} alerts came"
            title = f"Since {self._when(since)} {came}"
            self._post_about_many(rows, "handover", f"{now:.0f}", [name], title, self._lines(alerts), now)

    def _digests(self, rows: AlertRows, sent: dict[str, str], head: str, now: float) -> None:
        local = self.policy.local(now)
        today = local.date().isoformat()
        before = dict(sent)
        for name in self._digesting(now):
            last = sent.get(name)
            if last == today or (last is not None and last == (local.date() + timedelta(days=1)).isoformat()):
                continue  # sent, or the clock has stepped back over midnight
            sent[name] = today
            if last is not None:
                self._digest(rows, name, today, head, now)
        for name, tell in self.policy.tells.items():
            if tell.digest and name not in sent:
                sent[name] = (local.date() - timedelta(days=1)).isoformat()
        if sent != before:
            rows.holds.keep_mark(DIGEST_MARK, sent)

    def _digest(self, rows: AlertRows, name: str, today: str, head: str, now: float) -> None:
        wanted = [alert for alert in rows.over(now - DAY_S, now, 500) if self.policy.wants(name, alert)]
        resting = [state for state in AlertState if state is not AlertState.NORMAL]
        standing = [alert for alert in rows.in_states(resting) if self.policy.wants(name, alert)]
        came = [alert for alert in wanted if alert.id not in {item.id for item in standing}]
        lines = [
            f"{len(wanted)} alerts came in the last 24 h, {len(standing)} stand.",
            *(f"Stands: {line}" for line in self._lines(standing)),
            *(f"Came and went: {line}" for line in self._lines(came)),
        ]
        if head:
            lines.insert(1, f"The audit log of the day before ends with {head}.")
        self._post_about_many(rows, "digest", today, [name], f"Day of {today}", lines, now)

    def _digesting(self, now: float) -> list[str]:
        clock = self.policy.local(now).strftime("%H:%M")
        return [name for name, tell in self.policy.tells.items() if tell.digest and tell.digest <= clock]

    def _head(self, now: float) -> str:
        """The end of yesterday's audit log; asked outside of a transaction, as it opens its own."""
        if self.audit_head is None or not self._digest_due(now):
            return ""
        return self.audit_head(self.policy.local(now).date() - timedelta(days=1))

    def _digest_due(self, now: float) -> bool:
        names = self._digesting(now)
        if not names:
            return False
        try:
            with self._state.transaction() as connection:
                sent = AlertRows(connection).holds.mark(DIGEST_MARK) or {}
        except StoreError:
            return False
        return any(sent.get(name) != self.policy.local(now).date().isoformat() for name in names)

    def _lines(self, alerts: list[Alert]) -> list[str]:
        return [
            f"{alert.loop}, {alert.link}: {alert.finding.title} ({alert.priority.value}, {alert.state.value}, "
            f"since {self._when(alert.finding.begin)})"
            for alert in alerts
        ]

    def _when(self, time: float) -> str:
        return f"{self.policy.local(time):%Y-%m-%d %H:%M}"
