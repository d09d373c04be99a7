"""How well the tonnes of a loop are known, on what that rests, and whether anything from outside proves the weight."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from checks import truth
from checks.accounting.balance import Known
from checks.empties import EmptyStretch
from checks.physics import flow_noise_t_h
from checks.references import MaterialTest, Reference
from checks.result import CheckResult, Verdict, judge
from checks.samples import empty
from checks.window import Window
from checks.zero_series import Series, current, series_of
from collector.accounts.reading import DAY_S, HOUR_S, MINUTE_S, nothing, pieces, plain
from collector.history.store import Store
from config.model import Loop, Site

SPAN_U = 0.01
"""Expanded uncertainty (k = 2) of a calibration that no reference lot proves [part of the tonnes]: what a radiometric weigher
in good order is taken for (common practice, no source)."""
NOISE = 0.01
"""Noise of the flow where nothing is declared of the counting [part of full range], standard deviation (own estimate)."""
MINUTES_KEPT_S = 35 * DAY_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Grounds:
    """What the uncertainty of a loop rests on. `series` is the empties ledger as numbers, None where it is not known;
    `weight` what reference lots say of the tonnes."""

    known: Known
    words: tuple[str, ...]
    weight: CheckResult
    series: Series | None
    window: Window


def grounds_of(site: Site, loop_id: str, store: Store, references: Sequence[Reference], end: int, now: int) -> Grounds:
    """The grounds for a time that ends at `end`; of the ledger, what is known at `now` (epoch s)."""
    loop = site.loops[loop_id]
    empties = [entry for entry in store.empties(loop_id) if entry.end_s <= end]
    series = series_of(loop, empties, loop.limits.zero.scatter / 100.0) if "count_rate" in loop.tags else None
    window = window_of(site, loop_id, store, references, now)
    (weight,) = truth.check(window)
    span, span_words = _span(weight)
    zero, zero_words = _zero(loop, series, end)
    noise, seconds = _noise(loop, series), max(loop.gauge.damping, 1.0)
    counting = f"counting: {noise:.2g} t/h over {seconds:g} s (k = 1), random, so that it averages out"
    return Grounds(
        known=Known(span=span, zero_t_h=zero, noise_t_h=noise, noise_s=seconds), words=(span_words, zero_words, counting),
        weight=weight, series=series, window=window,
    )  # fmt: skip


def window_of(site: Site, loop_id: str, store: Store, references: Sequence[Reference], now: int) -> Window:
    """A window that shows the ledger and the stored hours and minutes of those lots that have no gauge tonnes in it."""
    shown = tuple(entry for entry in references if entry.end_s <= now)
    open_ = [entry for entry in shown if isinstance(entry, MaterialTest) and entry.gauge_t is None]
    first = min((entry.begin_s for entry in open_), default=now)
    last = max((entry.end_s for entry in open_), default=now)
    hours = plain(loop_id, HOUR_S, pieces(store, loop_id, HOUR_S, first, last) if open_ else [])
    fresh = max(first, now - MINUTES_KEPT_S)
    minutes = plain(loop_id, MINUTE_S, pieces(store, loop_id, MINUTE_S, fresh, last) if open_ and fresh < last else [])
    return Window(
        site=site, loop_id=loop_id, loop=site.loops[loop_id], end_s=now, blocks=nothing(loop_id, 10), minutes=minutes, hours=hours,
        samples=empty(loop_id, ()), ledger=(), settings={}, setting_since={}, references=shown,
    )  # fmt: skip


def _span(weight: CheckResult) -> tuple[float, str]:
    """Standard uncertainty of the calibration [part]; a deviation that is not corrected is part of it (JCGM 100:2008, F.2.4.5)."""
    mean, wide = weight.facts.get("mean"), weight.facts.get("mean_uncertainty")
    if mean is None or wide is None:
        return SPAN_U / 2.0, (
            f"calibration: no reference lot speaks for it, so ± {100 * SPAN_U:g} % (k = 2) are assumed; systematic"
        )
    lots = (
        f"calibration: {weight.used} reference lot{'s' * (weight.used != 1)}, gauge less reference {mean:+.2f} % ± {wide:.2f} %"
    )
    return math.hypot(mean, wide / 2.0) / 100.0, f"{lots} (k = 2), not corrected for; systematic"


def _zero(loop: Loop, series: Series | None, end: int) -> tuple[float, str]:
    level = current(series) if series is not None else None
    limit = loop.limits.zero
    if series is None or level is None or series.time_s[level.first] < end - limit.stale_after:
        assumed = limit.suspect / 100.0 * (loop.gauge.range.high - loop.gauge.range.low)
        return assumed, (
            f"zero: no empty running belt in {limit.stale_after / DAY_S:g} days shows it, so ± {2 * assumed:.2g} t/h (k = 2) are "
            "assumed; systematic"
        )
    return math.hypot(level.value, level.se), (
        f"zero: {level.value:+.2f} t/h ± {2 * level.se:.2f} t/h (k = 2) by {level.rows} stretches of empty running belt, not "
        "corrected for; systematic"
    )


def _noise(loop: Loop, series: Series | None) -> float:
    """Standard deviation that counting gives the flow at half range [t/h]."""
    gauge = loop.gauge
    speed = gauge.fixed_speed or loop.drive.speed_at_nominal
    net = _net(series.stretches) if series is not None else None
    if net is None and gauge.empty_belt_rate is not None:
        net = gauge.empty_belt_rate - gauge.background
    if gauge.load_per_attenuation is None or not speed or net is None:
        return NOISE * (gauge.range.high - gauge.range.low)
    noise = flow_noise_t_h(
        0.5 * gauge.range.high, load_per_attenuation=gauge.load_per_attenuation, speed=speed, net_empty=net,
        background=gauge.background, tau_s=max(gauge.damping, 1.0),
    )  # fmt: skip
    return noise if math.isfinite(noise) else NOISE * (gauge.range.high - gauge.range.low)


def _net(stretches: Sequence[EmptyStretch]) -> float | None:
    return float(np.exp(stretches[-1].ln_net)) if stretches else None


def agreement(deviation: float | None, uncertainty: float, tonnes: float, loop: Loop) -> tuple[Verdict, str]:
    """Whether both ends booked the same: deviation of the PLC and its expanded uncertainty [% of the tonnes]; why not, if not."""
    limit = loop.limits.totals
    if deviation is None:
        return Verdict.NOT_EVALUATED, "the PLC total is not read, or was not there"
    if abs(tonnes) < limit.least_tonnes:
        return Verdict.NOT_EVALUATED, f"fewer than {limit.least_tonnes:g} t passed"
    return judge(deviation, uncertainty, limit.suspect, limit.fault), ""
