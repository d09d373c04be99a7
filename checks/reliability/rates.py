"""Availability, time between failures and time to repair, with what they are sure of.

Definitions (the share of required time follows the dependability vocabulary of IEC 60050-192, from memory; the limits
NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.5.1):

- *required time*: the belt ran with load, or it is not known that it did not while a flow was read;
- *available*: a flow was read and the loop was not at work or failed: measuring true, degraded or unverified;
- *availability* = available / required; *true share* = measuring true / required;
- *no data* and the time in which the belt stood or ran empty are outside required time and told apart;
- *MTBF* = required hours / failures (failure to failure), *MTTR* = hours down / repairs that ended.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum

from scipy import stats

from checks.reliability.timeline import Interval, LoopState

AVAILABLE = frozenset({LoopState.TRUE, LoopState.DEGRADED, LoopState.UNVERIFIED})


class Censoring(StrEnum):
    """How a stretch of observation ended: at a given time, or with a failure."""

    TIME = "time"
    FAILURE = "failure"


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A mean [h] with its two-sided confidence limits; None where the failures do not allow one."""

    value: float | None
    lower: float | None
    upper: float | None
    count: int
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Seconds of a loop: in required time by state, and outside it. They add up to the calendar time."""

    required_s: dict[LoopState, int]
    idle_s: int
    """Not required: stopped, empty, or at work while it stood."""
    no_data_s: int

    @property
    def required(self) -> int:
        """Required time [s]."""
        return sum(self.required_s.values())

    @property
    def available(self) -> int:
        """Available time [s]."""
        return sum(seconds for state, seconds in self.required_s.items() if state in AVAILABLE)

    @property
    def calendar(self) -> int:
        """All time [s]."""
        return self.required + self.idle_s + self.no_data_s

    @property
    def availability(self) -> float | None:
        """Share of required time, 0 to 1; None where no time was required."""
        return self.available / self.required if self.required else None

    @property
    def true_share(self) -> float | None:
        """Share of required time that measured true, 0 to 1; None where no time was required."""
        return self.required_s.get(LoopState.TRUE, 0) / self.required if self.required else None

    def __add__(self, other: Tally) -> Tally:
        states = [state for state in LoopState if state in self.required_s or state in other.required_s]
        return Tally(
            required_s={state: self.required_s.get(state, 0) + other.required_s.get(state, 0) for state in states},
            idle_s=self.idle_s + other.idle_s,
            no_data_s=self.no_data_s + other.no_data_s,
        )


def tally(intervals: Iterable[Interval]) -> Tally:
    """The seconds of intervals that do not overlap."""
    required: dict[LoopState, int] = {}
    idle = nothing = 0
    for item in intervals:
        length = item.end - item.begin
        if item.state is LoopState.NO_DATA:
            nothing += length
        elif item.required:
            required[item.state] = required.get(item.state, 0) + length
        else:
            idle += length
    return Tally(required_s=required, idle_s=idle, no_data_s=nothing)


def mtbf(hours: float, failures: int, *, confidence: float = 0.9, censoring: Censoring = Censoring.TIME) -> Estimate:
    """Mean time between failures [h] under a constant rate, from `hours` of required time.

    Two-sided limits 2T/chi2(1 - a/2; 2r + 2) and 2T/chi2(a/2; 2r), where a test that ended with a failure has 2r in both.
    Without a failure there is neither a value nor an upper limit, and the lower one takes the whole a: T / -ln(a).
    """
    _ask(hours, failures, confidence)
    rest = 1.0 - confidence
    if failures == 0:
        if censoring is Censoring.FAILURE:
            raise ValueError("an observation that ended with a failure has one")
        lower = 2.0 * hours / float(stats.chi2.ppf(confidence, 2))
        return Estimate(value=None, lower=lower, upper=None, count=0, confidence=confidence)
    freedom = 2 * failures + (2 if censoring is Censoring.TIME else 0)
    return Estimate(
        value=hours / failures,
        lower=2.0 * hours / float(stats.chi2.ppf(1.0 - rest / 2.0, freedom)),
        upper=2.0 * hours / float(stats.chi2.ppf(rest / 2.0, 2 * failures)),
        count=failures,
        confidence=confidence,
    )


def mttr(hours_down: float, repairs: int, *, confidence: float = 0.9) -> Estimate:
    """Mean time to repair [h] of repairs that ended, under a constant repair rate; every one of them is complete, so 2r."""
    _ask(hours_down, repairs, confidence)
    if repairs == 0:
        return Estimate(value=None, lower=None, upper=None, count=0, confidence=confidence)
    return mtbf(hours_down, repairs, confidence=confidence, censoring=Censoring.FAILURE)


def availability_of(mean_up: float, mean_down: float) -> float:
    """Steady-state availability MUT/(MUT + MDT); `mean_up` is mean *up* time, not failure to failure."""
    if mean_up < 0 or mean_down < 0 or mean_up + mean_down == 0:
        raise ValueError("mean times are not negative, and not both zero")
    return mean_up / (mean_up + mean_down)


def _ask(hours: float, count: int, confidence: float) -> None:
    if not (hours >= 0.0 and count >= 0 and 0.0 < confidence < 1.0):
        raise ValueError("hours and counts are not negative, the confidence lies between 0 and 1")
