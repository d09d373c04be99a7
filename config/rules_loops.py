"""Rules of one loop: ranges, source, speed, the current loop."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from datetime import date

from config.model import Loop, SpeedSource
from config.nuclides import NUCLIDES, nuclide
from config.problems import Found, KeyPath

FAILURE_A = 0.021
"""Largest current a loop must carry to show a failure [A]: NAMUR NE 43, failure high (second-hand)."""

MOST_DEAD_TIME_LOSS = 0.1
"""Above this share of lost counts the correction models part company (second-hand, a note on counting electronics)."""


def ranges_rise(loop: Loop, path: KeyPath, today: date) -> Iterator[Found]:
    """The 20 mA end lies above the 4 mA end on both sides, and both sides mean the same."""
    for side, part in (("gauge", loop.gauge.range), ("plc", loop.plc.range)):
        if part.high <= part.low:
            what = f"the range ends at {part.high:g} t/h, not above its begin at {part.low:g} t/h"
            yield Found((*path, side, "range", "high"), what, f"more than {part.low:g} t/h")
    raw = loop.plc.raw_span
    if not (math.isfinite(raw.low) and math.isfinite(raw.high) and raw.high > raw.low):
        what = f"the raw counts at 20 mA ({raw.high:g}) do not lie above those at 4 mA ({raw.low:g})"
        yield Found((*path, "plc", "raw_span", "high"), what, "for example low: 0, high: 27648")
    gauge, plc = loop.gauge.range, loop.plc.range
    span = max(abs(gauge.high - gauge.low), 1e-9)
    if max(abs(gauge.low - plc.low), abs(gauge.high - plc.high)) > 1e-4 * span:
        what = (
            f"the PLC scales {plc.low:g} to {plc.high:g} t/h, the gauge sends {gauge.low:g} to {gauge.high:g} t/h: "
            "the chain as declared misreads"
        )
        yield Found((*path, "plc", "range"), what, "the same range on both sides", True)


_POSITIVE: tuple[tuple[str, str], ...] = (
    ("gauge", "load_per_attenuation"),
    ("gauge", "belt_width"),
    ("gauge", "belt_length"),
    ("gauge", "fixed_speed"),
    ("gauge", "empty_belt_rate"),
    ("plc", "load_resistance"),
    ("plc", "supply_voltage"),
    ("drive", "nominal_frequency"),
    ("drive", "speed_at_nominal"),
)
_NOT_NEGATIVE: tuple[tuple[str, str], ...] = (
    ("gauge", "background"),
    ("gauge", "dead_time"),
    ("gauge", "damping"),
    ("gauge", "low_cutoff"),
    ("plc", "filter"),
    ("plc", "low_cutoff"),
)


def numbers_have_their_sign(loop: Loop, path: KeyPath, today: date) -> Iterator[Found]:
    """Lengths, rates and times are not negative."""
    for side, key in _POSITIVE:
        value = getattr(getattr(loop, side), key)
        if value is not None and value <= 0.0:
            yield Found((*path, side, key), f"{key} is {value:g}", "more than zero")
    for side, key in _NOT_NEGATIVE:
        if getattr(getattr(loop, side), key) < 0.0:
            yield Found((*path, side, key), f"{key} is negative", "zero or more")
    if loop.settle < 0.0:
        yield Found((*path, "settle"), "settle is negative", "0 s or more")
    for side in ("gauge", "plc"):
        part = getattr(loop, side)
        if part.low_cutoff >= part.range.high > part.range.low:
            what = f"the low-flow cut-off of {part.low_cutoff:g} t/h hides the whole range"
            yield Found((*path, side, "low_cutoff"), what, f"below {part.range.high:g} t/h")
        if part.total.resolution <= 0.0:
            yield Found((*path, side, "total", "resolution"), f"one digit is {part.total.resolution:g} t", "more than zero")
        elif part.total.rollover is not None and part.total.rollover <= part.total.resolution:
            what = f"the totalizer starts again at {part.total.rollover:g} t, within one digit"
            yield Found((*path, side, "total", "rollover"), what, "for example 1e6 t; leave it out where there is none")


def source_is_known(loop: Loop, path: KeyPath, today: date) -> Iterator[Found]:
    """The nuclide has a half-life, the reference date is past, the counts fit each other."""
    gauge = loop.gauge
    if gauge.nuclide not in NUCLIDES:
        try:
            nuclide(gauge.nuclide)
        except ValueError as error:
            what, _, allowed = str(error).partition("; use one of: ")
            yield Found((*path, "gauge", "nuclide"), what, f"allowed: {allowed}")
    if gauge.reference_date is not None and gauge.reference_date > today:
        what = f"the reference date {gauge.reference_date.isoformat()} lies in the future"
        yield Found((*path, "gauge", "reference_date"), what, "the day on which the empty-belt rate was measured", True)
    if gauge.source is not None and gauge.source.activity_date > today:
        what = f"the date of the activity {gauge.source.activity_date.isoformat()} lies in the future"
        yield Found(
            (*path, "gauge", "source", "activity_date"), what, "the day of the activity on the papers of the source", True
        )
    if gauge.empty_belt_rate is None or gauge.empty_belt_rate <= 0.0:
        return
    if gauge.background >= gauge.empty_belt_rate:
        what = f"the background of {gauge.background:g} 1/s is not below the empty-belt rate of {gauge.empty_belt_rate:g} 1/s"
        yield Found((*path, "gauge", "background"), what, "the count rate with the shutter closed")
    loss = gauge.dead_time * gauge.empty_belt_rate
    if loss >= 1.0:
        what = f"a dead time of {gauge.dead_time:g} s cannot give {gauge.empty_belt_rate:g} 1/s"
        yield Found((*path, "gauge", "dead_time"), what, "a few microseconds, for example 5 us")
    elif loss > MOST_DEAD_TIME_LOSS:
        what = f"{100.0 * loss:.0f} % of the counts are lost to dead time on the empty belt"
        yield Found((*path, "gauge", "dead_time"), what, "below 10 %; is the unit right (us, ms)?", True)


def speed_is_declared(loop: Loop, path: KeyPath, today: date) -> Iterator[Found]:
    """A gauge with a fixed speed says which, and suits a belt that runs at one speed."""
    gauge = loop.gauge
    if gauge.speed_source is SpeedSource.FIXED:
        if gauge.fixed_speed is None:
            what = "the speed source is fixed, but the speed is missing"
            yield Found((*path, "gauge", "fixed_speed"), what, "for example `fixed_speed: 1.9 m/s`")
        if loop.drive.variable:
            what = "the drive is variable, but the gauge counts with a fixed speed: the flow is wrong at every other speed"
            yield Found((*path, "drive", "variable"), what, "speed_source: measured", True)
    elif gauge.fixed_speed is not None:
        yield Found((*path, "gauge", "fixed_speed"), "the speed is measured, fixed_speed is not used", "take it out", True)


def current_loop_can_carry_a_failure(loop: Loop, path: KeyPath, today: date) -> Iterator[Found]:
    """The supply drives the failure current through the resistance of the loop."""
    plc = loop.plc
    if plc.load_resistance > 0.0 and plc.supply_voltage <= FAILURE_A * plc.load_resistance:
        most = plc.supply_voltage / FAILURE_A
        what = f"{plc.supply_voltage:g} V cannot drive 21 mA through {plc.load_resistance:g} ohm"
        yield Found((*path, "plc", "load_resistance"), what, f"well below {most:.0f} ohm", True)


LOOP_RULES: tuple[Callable[[Loop, KeyPath, date], Iterator[Found]], ...] = (
    ranges_rise,
    numbers_have_their_sign,
    source_is_known,
    speed_is_declared,
    current_loop_can_carry_a_failure,
)
