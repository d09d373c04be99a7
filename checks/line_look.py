"""One line looked at: its rows, how the far station follows the near one, and since when."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from checks import kept, lag, onset, recent, sequential, shape
from checks import moment as moments
from checks.fit import lag_one
from checks.lines import Line, Rows
from checks.result import Verdict
from checks.window import Window

Floats = NDArray[np.float64]

ANALOGUE_FLOOR = (0.0014, 0.0002)
"""Systematic gain and offset of an analogue step: output and card 0.1 % each, 0.02 % of span."""
DIGITAL_FLOOR = (0.0003, 0.0001)
"""The same of a step between two numbers: resolution and rounding only."""
ONSET_FLOOR = 0.0005
"""Noise of a row that a change must stand out from at least [parts of span]."""
LEAST_SIGMA = 0.0002
"""Noise of a row below which no unseen filter can matter [parts of span]."""
LEAST_CHANGE = 0.0015
"""Move of the deviation that counts as a change [parts of span]."""
MEMORY = 0.5
"""Residual correlation above which a change inside the horizon is looked for."""
LAG_SAMPLES_S = 1200
LEAST_KERNEL_ROWS = 60
NEWEST_ROWS = (720, 360, 180)
LEAST_SPREAD = 0.004
"""Standard deviation of the load [parts of span] that a lag can be learnt from."""
NOT_YET = recent.Recent(verdict=Verdict.NOT_EVALUATED)
LEAST_VERDICT_ROWS = 60
"""Rows from which a line may say that ends differ: on fewer, with a lag not yet learnt, a ramp looks like a slope."""
UNSEEN_S = 60.0
"""Lag that a far side may have while too few rows were seen to learn it [s]: a filter that nobody declared."""
FIRM = 0.02
"""Standard error of a slope up to which its lag is believed where only changes were stored (own choice, by simulation)."""
QUIET = 0.06
"""Step of the load from row to row [parts of span] below which a row tells the shape and not the lag."""


@dataclass(slots=True, kw_only=True)
class Look:
    """What is known of a line on the way to its verdict. `learnt`: the lag comes from a fit, not from the site file; `begin` the
    first row of a fit that took only the newest (0: all)."""

    line: Line
    rows: Rows
    declared: lag.Kernel
    kernel: lag.Kernel
    expected: Floats
    floor: tuple[float, float]
    fit: lag.LagFit | None
    now: recent.Recent
    usable: NDArray[np.bool_]
    learnt: bool = False
    stored: bool = False
    """Only changes were stored: what comes when can be learnt from them only by a fit that knows its slope."""
    begin: int = 0
    split: onset.Split | None = None
    split_rows: NDArray[np.intp] | None = None
    moment: moments.Moment | None = None
    bent: shape.Shape | None = None


def look_at(window: Window, line: Line, rows: Rows) -> Look:
    usable = rows.steady & ~rows.high & ~rows.low
    clean = rows.good & ~rows.high
    behind = window.loop.plc.filter if line.y_role == "plc_flow" else 0.0
    stored = kept.changes_only(window.loop, line.x_role) or kept.changes_only(window.loop, line.y_role)
    coarse = _coarse(window, line)
    late = max(coarse or 0.0, 0.0)
    m = max(3, int(np.ceil((late + 5.0 * behind) / rows.length_s)))
    before = usable & (rows.start_s < window.end_s - recent.LOOK_BACK_S)
    fit = lag.fit_deep_enough(rows, before, clean, m, least_sigma=LEAST_SIGMA * line.span)
    declared = lag.declared_kernel(
        rows.length_s, 2.0 if coarse is None else late, behind, (5.0 if coarse is None else 2.0) + 0.3 * behind
    )
    if fit is None or not fit.complete or len(fit.rows) < LEAST_KERNEL_ROWS or (stored and not _is_firm(fit)):
        declared = replace(declared, uncertainty_s=max(declared.uncertainty_s, UNSEEN_S))
    digital = line.y_role == "gauge_output" or (line.x_role == "ai_raw" and not line.analogue)
    look = Look(
        line=line, rows=rows, declared=declared, kernel=declared, expected=declared.follow(rows.x, rows.dx),
        floor=_floor(window, line, DIGITAL_FLOOR if digital else ANALOGUE_FLOOR), fit=fit, now=NOT_YET, usable=usable, stored=stored,
    )  # fmt: skip
    _learn(look)
    _judge_recent(window, look)
    return look


def _is_firm(fit: lag.LagFit) -> bool:
    """Whether a fit knows its slope: what a recorder left out can be taken for a lag, and a lag for a slope."""
    return float(np.sqrt(max(fit.covariance[1, 1], 0.0))) <= FIRM


def _floor(window: Window, line: Line, floor: tuple[float, float]) -> tuple[float, float]:
    """The systematic gain and offset, the offset with what a recording that stores only changes leaves unknown."""
    kept_x = kept.standard(window.loop, line.x_role) * abs(line.x.gain)
    kept_y = kept.standard(window.loop, line.y_role) * abs(line.y.gain)
    if not kept_x and not kept_y:
        return floor
    return floor[0], float(np.sqrt(floor[1] ** 2 + (kept_x**2 + kept_y**2) / line.span**2))


def _learn(look: Look) -> None:
    """Take the lag from the fit where that saw enough movement."""
    fit = look.fit
    if fit is None or not fit.complete or len(fit.rows) < LEAST_KERNEL_ROWS or fit.x_sd <= LEAST_SPREAD * look.line.span:
        return
    if look.stored and not _is_firm(fit):
        return
    if 0.3 < fit.gain < 3.0 and -10.0 < fit.kernel.lag_s < 400.0:
        look.kernel = fit.kernel
        look.learnt = True
        look.expected = look.kernel.follow(look.rows.x, look.rows.dx)


def _judge_recent(window: Window, look: Look, before: tuple[float, float] | None = None) -> None:
    """`before`: noise of a row before the last change, for where too few rows lie behind it to know theirs."""
    noise = noise_of(look.line, look.rows, look.expected, look.fit)
    if look.fit is None and before is not None:
        noise = before
    look.now = recent.judge_recent(
        look.line, look.rows, look.expected, look.kernel, end_s=window.end_s, noise=noise,
        older=_noise_of_older(look, window.end_s) or before or noise, floor=look.floor, limit=window.loop.limits.link,
    )  # fmt: skip


def _noise_of_older(look: Look, end_s: int) -> tuple[float, float] | None:
    """Noise of the rows of the fit that lie before every stretch which is judged: a shift in those does not add to it."""
    rows = look.rows
    if look.fit is None:
        return None
    index = look.fit.rows[rows.start_s[look.fit.rows] < end_s - sequential.STRETCHES * rows.length_s]
    index = index[np.isfinite(look.expected[index])]
    if len(index) < LEAST_KERNEL_ROWS:
        return None
    x, left = look.expected[index] - look.expected[index].mean(), (rows.y - look.expected)[index]
    left = left - left.mean()
    left = left - float(x @ left) / max(float(x @ x), 1e-9) * x
    follows = np.zeros(len(index), np.bool_)
    follows[1:] = (np.diff(index) == 1) & rows.follows[index[1:]]
    return float(left.std(ddof=2)), lag_one(left, follows)


def _coarse(window: Window, line: Line) -> float | None:
    step_s = window.samples.step_s
    x, y = (window.samples.column(role)[-(LAG_SAMPLES_S // step_s) :] for role in (line.x_role, line.y_role))
    return lag.coarse_lag(x, y, step_s=step_s)


def noise_of(line: Line, rows: Rows, expected: Floats, fit: lag.LagFit | None) -> tuple[float, float]:
    if fit is not None:
        rho = fit.regression.rho
        return fit.regression.sigma / float(np.sqrt(1.0 - rho * rho)), rho
    ready = rows.steady & np.isfinite(expected) & ~rows.x_high
    steps = np.diff((rows.y - expected)[ready][-60:])
    least = 0.0005 * line.span
    return (max(least, float(np.median(np.abs(steps))) / 0.6745) if len(steps) >= 6 else 3.0 * least), 0.5


def since_change(window: Window, look: Look) -> None:
    """Keep only what came after the last change of the line, and fit that."""
    rows = look.rows
    ready = rows.steady & ~rows.x_high & ~rows.low & look.kernel.history(rows.good, rows.follows)
    ready &= np.isfinite(look.expected)
    index = lag.pick(ready)
    if len(index) < 2 * onset.LEAST_ROWS:
        return
    x = look.expected[index]
    span = look.line.span
    row, split = onset.last_change(x, rows.y[index] - x, floor=ONSET_FLOOR * span, least=LEAST_CHANGE * span)
    look.split_rows = index
    look.split = split
    noise = None
    if look.fit is not None:
        noise = _noise_of_older(look, window.end_s) or noise_of(look.line, rows, look.expected, look.fit)
    if split is not None:
        look.moment = moments.moment(
            rows.start_s[index], x, (rows.x_max - rows.x_min)[index], rows.y[index] - x, split, length_s=rows.length_s,
            floor=ONSET_FLOOR * span, late_s=look.kernel.lag_s,
        )  # fmt: skip
    begin = int(index[row]) if split is not None else 0
    clean = rows.good & ~rows.high
    m = len(look.kernel.weights) - 1
    look.fit = lag.fit_deep_enough(rows, look.usable, clean, m, begin, least_sigma=LEAST_SIGMA * span)
    if split is not None and look.fit is None:
        look.fit = lag.fit_lag(rows, look.usable, clean, 1, begin)
    if split is None and look.fit is not None and look.fit.regression.rho > MEMORY:
        _look_at_less(look, index, m)
    if split is not None or look.begin:
        _learn(look)
        _judge_recent(window, look, noise)


def _look_at_less(look: Look, index: NDArray[np.intp], m: int) -> None:
    """No line gave way to another, yet the residual has a memory: a lag that changed. The newest rows know the new one."""
    for count in NEWEST_ROWS:
        if len(index) <= count:
            continue
        begin = int(index[-count])
        fit = lag.fit_deep_enough(look.rows, look.usable, look.rows.good & ~look.rows.high, m, begin)
        if fit is not None and fit.regression.rho <= MEMORY:
            look.fit, look.begin = fit, begin
            return


def covariances(look: Look, fit: lag.LagFit) -> tuple[Floats, Floats]:
    return fit.covariance, floor_covariance(look.line, look.floor)


def floor_covariance(line: Line, floor: tuple[float, float]) -> Floats:
    gain, offset = floor
    low = line.low
    rows = np.array([[low * low, -low], [-low, 1.0]])
    return np.asarray(gain**2 * rows + np.diag([(offset * line.span) ** 2, 0.0]), np.float64)


def rows_since(look: Look, x: Floats) -> NDArray[np.intp]:
    rows = look.rows
    ready = rows.steady & ~rows.high & ~rows.low & np.isfinite(x)
    ready &= look.declared.history(rows.good, rows.follows)
    if look.split is not None and look.split_rows is not None:
        ready[: look.split_rows[look.split.row]] = False
    step = np.abs(np.diff(rows.x, prepend=np.nan))
    quiet = ready & (step < QUIET * look.line.span) & (np.abs(rows.dx) < QUIET * look.line.span)
    return lag.pick(quiet if quiet.sum() >= LEAST_VERDICT_ROWS else ready)
