"""What the site file says about telling: who receives what, when, and how alerts are kept few."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

from collector.alerts.duty import on_duty, quiet
from collector.alerts.model import Alert, Priority
from collector.alerts.priority import TOLERABLE_T, roles_of
from config.deliveries import Tell
from config.model import Loop, Site

REOPEN_S = 1800.0
REMIND_S = 1800.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Policy:
    """Deliveries by name with what each is told, and the times of alerting [s]; `endpoints` are those that carry each loop."""

    tells: Mapping[str, Tell] = field(default_factory=dict)
    zone: str = "UTC"
    shifts: tuple[str, ...] = ("06:00", "14:00", "22:00")
    reopen_s: float = REOPEN_S
    remind_s: float = REMIND_S
    tolerable_t: float = TOLERABLE_T
    operators: int = 1
    endpoints: Mapping[str, frozenset[str]] = field(default_factory=dict)

    @property
    def escalates(self) -> bool:
        """Whether a delivery waits for what nobody acknowledges."""
        return any(tell.after is not None for tell in self.tells.values())

    def local(self, now: float) -> datetime:
        """A time on the wall of the site."""
        return datetime.fromtimestamp(now, ZoneInfo(self.zone))

    def wants(self, name: str, alert: Alert) -> bool:
        """Whether an alert is the work of whoever reads a delivery, whatever the hour."""
        tell = self.tells[name]
        return (
            (not tell.priorities or alert.priority.value in tell.priorities)
            and (not tell.loops or alert.loop in tell.loops)
            and (not tell.roles or bool(set(tell.roles) & set(roles_of(alert.finding))))
        )

    def awake(self, name: str, priority: Priority, now: float) -> bool:
        """Whether whoever reads a delivery is to be told of this priority at this moment."""
        tell, local = self.tells[name], self.local(now)
        return on_duty(tell, local, self.shifts) and (priority is Priority.HIGH or not quiet(tell, local))

    def receivers(self, alert: Alert, now: float) -> list[str]:
        """Who is told of an alert at once; one of high priority that is nobody's at this moment goes to all."""
        first = [name for name, tell in self.tells.items() if tell.after is None]
        found = [
            name
            for name in first
            if self.wants(name, alert)
            and self.awake(name, alert.priority, now)
            and not (self.tells[name].digest and alert.priority is Priority.LOW)
        ]
        return found or (list(self.tells) if alert.priority is Priority.HIGH else [])

    def everybody(self, now: float) -> list[str]:
        """Who is told of something that is no single alert: who is on duty, else all."""
        first = [name for name, tell in self.tells.items() if tell.after is None]
        return [name for name in first if self.awake(name, Priority.HIGH, now)] or list(self.tells)


def plain(targets: Sequence[str]) -> Policy:
    """Every delivery is told everything at all times."""
    return Policy(tells=dict.fromkeys(targets, Tell()))


def policy_of(site: Site) -> Policy:
    """What a site file says."""
    return Policy(
        tells={name: delivery.tell for name, delivery in site.deliveries.items()},
        zone=site.time_zone,
        shifts=site.shifts,
        reopen_s=site.alerting.reopen_within,
        remind_s=site.alerting.remind_after,
        tolerable_t=site.alerting.tolerable,
        operators=site.alerting.operators,
        endpoints={name: _endpoints(loop) for name, loop in site.loops.items()},
    )


def _endpoints(loop: Loop) -> frozenset[str]:
    return frozenset(filter(None, (getattr(tag, "endpoint", "") for tag in loop.tags.values())))
