"""What to expect: count rates from empty to full, the points of a loop check, the decay over a year, the end of a source."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from checks.commissioning.gauge import DAY_S, GaugeFacts
from checks.physics import T_H_PER_KG_S, flow_noise_t_h
from checks.signal import current_of, flow_of, raw_of
from config.model import Loop

PERCENT = (0.0, 10.0, 20.0, 25.0, 40.0, 50.0, 60.0, 75.0, 80.0, 100.0)
POINTS = (0.0, 25.0, 50.0, 75.0, 100.0)
YEARS = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadRow:
    """What a part of full load gives: flow [t/h], load [kg/m], count rate as shown [1/s], noise behind the damping [t/h, k = 2]."""

    percent: float
    flow: float
    load: float
    count_rate: float
    noise: float


@dataclass(frozen=True, slots=True, kw_only=True)
class LoopRow:
    """A point of a loop check: what the gauge sends [mA], the card gives [raw counts] and the block shows [t/h]."""

    percent: float
    flow: float
    current: float
    raw: float
    shown: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DecayRow:
    """A day [epoch s]: part of today's activity, empty-belt rate as shown [1/s], and what decay that is not compensated makes of
    every flow [t/h]."""

    day_s: float
    left: float
    count_rate: float
    error: float


def load_table(facts: GaugeFacts, percents: Sequence[float] = PERCENT) -> list[LoadRow]:
    """From the empty belt to full load."""
    rows = []
    for percent in percents:
        flow = percent / 100.0 * facts.full
        noise = flow_noise_t_h(
            flow, load_per_attenuation=facts.factor, speed=facts.speed, net_empty=facts.net_empty, background=facts.background,
            tau_s=facts.damping,
        )  # fmt: skip
        rows.append(
            LoadRow(
                percent=percent,
                flow=flow,
                load=flow / (T_H_PER_KG_S * facts.speed),
                count_rate=facts.shown(flow),
                noise=2.0 * noise,
            )
        )
    return rows


def loop_table(loop: Loop, percents: Sequence[float] = POINTS) -> list[LoopRow]:
    """Points of a loop check, in parts of the gauge's range; `shown` is what the far side makes of that current."""
    rows = []
    for percent in percents:
        flow = loop.gauge.range.low + percent / 100.0 * (loop.gauge.range.high - loop.gauge.range.low)
        current = current_of(flow, loop.gauge.range)
        rows.append(
            LoopRow(
                percent=percent,
                flow=flow,
                current=current,
                raw=raw_of(current, loop.plc.raw_span),
                shown=flow_of(current, loop.plc.range),
            )
        )
    return rows


def decay_table(facts: GaugeFacts, months: int = 12) -> list[DecayRow]:
    """The first of each of the next months [UTC]."""
    begin = datetime.fromtimestamp(facts.day_s, UTC)
    rows = []
    for month in range(1, months + 1):
        place = begin.month - 1 + month
        day = datetime(begin.year + place // 12, place % 12 + 1, 1, tzinfo=UTC).timestamp()
        rows.append(_decayed(facts, day))
    return rows


def renewal(facts: GaugeFacts, noise: float) -> float | None:
    """The day [epoch s] on which the noise at full load behind the damping reaches `noise` [t/h, k = 2].

    The day itself where it is reached already; None where it is not within 60 years.
    """

    def reached(day_s: float) -> bool:
        left = math.exp(-facts.decay_constant * (day_s - facts.day_s))
        return load_table(replace(facts, net_empty=facts.net_empty * left), (100.0,))[0].noise >= noise

    low, high = facts.day_s, facts.day_s + YEARS * 365.25 * DAY_S
    if reached(low):
        return low
    if not reached(high):
        return None
    while high - low > DAY_S / 2.0:
        middle = (low + high) / 2.0
        low, high = (low, middle) if reached(middle) else (middle, high)
    return high


def _decayed(facts: GaugeFacts, day_s: float) -> DecayRow:
    left = math.exp(-facts.decay_constant * (day_s - facts.day_s))
    gross = facts.net_empty * left + facts.background
    return DecayRow(
        day_s=day_s,
        left=left,
        count_rate=gross / (1.0 + gross * facts.dead_time),
        error=-facts.t_h_per_attenuation * math.log(left),
    )
