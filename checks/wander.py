"""Does the load come and go once in each turn of the belt, far beyond what the belt's own thickness makes?

Load steps and stops are no matter: differences from block to block are laid over the way of the belt, the large ones left out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.physics import T_H_PER_KG_S
from checks.recentness import last_rows
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.window import Window
from config.model import SpeedSource

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NAME = "wander"
LINKS = (Link.LOAD,)
NEEDS = ("belt_length, flow and speed",)

LOOK_S = 7200
LEAST_ROWS = 120
LEAST_TURNS = 8.0
SUSPECT, FAULT = 2.0, 4.0
"""Swing of the load once in a turn [% of the load], half of peak to peak; own estimate."""
SURE = 80.0
"""Power of the turn in units of its noise: 9 sigma. The texture of a load is not white: in 200 h of sound loops of the invented
terminal the largest was 52, where 6.5 sigma (48) would have done for white noise; a wandering belt gives 115 and more."""
ABOVE = 5.0
"""The swing at the turn over the median swing at ways that are none: chance 3e-8 for one trial where only noise swings."""
MEDIAN = 1.1774
"""Median of the size of two normal components, in units of their standard deviation (Rayleigh)."""
NEAR = 0.03
"""The turn lies within this part of the declared length."""
UNEVEN = 1.5
"""Unevenness [kg/m2] that a worn belt may have where no empty belt tells: 1.3 mm of rubber; own estimate."""
CLIP = 3.0


@dataclass(frozen=True, slots=True)
class Swing:
    """Swing once in a way: its size (half of peak to peak), standard error, power in units of the noise, weights of its cosine
    and sine, and the way."""

    size: float
    error: float
    power: float
    weights: Floats
    length: float


def check(window: Window) -> list[CheckResult]:
    """The swing of the load once in a turn over the last two hours."""
    length = window.loop.gauge.belt_length
    if length is None:
        return [_skip("the length of the belt is not declared", "belt_length of the gauge in the site file")]
    blocks = last_rows(window, LOOK_S)
    speed = speed_of(window, blocks)
    way = np.cumsum(np.nan_to_num(speed, nan=0.0) * blocks.covered_s)
    load = blocks.of("mean", "flow") / (T_H_PER_KG_S * np.where(speed > 0.0, speed, np.nan))
    settled = (blocks.state("unsettled") + blocks.state("explained") + blocks.state("stopped") == 0.0) & np.isfinite(load)
    loaded = settled & (blocks.state("loaded") >= blocks.covered_s) & (load > 0.0)
    follows = np.diff(blocks.start_s, prepend=-1) == blocks.length_s
    rows = np.flatnonzero(loaded & np.concatenate([[False], loaded[:-1]]) & follows)
    turns = float(np.ptp(way[rows])) / length if len(rows) else 0.0
    if len(rows) < LEAST_ROWS or turns < LEAST_TURNS:
        return [_skip("too little settled load to see the turns of the belt", "an hour of load", len(rows), len(blocks))]
    logarithm = np.log(np.where(loaded, load, 1.0))
    best, beside = _swings(way, logarithm, rows, length, turns)
    passes = 1.0 / math.hypot(1.0, 2.0 * math.pi * window.loop.gauge.damping * float(np.median(speed[rows])) / length)
    per_cent, error = 100.0 * best.size / passes, 100.0 * max(best.error, beside / MEDIAN) / passes
    known_beside = math.isfinite(beside)  # the texture of the load is in the error, where it was looked at
    mean = float(np.mean(load[loaded]))
    swing = 0.01 * per_cent * mean
    uneven, known = _unevenness(window, way, load, settled & (blocks.state("empty") >= blocks.covered_s), length, turns)
    stands_out = best.power > SURE and best.size > ABOVE * beside and swing > uneven
    verdict = Verdict.OK
    if stands_out:
        low = per_cent - 2.0 * error
        verdict = Verdict.FAULT if low > FAULT else Verdict.SUSPECT if low > SUSPECT else Verdict.OK
    words = (
        f"the load swings by {per_cent:.1f} % once in each turn of the belt"
        if verdict is not Verdict.OK
        else "the load does not come and go with the turns of the belt"
    )
    return [
        CheckResult(
            check=NAME, link=Link.LOAD, verdict=verdict, reason=words, used=len(rows), total=len(blocks),
            evidence=(
                Evidence(name="swing in a turn", value=per_cent, unit="% of load", limit=FAULT, standard_error=error if known_beside else None),
                Evidence(name="swing in a turn", value=swing, unit="kg/m", limit=uneven),
                Evidence(name="turns", value=turns, unit="1"),
            ),
            facts={"swing_percent": per_cent, "power": best.power, "thickness_known": known}
            | ({"beside": 100.0 * beside / passes} if known_beside else {}),
        )
    ]  # fmt: skip


def speed_of(window: Window, blocks: Blocks) -> Floats:
    """Indicated speed of each block [m/s]; that of the drive where the gauge uses a fixed one and the drive varies."""
    loop, nominal = window.loop, window.loop.drive.speed_at_nominal
    fixed = loop.gauge.speed_source is SpeedSource.FIXED
    if fixed and loop.drive.variable and nominal is not None and "drive_speed" in blocks.roles:
        return np.asarray(blocks.of("mean", "drive_speed") / loop.drive.nominal_frequency * nominal, np.float64)
    if "speed" not in blocks.roles and fixed and loop.gauge.fixed_speed is not None:
        return np.where(blocks.state("stopped") > 0.0, 0.0, loop.gauge.fixed_speed)
    return blocks.of("mean", "speed")


def _swings(way: Floats, values: Floats, rows: NDArray[np.intp], length: float, turns: float) -> tuple[Swing, float]:
    """The largest swing near the turn, and the median swing at ways that are neither a turn nor a part of one; NaN where the
    power of the turn is too small for that to matter."""
    step = 0.5 / turns
    near = length * np.exp(np.arange(-math.floor(NEAR / step), math.floor(NEAR / step) + 1) * step)
    best = max(_fits(way, values, rows, near), key=lambda swing: swing.power)
    if not best.power > SURE:
        return best, math.nan
    angle = 2.0 * np.pi * way / best.length
    left = values - (best.weights[0] * np.cos(angle) + best.weights[1] * np.sin(angle))
    aside = np.exp(np.concatenate([np.linspace(-0.45, -0.1 - step, 12), np.linspace(0.1 + step, 0.45, 12)]))
    return best, float(np.median([swing.size for swing in _fits(way, left, rows, length * aside)]))


def _fits(way: Floats, values: Floats, rows: NDArray[np.intp], lengths: Floats) -> list[Swing]:
    """Cosine and sine of each way fitted to the differences from row to row, what lies far off left out."""
    inside = np.union1d(rows, rows - 1)
    angle = (2.0 * np.pi * way[inside])[None, :] / lengths[:, None]
    here = np.searchsorted(inside, rows)
    before = np.searchsorted(inside, rows - 1)
    cosine, sine = np.cos(angle), np.sin(angle)
    x, z, y = cosine[:, here] - cosine[:, before], sine[:, here] - sine[:, before], values[rows] - values[rows - 1]
    weights = np.zeros((len(lengths), 2))
    for _ in range(4):
        size = np.abs(y - weights[:, :1] * x - weights[:, 1:] * z)
        kept = size <= CLIP * 1.4826 * np.median(size, axis=1)[:, None] + 1e-12
        u, v = np.where(kept, x, 0.0), np.where(kept, z, 0.0)
        inner = np.stack([(u * u).sum(axis=1), (u * v).sum(axis=1), (v * v).sum(axis=1)])
        a, b, determinant = u @ y, v @ y, inner[0] * inner[2] - inner[1] ** 2
        weights = np.stack([inner[2] * a - inner[1] * b, inner[0] * b - inner[1] * a], axis=1) / determinant[:, None]
    left = np.where(kept, y - weights[:, :1] * x - weights[:, 1:] * z, 0.0)
    variance = np.maximum((left * left).sum(axis=1) / np.maximum(kept.sum(axis=1) - 2, 1), 1e-12)
    error = np.sqrt(variance * (inner[0] + inner[2]) / determinant / 2.0)
    power = (weights[:, 0] ** 2 * inner[0] + 2.0 * weights.prod(axis=1) * inner[1] + weights[:, 1] ** 2 * inner[2]) / variance
    return [
        Swing(float(np.hypot(*weights[k])), float(error[k]), float(power[k]), weights[k], float(lengths[k]))
        for k in range(len(lengths))
    ]


def _unevenness(window: Window, way: Floats, load: Floats, empty: Bools, length: float, turns: float) -> tuple[float, float]:
    """Swing of the empty belt [kg/m] with twice its standard error, and 1; where too little is empty a bound, and 0."""
    rows = np.flatnonzero(empty & np.isfinite(load))
    width = window.loop.gauge.belt_width or 1.0
    if len(rows) < LEAST_ROWS / 4 or turns < LEAST_TURNS:
        return UNEVEN * width, 0.0
    angle = 2.0 * np.pi * way[rows] / length
    x = np.stack([np.cos(angle), np.sin(angle), np.ones(len(rows))], axis=1)
    weights, *_ = np.linalg.lstsq(x, load[rows], rcond=None)
    left = load[rows] - x @ weights
    error = float(left.std()) * math.sqrt(2.0 / len(rows))
    return min(float(np.hypot(weights[0], weights[1])) + 2.0 * error, UNEVEN * width), 1.0


def _skip(reason: str, need: str, used: int = 0, total: int = 0) -> CheckResult:
    return CheckResult(
        check=NAME, link=Link.LOAD, verdict=Verdict.NOT_EVALUATED, reason=reason, needs=(need,), used=used, total=total
    )
