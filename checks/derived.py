"""What is computed at each sample before blocks are made: the flow that counts and speed demand, and the integrals."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from checks.physics import Filter, attenuation, empty_rate, flow_t_h, true_rate
from checks.samples import Samples
from config.model import Loop, SpeedSource
from config.nuclides import decay_constant_s

Floats = NDArray[np.float64]

EXPECTED = "expected_flow"
BLANK = 5.0
"""Time constants after which nothing is left of the value that a filter started on (0.7 %)."""


def can_expect(loop: Loop) -> bool:
    """Whether flow can be rebuilt from counts: count rate, empty-belt rate, calibration and a speed are known."""
    gauge = loop.gauge
    speed = "speed" in loop.tags or (gauge.speed_source is SpeedSource.FIXED and gauge.fixed_speed is not None)
    tared = gauge.empty_belt_rate is not None or "empty_belt_rate" in loop.tags
    return "count_rate" in loop.tags and tared and gauge.load_per_attenuation is not None and speed


class ExpectedFlow:
    """Flow [t/h] from counts, speed and decay, sample by sample; chunks do not matter.

    The decay runs from the declared reference date; without one n0 stands as it is. Where the site file declares no n0, the
    one that the gauge reads back (role `empty_belt_rate`) stands, undecayed. Unfiltered counts go through the gauge's
    damping first. At or below background (dead detector, closed shutter) there is no number: NaN.
    """

    def __init__(self, loop: Loop, step_s: int) -> None:
        gauge = loop.gauge
        self._gauge, self._step_s = gauge, step_s
        self._last_s: int | None = None
        self._filter = None if gauge.counts_filtered else Filter(gauge.damping, step_s, blank_s=BLANK * gauge.damping)
        self._background = true_rate(gauge.background, gauge.dead_time)
        self._constant = decay_constant_s(gauge.nuclide)
        date = gauge.reference_date
        self._reference_s = datetime(date.year, date.month, date.day, tzinfo=UTC).timestamp() if date is not None else None
        self._read_back = np.nan

    def __call__(self, samples: Samples) -> Floats:
        gauge = self._gauge
        rate = samples.column("count_rate")
        rate = rate if self._filter is None else self._filtered(samples.time_s, rate, self._filter)
        empty = self.empty_at(samples.time_s) if gauge.empty_belt_rate is not None else self._tared(samples)
        speed = samples.column("speed")
        if gauge.speed_source is SpeedSource.FIXED and gauge.fixed_speed is not None:
            speed = np.where(np.isnan(speed), gauge.fixed_speed, speed)
        assert gauge.load_per_attenuation is not None
        return flow_t_h(
            attenuation(true_rate(rate, gauge.dead_time), empty, self._background), gauge.load_per_attenuation, speed
        )

    def _filtered(self, time_s: NDArray[np.int64], rate: Floats, through: Filter) -> Floats:
        """Counts behind the damping; the filter starts anew behind a stretch in which no sample came, as behind a NaN."""
        if not len(rate):
            return rate
        before = time_s[0] - self._step_s if self._last_s is None else self._last_s
        gaps = np.flatnonzero(np.diff(time_s, prepend=before) > self._step_s)
        self._last_s = int(time_s[-1])
        if not len(gaps):
            return through(rate)
        joined = through(np.insert(rate, gaps, np.nan))
        return np.asarray(np.delete(joined, gaps + np.arange(len(gaps))), np.float64)

    def _tared(self, samples: Samples) -> Floats:
        """The read-back tare at each sample [1/s], corrected for dead time, the last good one held."""
        column = samples.column("empty_belt_rate")
        good = np.isfinite(column)
        index = np.maximum.accumulate(np.where(good, np.arange(len(column)), -1))
        held = np.where(index >= 0, column[np.maximum(index, 0)], self._read_back)
        self._read_back = float(held[-1]) if len(held) else self._read_back
        return np.asarray(true_rate(held, self._gauge.dead_time), np.float64)

    def empty_at(self, time_s: NDArray[np.int64]) -> Floats:
        """Gross rate of the empty belt [1/s] at these times, corrected for dead time; NaN where no tare is declared."""
        reference = self._gauge.empty_belt_rate
        if reference is None:
            return np.full(len(time_s), np.nan)
        gross = true_rate(reference, self._gauge.dead_time)
        age: Floats = np.zeros(len(time_s)) if self._reference_s is None else np.asarray(time_s - self._reference_s, np.float64)
        return empty_rate(gross, self._background, self._constant, age)


class Integral:
    """Tonnes under a flow by the trapezoid; a gap longer than `most_s` adds nothing and is counted as not measured."""

    def __init__(self, step_s: int) -> None:
        self._most_s = 2 * step_s
        self._step_s = step_s
        self._time: int | None = None
        self._flow = 0.0

    def push(self, time_s: NDArray[np.int64], flow: Floats) -> tuple[Floats, Floats]:
        """Tonnes and measured seconds that belong to each sample (the stretch behind it), shape (n,) each."""
        tonnes, seconds = np.zeros(len(flow)), np.zeros(len(flow))
        good = np.flatnonzero(np.isfinite(flow))
        if not len(good):
            return tonnes, seconds
        times, values = time_s[good], flow[good]
        before_t = np.concatenate([[times[0] - self._step_s if self._time is None else self._time], times[:-1]])
        before_f = np.concatenate([[values[0] if self._time is None else self._flow], values[:-1]])
        length = (times - before_t).astype(np.float64)
        joined = length <= self._most_s
        length = np.where(joined, length, self._step_s)
        before_f = np.where(joined, before_f, values)
        tonnes[good] = 0.5 * (before_f + values) * length / 3600.0
        seconds[good] = length
        self._time, self._flow = int(times[-1]), float(values[-1])
        return tonnes, seconds
