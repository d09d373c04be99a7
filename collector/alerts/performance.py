"""Figures of the alarm system itself, beside the yardsticks that are usual for them. Pure: what happened is given.

Yardsticks: ANSI/ISA-18.2-2016 clause 16 and IEC 62682, second-hand from a public alarm philosophy; EEMUA 191, from memory.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from collector.alerts.flood import BEGINS_ABOVE, Flood
from collector.alerts.model import Alert, AlertState, Annunciation, Priority

TEN_MIN_S, DAY_S = 600.0, 86400.0
LEAST_DAYS = 30.0
"""Days of data before the figures are held against the yardsticks (ISA-18.2, second-hand)."""
CHATTER_TIMES, CHATTER_S = 3, 60.0
"""An alert that comes so often within so many seconds chatters (from memory; the standard fixes no number)."""
STALE_S = DAY_S
TOP = 10


class Stood(Protocol):
    """One time that an alert stood [epoch s]; `returned` is None while it stands."""

    @property
    def raised(self) -> float:
        """When it was raised."""
        ...

    @property
    def returned(self) -> float | None:
        """When it was gone."""
        ...


@dataclass(frozen=True, slots=True)
class Span:
    """One time that an alert stood, and no more of it."""

    raised: float
    returned: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One figure: `value` in `unit` (None where it cannot be said), its target, and whether it is met (None: not held against it)."""

    name: str
    title: str
    value: float | None
    unit: str
    target: str
    source: str
    met: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Frequent:
    """One of the alerts that come most often, by loop and link."""

    loop: str
    link: str
    count: int
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Performance:
    """The figures of [begin, end) [epoch s]; `days` of them hold data, `graded` whether that is enough for the yardsticks."""

    begin: float
    end: float
    days: float
    graded: bool
    count: int
    figures: tuple[Figure, ...]
    frequent: tuple[Frequent, ...]
    priorities: dict[str, float]
    chattering: tuple[str, ...]
    stale: tuple[str, ...]


def performance_of(
    came: Sequence[Annunciation],
    standing: Sequence[Alert],
    spells: Sequence[Stood],
    first: float | None,
    begin: float,
    end: float,
    *,
    operators: int = 1,
) -> Performance:
    """The figures. `came` are the annunciations in the time, oldest first, `standing` the alerts that are not normal now, `spells`
    every time that an alert stood, `first` when anything was first written. Without data every figure is None."""
    since = begin if first is None else max(begin, min(first, end))
    span = end - since if first is not None else 0.0
    days, graded = span / DAY_S, span >= LEAST_DAYS * DAY_S
    times = [item.time for item in came]
    cells = Counter(int((time - since) // TEN_MIN_S) for time in times if time >= since)
    number = max(1, math.ceil(span / TEN_MIN_S))
    count = len(came)
    per_operator = count / operators
    chattering = _chattering(came)
    stale = tuple(item.id for item in standing if item.active and end - item.raised > STALE_S)
    frequent = Counter((item.loop, item.link) for item in came).most_common(TOP)
    shares = {name.value: _ratio(sum(item.priority is name for item in came), count) or 0.0 for name in Priority}
    isa, memory = "ISA-18.2, second-hand", "EEMUA 191, from memory"

    def figure(name: str, title: str, value: float | None, unit: str, target: str, source: str, ok: bool | None) -> Figure:
        known = value is not None and span > 0.0
        return Figure(
            name=name, title=title, value=value if known else None, unit=unit, target=target, source=source,
            met=ok if known and graded else None,
        )  # fmt: skip

    rate, daily = per_operator / number, per_operator / days if days >= 1.0 else None
    peak = max(cells.values(), default=0)
    crowded = sum(cell > BEGINS_ABOVE for cell in cells.values()) / number
    flooded = _flooded_s(times, since, end) / span if span else 0.0
    top = _ratio(sum(number for _, number in frequent), count)
    worst = _worst_stale(spells, since, end)
    figures = (
        figure("rate", "alerts in ten minutes, average, per operator", rate, "", "about 1; at most 2", isa, rate <= 2.0),
        figure("rate-very-likely", "the same by a stricter yardstick", rate, "", "below 1", memory, rate < 1.0),
        figure("day", "alerts a day, per operator", daily, "", "about 144; at most 288", isa, (daily or 0.0) <= 288.0),
        figure("peak", "most alerts in ten minutes", float(peak), "", "at most 10", memory, peak <= BEGINS_ABOVE),
        figure("crowded", "ten-minute stretches with more than 10", 100 * crowded, "%", "below 1 %", isa, crowded < 0.01),
        figure("flood", "time in flood (from above 10 to below 5)", 100 * flooded, "%", "below 1 %", isa, flooded < 0.01),
        figure(
            "chattering", "alerts that came three times in a minute", float(len(chattering)), "", "none",
            "definition from memory", not chattering,
        ),
        figure("stale", "alerts that have stood for more than 24 h", float(len(stale)), "", "below 5", isa, len(stale) < 5),
        figure("stale-worst", "the most of them on one day", float(worst), "", "below 5 on any day", isa, worst < 5),
        figure(
            "top", "share of the ten most frequent", None if top is None else 100 * top, "%", "1 to 5 %; few alerts have none",
            isa, None,
        ),
    )  # fmt: skip
    return Performance(
        begin=since, end=end, days=days, graded=graded, count=count, figures=figures,
        frequent=tuple(
            Frequent(loop=loop, link=link, count=number, share=number / count) for (loop, link), number in frequent
        ),
        priorities=shares, chattering=chattering, stale=stale,
    )  # fmt: skip


def in_hand(standing: Sequence[Alert]) -> dict[AlertState, int]:
    """How many alerts are in each state that is not normal."""
    counted = Counter(item.state for item in standing)
    return {state: counted.get(state, 0) for state in AlertState if state is not AlertState.NORMAL}


def _chattering(came: Sequence[Annunciation]) -> tuple[str, ...]:
    by_alert: dict[str, list[float]] = {}
    found: dict[str, None] = {}
    for item in came:
        times = by_alert.setdefault(item.alert, [])
        times.append(item.time)
        if len(times) >= CHATTER_TIMES and 0.0 <= item.time - times[-CHATTER_TIMES] <= CHATTER_S:
            found[item.alert] = None
    return tuple(found)


def _flooded_s(times: Sequence[float], begin: float, end: float) -> float:
    """Seconds in flood, by the same two thresholds as the telling of alerts, looked at every ten seconds."""
    flood, total, since = Flood(), 0.0, begin
    for time in times:
        total += _until(flood, since, time)
        flood.add(time, "")
        since = time
    return total + _until(flood, since, end)


def _until(flood: Flood, since: float, until: float) -> float:
    if flood.since is None:
        return 0.0
    moment = since
    while moment < until:
        moment = min(until, moment + 10.0)
        if flood.over(moment):
            break
    return moment - since


def _worst_stale(spells: Sequence[Stood], begin: float, end: float) -> int:
    """The most alerts that had stood for more than a day at the end of any day of the time."""
    worst = 0
    moment = end
    while moment > begin:
        stood = sum(item.raised < moment - STALE_S and (item.returned is None or item.returned > moment) for item in spells)
        worst, moment = max(worst, stood), moment - DAY_S
    return worst


def _ratio(part: float, whole: float) -> float | None:
    return part / whole if whole else None
