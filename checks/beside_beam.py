"""What counts beside the beam: behind a closed shutter, and on a belt that stands."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from checks.causes import registry
from checks.counts import BEAM_ON
from checks.finding import UNKNOWN, Alternative, Finding
from checks.result import Evidence, Link, Verdict
from checks.tail import Tail
from checks.telling import clock, told
from checks.window import Window

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CLOSED_S, SETTLED_S, CLEARED_S = 60, 10, 180
"""Counts that decide, what is left out at the ends of a closed stretch, and after which the belt is clear of product [s]."""
SIGMAS, LEAST_SHARE, LEAST_RATE = 4.0, 0.1, 5.0
"""A difference is told beyond so many standard errors, this part of the rate, and so many counts a second."""
STANDING_S, SIDE_S, STEP_SIGMAS, STEP_SHARE = 600, 60, 6.0, 0.004


def closed_counts(window: Window) -> Finding | None:
    """With the shutter closed only background counts, and the product where it lies in front of the detector."""
    tail, gauge = Tail(window), window.loop.gauge
    closed = tail.column("shutter_closed") > 0.5
    if not closed.any() or gauge.background <= 0.0:
        return None
    settle = max(1, int(SETTLED_S + (5.0 * gauge.damping if gauge.counts_filtered else 0.0)) // tail.step)
    closed = _shrunk(closed, settle)
    counts = tail.column("count_rate")
    closed &= np.isfinite(counts) & (np.nan_to_num(counts) < BEAM_ON * (gauge.empty_belt_rate or np.inf))
    runs = np.nan_to_num(tail.column("drive_running"), nan=0.0) > 0.5
    fed = np.nan_to_num(tail.column("feed_running"), nan=0.0) > 0.5
    known = tail.has("feed_running") and tail.has("drive_running")
    cleared = max(1, CLEARED_S // tail.step)
    idle = closed & known & ~_lately(fed, cleared)
    loaded = closed & known & ~_lately(~(fed & runs), cleared // 2)
    alone, with_product = _rate(counts, idle, tail.step), _rate(counts, loaded, tail.step)
    begin = int(tail.time_s[np.flatnonzero(closed)[0]]) if closed.any() else window.end_s
    interval = (int(tail.time_s[0]), begin)  # behind an open shutter nothing tells since when
    if alone is not None and with_product is not None and _more(with_product, alone):
        more = with_product[0] - alone[0]
        named = tail.has("product")
        return told(
            window, Link.COUNTS, "product-gammas" if named else UNKNOWN, verdict=Verdict.SUSPECT, begin=begin, interval=interval,
            title="" if named else "the product counts", evidence=_both(alone, with_product, gauge.background),
            alternatives=() if named else (Alternative(cause="product-gammas", odds=9.0, separated_by="the grade that ran"),),
            gate=() if named else ("need a tag for the product or grade",),
            sentence=(
                f"With the shutter closed {alone[0]:.0f} counts a second were there on the empty belt and {with_product[0]:.0f} under "
                f"product: the product itself radiates, {more:.0f} 1/s, and the loaded belt reads too low."
            ),
        )  # fmt: skip
    declared = (gauge.background, 0.0)
    if alone is not None and (_more(alone, declared) or _more(declared, (alone[0], alone[1]))):
        return told(
            window, Link.COUNTS, "background", verdict=Verdict.SUSPECT, begin=begin, interval=interval,
            evidence=_both(alone, None, gauge.background),
            sentence=(
                f"With the shutter closed and no product {alone[0]:.0f} counts a second were there; {gauge.background:.0f} are declared. "
                f"{_costs(window, alone[0] - gauge.background)}"
            ),
        )  # fmt: skip
    if alone is None and with_product is not None and _more(with_product, declared):
        separator = "a closed-shutter count on the empty belt"
        return told(
            window, Link.COUNTS, UNKNOWN, verdict=Verdict.SUSPECT, title="more than background behind the shutter", begin=begin,
            interval=interval, evidence=_both(None, with_product, gauge.background),
            alternatives=tuple(Alternative(cause=name, odds=1.0, separated_by=separator) for name in ("background", "product-gammas")),
            gate=("need a minute with the shutter closed and the belt empty",),
            sentence=(
                f"With the shutter closed {with_product[0]:.0f} counts a second were there under product; {gauge.background:.0f} are "
                f"declared as background."
            ),
        )  # fmt: skip
    return None


def _shrunk(bit: Bools, count: int) -> Bools:
    """The bit without its first and last `count` samples of each stretch."""
    off = ~bit
    return np.asarray(bit & ~_lately(off, count) & ~_lately(off[::-1], count)[::-1])


def _lately(bit: Bools, count: int) -> Bools:
    """Whether a bit was on in one of the newest `count` samples up to each."""
    total = np.cumsum(np.concatenate([[0], bit]))
    first = np.maximum(np.arange(len(bit)) - count + 1, 0)
    return np.asarray(total[1:] - total[first] > 0)


def _rate(counts: Floats, where: Bools, step: int) -> tuple[float, float] | None:
    """Mean rate and its standard error by counting; None below a minute."""
    seconds = int(where.sum()) * step
    if seconds < CLOSED_S:
        return None
    mean = float(counts[where].mean())
    return mean, math.sqrt(max(mean, 1.0) / seconds)


def _more(a: tuple[float, float], b: tuple[float, float]) -> bool:
    difference = a[0] - b[0]
    return difference > max(SIGMAS * math.hypot(a[1], b[1]), LEAST_SHARE * b[0], LEAST_RATE)


def _both(alone: tuple[float, float] | None, loaded: tuple[float, float] | None, declared: float) -> tuple[Evidence, ...]:
    pairs = (("closed, no product", alone), ("closed, under product", loaded))
    return tuple(
        Evidence(name=name, value=pair[0], unit="1/s", limit=declared, standard_error=pair[1]) for name, pair in pairs if pair is not None
    )  # fmt: skip


def _costs(window: Window, more: float) -> str:
    gauge = window.loop.gauge
    speed = gauge.fixed_speed or window.loop.drive.speed_at_nominal
    if gauge.load_per_attenuation is None or speed is None or gauge.empty_belt_rate is None:
        return "The flow is off by it at every load."
    per = 3.6 * gauge.load_per_attenuation * speed
    return f"That makes {-per * more / (gauge.empty_belt_rate - gauge.background):+.1f} t/h on the empty belt."


def counts_of_standing_belt(window: Window) -> Finding | None:
    """Counts that rise while the belt stands: nothing in the beam has moved, so something counts beside it."""
    tail, gauge = Tail(window), window.loop.gauge
    if not tail.has("drive_running") or gauge.counts_filtered or not len(tail.time_s):
        return None
    since = tail.standing(tail.column("drive_running") < 0.5)
    if since.seconds < STANDING_S:
        return None
    first = int(np.searchsorted(tail.time_s, since.begin)) + SETTLED_S // tail.step
    counts = tail.column("count_rate")[first:]
    shut = np.nan_to_num(tail.column("shutter_closed")[first:], nan=0.0) > 0.5
    n, side = len(counts), SIDE_S // tail.step
    if shut.any() or not np.isfinite(counts).all() or n < 4 * side or counts.mean() < BEAM_ON * (gauge.empty_belt_rate or 0.0):
        return None
    total = np.cumsum(counts)
    cut = np.arange(side, n - side)
    before, behind = total[cut - 1] / cut, (total[-1] - total[cut - 1]) / (n - cut)
    z = (behind - before) / np.sqrt(counts.mean() * (1.0 / cut + 1.0 / (n - cut)) / tail.step)
    best = int(np.argmax(z))
    more = float(behind[best] - before[best])
    if z[best] < STEP_SIGMAS or more < STEP_SHARE * float(counts.mean()):
        return None
    begin = int(tail.time_s[first + int(cut[best])])
    near = registry()
    whole = near["neighbour-source"].weight + near["background"].weight
    separator = "note when neighbouring shutters move, and ask for radiography permits"
    beside = tuple(
        Alternative(cause=name, odds=near[name].weight / (whole - near[name].weight), separated_by=separator)
        for name in ("background", "neighbour-source")
    )
    return told(
        window, Link.COUNTS, UNKNOWN, verdict=Verdict.SUSPECT, title="counts rise on a standing belt", begin=begin,
        interval=(begin - 30, begin + 30), alternatives=beside, gate=("need the shutter state of the neighbouring gauges",),
        evidence=(Evidence(name="rise on the standing belt", value=more, unit="1/s", standard_error=more / float(z[best])),),
        sentence=(
            f"At {clock(begin)} the counts rose by {more:.0f} 1/s while the belt stood: nothing in the beam moved, so something else "
            f"is counted. {_costs(window, more)}"
        ),
    )  # fmt: skip
