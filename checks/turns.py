"""How long one turn of the belt takes: the belt's own thickness comes round in the counts of the empty belt.

Counts are laid over the way of the belt (the integral of the speed that the gauge uses), so that a speed that is wrong by a
factor gives a turn that is longer or shorter by that factor. All harmonics of one turn are added up, as many as the data ask
for (H-test: de Jager, Raubenheimer and Swanepoel 1989; its tail exp(-0.4 H): de Jager and Büsching 2010).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks import kept
from checks.recentness import last_rows
from checks.result import CheckResult, Evidence, Link, Verdict, judge
from checks.speed import FAULT, SUSPECT
from checks.window import Window
from config.model import SpeedSource

Floats = NDArray[np.float64]

NAME = "turns"
LINKS = (Link.DRIVE,)
NEEDS = ("belt_length, count_rate as it is counted each second",)

LOOK_S = 7200
SEARCH = 0.08
"""The true turn lies within this part of the declared belt length."""
HARMONICS = 20
SPLIT = 4.0
"""Trials for each step that the highest harmonic can resolve."""
CELLS = 128
PADDING = 8
TAIL = 0.4
"""The chance that noise alone gives an H above h is exp(-0.4 h)."""
FOUND = 1.2e-5
"""Chance that noise gives a turn in the whole search: that of 6.5 sigma in 300,000 trials."""
SURE = 4.0e-11
"""Chance for one trial (6.5 sigma) below which a turn may be the ground of a finding."""
STRETCH_TURNS, LEAST_TURNS = 3.0, 20.0
"""Turns in one go that a stretch of empty belt needs, and turns in all. Shorter stretches that come round with the process
have a period of their own."""
RUN_OUT_BLOCKS = 3
"""Blocks at the begin of a stretch that may still hold the last of the load."""
FILTERED = 0.6
"""Counts that scatter less than this part of what counting alone gives are filtered."""
LENGTH_FLOOR = 0.003
"""Standard uncertainty of a declared belt length: tape, splices made since, stretch [parts]; common practice, no source."""
LONGEST_GAP_S = 10.0
"""A speed that was not read for longer loses the way of the belt [s]."""
STEPS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """One turn [m of indicated way] with its standard error, the H of the test, and the harmonics that carry it."""

    length: float
    standard_error: float
    strength: float
    harmonics: int
    trials: int

    @property
    def sure(self) -> bool:
        """Whether the turn stands out enough to be the ground of a finding."""
        return math.exp(-TAIL * self.strength) < SURE


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """Counts of the empty belt along its way: `way` [m], `noise` the counts less their trend in units of counting noise."""

    way: Floats
    noise: Floats
    scatter: float
    speed: float


def find_turn(way: Floats, noise: Floats, length: float) -> Turn | None:
    """The turn of the belt near `length` [m], None where none stands out.

    `way` [m] and `noise` [standard deviations], shape (n,) each, no NaN; gaps in the way are allowed.
    """
    turns = float(np.ptp(way)) / length
    if turns < 2.0:
        return None
    step = 1.0 / (SPLIT * turns * HARMONICS)
    trials = np.exp(np.arange(-math.ceil(SEARCH / step), math.ceil(SEARCH / step) + 1) * step) * length
    power = _powers(way, noise, length, trials)
    orders = np.arange(1, HARMONICS + 1)
    strengths = (np.cumsum(power, axis=1) - 4.0 * orders + 4.0).max(axis=1)
    best = int(np.argmax(strengths))
    independent = max(1, round(len(trials) / SPLIT))
    if independent * math.exp(-TAIL * float(strengths[best])) > FOUND:
        return None
    harmonics = int(np.argmax(np.cumsum(power[best]) - 4.0 * orders)) + 1
    at, error = _refined(way - way.mean(), noise, float(trials[best]), harmonics)
    if abs(at / length - 1.0) > SEARCH:
        return None
    return Turn(
        length=at, standard_error=error, strength=float(strengths[best]), harmonics=harmonics, trials=independent
    )  # fmt: skip


def _powers(way: Floats, noise: Floats, length: float, trials: Floats) -> Floats:
    """Power of each harmonic at each trial, shape (trials, harmonics): chi-square with two degrees of freedom in noise."""
    cell = length / CELLS
    place = np.floor((way - way.min()) / cell).astype(np.intp)
    laid = np.bincount(place, weights=noise)
    size = 2 ** math.ceil(math.log2(PADDING * len(laid)))
    spectrum = np.fft.rfft(laid, size)
    index = np.rint(np.outer(size * cell / trials, np.arange(1, HARMONICS + 1))).astype(np.intp)
    return np.asarray(2.0 / float(noise @ noise) * np.abs(spectrum[index]) ** 2, np.float64)


def _refined(way: Floats, noise: Floats, length: float, harmonics: int) -> tuple[float, float]:
    """Turn [m] and its standard error by least squares over the harmonics, from a length that is nearly right."""
    orders = np.arange(1, harmonics + 1)
    error = math.inf
    for _ in range(STEPS):
        angle = np.outer(way, 2.0 * np.pi * orders / length)
        cosine, sine = np.cos(angle), np.sin(angle)
        basis = np.concatenate([cosine, sine, np.ones((len(way), 1))], axis=1)
        weights, *_ = np.linalg.lstsq(basis, noise, rcond=None)
        slope = (angle * (sine * weights[:harmonics] - cosine * weights[harmonics : 2 * harmonics])).sum(axis=1)
        across, *_ = np.linalg.lstsq(basis, slope, rcond=None)
        free = slope - basis @ across
        size = float(free @ free)
        if size <= 0.0:
            break
        error = 1.0 / math.sqrt(size)
        move = float(np.clip(free @ noise / size, -3.0 * error, 3.0 * error))
        length *= math.exp(move)
        if abs(move) < 0.01 * error:
            break
    return length, error * length


def check(window: Window) -> list[CheckResult]:
    """The speed that the gauge uses against the turns of the belt in the last two hours."""
    gauge = window.loop.gauge
    if gauge.belt_length is None:
        return [_skip("the length of the belt is not declared", "belt_length of the gauge in the site file")]
    if "count_rate" not in window.loop.tags:
        return [_skip("the loop has no tag for the count rate", "a tag for count_rate that is not filtered")]
    if gauge.counts_filtered or window.samples.step_s > 1 or kept.changes_only(window.loop, "count_rate"):
        return [_skip("the counts are filtered or read too seldom", "the counts of each second, not filtered")]
    track = empty_track(window, gauge.belt_length)
    if track is None:
        minutes = math.ceil(LEAST_TURNS * gauge.belt_length / max(_indicated(window), 0.1) / 60.0)
        return [_skip("no empty run of the belt long enough to see its turns", f"{minutes} minutes of empty belt in one go")]
    if track.scatter < FILTERED:
        return [_skip("the counts scatter too little to be those of each second", "a count rate that is not filtered")]
    turn = find_turn(track.way, track.noise, gauge.belt_length)
    turns = float(np.ptp(track.way)) / gauge.belt_length
    if turn is None:
        return [
            _skip(
                f"no turn stands out in {turns:.0f} turns of empty belt", "a longer empty run", len(track.way), len(track.way)
            )
        ]
    return [_told(track, turn, gauge.belt_length, turns)]


def _told(track: Track, turn: Turn, length: float, turns: float) -> CheckResult:
    ratio = turn.length / length
    error = math.hypot(turn.standard_error / turn.length, LENGTH_FLOOR) * ratio
    deviation = 100.0 * (ratio - 1.0)
    verdict = judge(deviation, 200.0 * error, SUSPECT, FAULT)
    if verdict is Verdict.FAULT and not turn.sure:
        verdict = Verdict.SUSPECT
    true = track.speed / ratio
    agree = "agrees with" if verdict is Verdict.OK else "differs from"
    return CheckResult(
        check=NAME, link=Link.DRIVE, verdict=verdict, used=len(track.way), total=len(track.way),
        reason=f"the belt speed {agree} the turns of the belt: {track.speed:.3f} m/s against {true:.3f} m/s ({turns:.0f} turns)",
        evidence=(
            Evidence(name="deviation", value=deviation, unit="% of speed", limit=FAULT, standard_error=100.0 * error),
            Evidence(name="shown", value=track.speed, unit="m/s"),
            Evidence(name="expected", value=true, unit="m/s", standard_error=true * error / ratio),
            Evidence(name="time of one turn", value=length / true, unit="s"),
        ),
        facts={
            "ratio": ratio, "ratio_error": error, "strength": turn.strength, "sure": float(turn.sure),
            "harmonics": float(turn.harmonics), "deviation_span": deviation, "uncertainty_span": 200.0 * error,
            "limit_span": FAULT,
        },
    )  # fmt: skip


def empty_track(window: Window, length: float) -> Track | None:
    """The stretches of empty belt in the newest two hours whose way is known without a gap; None where they are too few."""
    way = way_of(window)
    counts = window.samples.column("count_rate")
    ways: list[Floats] = []
    noises: list[Floats] = []
    seconds = metres = 0.0
    for first, last in _stretches(window):
        rows = np.arange(first, last)[np.isfinite(way[first:last]) & np.isfinite(counts[first:last])]
        if len(rows) < 60 or np.ptp(way[rows]) < STRETCH_TURNS * length:
            continue
        mean = float(counts[rows].mean())
        if mean <= 0.0:
            continue
        line = np.polynomial.Polynomial.fit(way[rows], counts[rows], 1)
        ways.append(way[rows])
        noises.append((counts[rows] - line(way[rows])) / math.sqrt(mean))
        seconds += len(rows)
        metres += float(np.ptp(way[rows]))
    if metres < LEAST_TURNS * length:
        return None
    noise = np.concatenate(noises)
    scatter = float(np.sqrt(0.5 * np.mean(np.diff(noise) ** 2)))
    return Track(way=np.concatenate(ways), noise=noise / max(scatter, 1.0), scatter=scatter, speed=metres / seconds)


def way_of(window: Window) -> Floats:
    """Indicated way of the belt at each sample of the window [m], shape (n,); NaN before the last gap of the speed and where
    there is no speed.

    Where the gauge uses a fixed speed and the drive varies, the drive says how the belt moved.
    """
    samples, loop = window.samples, window.loop
    speed = samples.column("speed")
    fixed = loop.gauge.speed_source is SpeedSource.FIXED
    nominal = loop.drive.speed_at_nominal
    if fixed and loop.drive.variable and nominal is not None and "drive_speed" in samples.values:
        speed = samples.column("drive_speed") / loop.drive.nominal_frequency * nominal
    elif "speed" not in samples.values and loop.gauge.fixed_speed is not None:
        speed = np.where(samples.column("drive_running") > 0.5, loop.gauge.fixed_speed, 0.0)
    way = np.full(len(speed), np.nan)
    rows = np.flatnonzero(np.isfinite(speed))
    if not len(rows):
        return way
    seconds = np.diff(samples.time_s[rows]).astype(np.float64)
    gaps = np.flatnonzero(seconds > LONGEST_GAP_S)
    since = int(gaps[-1]) + 1 if len(gaps) else 0
    rows, seconds = rows[since:], seconds[since:]
    way[rows] = np.concatenate([[0.0], np.cumsum(0.5 * (speed[rows[1:]] + speed[rows[:-1]]) * seconds)])
    return way


def _stretches(window: Window) -> list[tuple[int, int]]:
    """First and last row (exclusive) of the samples of each settled stretch of empty running belt, run-out left off."""
    blocks = last_rows(window, LOOK_S)
    quiet = (blocks.state("empty") >= blocks.length_s - blocks.step_s) & (blocks.state("unsettled") == 0.0)
    quiet &= blocks.state("explained") == 0.0
    joined = np.diff(blocks.start_s, prepend=blocks.start_s[:1]) <= blocks.length_s
    edges = np.flatnonzero(np.diff(np.concatenate([[False], quiet, [False]]).astype(np.int8)))
    out = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        begin = first + RUN_OUT_BLOCKS
        if begin >= last or not joined[begin:last].all():
            continue
        rows = np.searchsorted(window.samples.time_s, [blocks.start_s[begin], blocks.start_s[last - 1] + blocks.length_s])
        out.append((int(rows[0]), int(rows[1])))
    return out


def _indicated(window: Window) -> float:
    speed = window.samples.column("speed")
    moving = speed[speed > 0.05]
    return float(np.median(moving)) if len(moving) else (window.loop.drive.speed_at_nominal or 1.0)


def _skip(reason: str, need: str, used: int = 0, total: int = 0) -> CheckResult:
    return CheckResult(
        check=NAME, link=Link.DRIVE, verdict=Verdict.NOT_EVALUATED, reason=reason, needs=(need,), used=used, total=total
    )
