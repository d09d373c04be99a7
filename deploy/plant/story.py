"""What happened at the terminal before now: faults that were found and repaired, work on a belt, a service that was stopped.

Each stays inside one UTC day, so that every day can be made by itself; days are counted back from the newest part of the history.
A repair is done under the maintenance bit of the loop, which the technician sets before it and takes away after it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

HOUR_S = 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """One event: `fault` by its id from `from_h` to `to_h` [h of the UTC day]; under maintenance from `work_h` (None: never)."""

    days_back: int
    loop: str
    fault: str
    from_h: float
    to_h: float
    work_h: float | None = None
    severity: float | None = None
    honest: bool = False
    """Nothing that anybody should call a fault."""

    def switches(self) -> Iterator[tuple[int, str, bool, float | None]]:
        """Second of the day, fault, on or off, severity; maintenance ends a quarter of an hour after the repair."""
        yield round(self.from_h * HOUR_S), self.fault, True, self.severity
        yield round(self.to_h * HOUR_S), self.fault, False, None
        if self.work_h is not None:
            yield round(self.work_h * HOUR_S), "maintenance", True, None
            yield round((self.to_h + 0.25) * HOUR_S), "maintenance", False, None


@dataclass(frozen=True, slots=True, kw_only=True)
class Silence:
    """The service was stopped: nothing of any loop was recorded."""

    days_back: int
    from_h: float
    to_h: float


TOLD_BY = "shift technician (invented)"
TOLD_AFTER_S = 1200
"""How long after an alert somebody acknowledged it [s]."""

EVENTS = (
    Event(days_back=3, loop="TB-08", fault="upper-range@plc", from_h=5.2, to_h=9.7, work_h=9.3),
    Event(days_back=6, loop="TB-09", fault="belt-stop", from_h=6.0, to_h=15.0, work_h=7.0, honest=True),
    Event(days_back=9, loop="TB-07", fault="zero-counts", from_h=7.7, to_h=10.9, work_h=10.2),
    Event(days_back=16, loop="TB-09", fault="open-loop", from_h=3.4, to_h=5.1, work_h=4.6),
    Event(days_back=20, loop="TB-07", fault="belt-stop", from_h=12.0, to_h=20.0, work_h=13.0, honest=True),
    Event(days_back=24, loop="TB-08", fault="counts-frozen", from_h=13.3, to_h=15.8, work_h=15.2),
    Event(days_back=31, loop="TB-07", fault="output-frozen", from_h=9.1, to_h=11.4, work_h=10.9),
    Event(days_back=36, loop="TB-09", fault="detector-temperature", from_h=11.0, to_h=14.5, work_h=13.9),
    Event(days_back=41, loop="TB-07", fault="open-loop", from_h=14.2, to_h=15.5, work_h=15.0),
    Event(days_back=44, loop="TB-08", fault="forced-value", from_h=10.0, to_h=10.9),
    Event(days_back=47, loop="TB-07", fault="zero-counts", from_h=2.6, to_h=4.8, work_h=4.2),
    Event(days_back=50, loop="TB-07", fault="open-loop", from_h=18.1, to_h=19.9, work_h=19.4),
    Event(days_back=53, loop="TB-07", fault="zero-counts", from_h=6.4, to_h=8.0, work_h=7.5),
    Event(days_back=56, loop="TB-09", fault="total-time-base", from_h=4.0, to_h=19.0, work_h=18.5, severity=-4.0),
)
SILENCES = (Silence(days_back=13, from_h=21.2, to_h=22.4), Silence(days_back=39, from_h=8.5, to_h=8.9))


def events_of(loop: str, days_back: int) -> list[Event]:
    """The events of a loop on a day; what is older than the story has happened comes again every eight weeks."""
    return [event for event in EVENTS if event.loop == loop and event.days_back == _again(days_back)]


def silences_of(days_back: int) -> list[Silence]:
    """When nothing was recorded on a day."""
    return [silence for silence in SILENCES if silence.days_back == _again(days_back)]


LENGTH_D = 57


def _again(days_back: int) -> int:
    return (days_back - 1) % LENGTH_D + 1
