"""Is each link's straight line the identity? The residual ladder from the gauge's flow to the PLC's."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from checks import recent, shape
from checks.line_look import LEAST_VERDICT_ROWS, MEMORY, Look, look_at, noise_of, rows_since, since_change
from checks.line_report import told, worst_point
from checks.line_rows import rows_in
from checks.lines import Line, chain
from checks.result import CheckResult, Verdict, judge
from checks.window import Window

Floats = NDArray[np.float64]


def check(window: Window) -> list[CheckResult]:
    """One result for each line of the chain that the loop's roles allow (`checks.lines`).

    Two ways to each verdict: the mean deviation of the last minute, and a line behind a distributed lag over the rows
    since the last change (24 h at most). `facts` carry the fit, so that nobody has to fit again: offset and gain (G - 1)
    with statistical (`v_`) and systematic (`s_`) covariance, lag, pivot, covered range, shape, onset and the data gate.
    """
    looks = [_first_look(window, line) for line in chain(window.loop, window.settings)]
    changed = {look.line.x_role for look in looks if isinstance(look, Look) and _is_odd(window, look)}
    return [look if isinstance(look, CheckResult) else _answer(window, look, look.line.x_role in changed) for look in looks]


def _first_look(window: Window, line: Line) -> Look | CheckResult:
    rows = rows_in(window, line)
    if rows.good.any():
        return look_at(window, line, rows)
    return CheckResult(
        check="scaling", link=line.link, verdict=Verdict.NOT_EVALUATED, total=len(rows),
        reason=f"no common readings of {line.x_role} and {line.y_role}",
        needs=(f"good readings of {line.x_role} and {line.y_role} at the same time",),
    )  # fmt: skip


def _is_odd(window: Window, look: Look) -> bool:
    """Whether a change inside the horizon must be looked for."""
    fitted = _fit_verdict(window, look)
    memory = look.fit is not None and (fitted is Verdict.NOT_EVALUATED or look.fit.regression.rho > MEMORY)
    differs = (Verdict.SUSPECT, Verdict.FAULT)
    return memory or look.now.verdict in differs or fitted in differs


def _answer(window: Window, look: Look, changed: bool) -> CheckResult:
    """`changed`: a line that starts at the same station looks odd, so that all of them are asked since when."""
    if changed:
        since_change(window, look)
    fitted = _fit_verdict(window, look)
    silent = fitted is Verdict.NOT_EVALUATED and look.now.verdict is Verdict.NOT_EVALUATED
    if changed and silent and look.split is not None:
        fitted = _mean_verdict(window, look)
    elif changed and look.fit is not None:
        fitted = _bend(window, look, fitted)
    return told(window, look, fitted)


def _fit_verdict(window: Window, look: Look) -> Verdict:
    if look.fit is None:
        return Verdict.NOT_EVALUATED
    limit, per_cent = window.loop.limits.link, 100.0 / look.line.span
    deviation, uncertainty = worst_point(look, look.fit)
    verdict = judge(deviation * per_cent, uncertainty * per_cent, limit.suspect, limit.fault)
    if verdict is not Verdict.OK and (not look.fit.complete or (not look.learnt and len(look.fit.rows) < LEAST_VERDICT_ROWS)):
        return Verdict.NOT_EVALUATED
    return verdict


def _mean_verdict(window: Window, look: Look) -> Verdict:
    """The rows since the change are too few for a line and none is recent: their mean decides."""
    assert look.split is not None
    assert look.split_rows is not None
    index = look.split_rows[look.split.row :]
    each = look.rows.y[index] - look.expected[index]
    if not recent.lasts(each):
        return Verdict.NOT_EVALUATED
    sigma, rho = noise_of(look.line, look.rows, look.expected, None)
    noise = sigma * np.sqrt((1.0 + rho) / (1.0 - rho) / len(index))
    flow = float(look.expected[index].mean())
    uncertainty = 2.0 * float(np.sqrt(noise**2 + recent.floor_variance(look.line, flow, *look.floor)))
    swing = float(np.ptp(look.rows.x[index]))
    uncertainty += look.kernel.uncertainty_s * swing / (len(index) * look.rows.length_s)
    look.now = recent.Recent(
        verdict=Verdict.NOT_EVALUATED, deviation=float(each.mean()), uncertainty=uncertainty,
        shown=float(look.rows.y[index].mean()), expected=flow, rows=len(index),
    )  # fmt: skip
    per_cent, limit = 100.0 / look.line.span, window.loop.limits.link
    return judge(float(each.mean()) * per_cent, uncertainty * per_cent, limit.suspect, limit.fault)


def _bend(window: Window, look: Look, fitted: Verdict) -> Verdict:
    """Model order before any pivot; a bent line is judged by what it does to the rows."""
    if fitted in (Verdict.OK, Verdict.NOT_EVALUATED) and look.now.verdict in (Verdict.OK, Verdict.NOT_EVALUATED):
        return fitted
    x = look.declared.follow(look.rows.x, look.rows.dx)
    index = rows_since(look, x)
    if len(index) < 24:
        return fitted
    follows = np.zeros(len(index), np.bool_)
    follows[1:] = np.diff(index) == 1
    line = look.line
    look.bent = shape.choose(x[index], look.rows.y[index], follows, line.low, line.high)
    if look.bent.model == shape.LINE:
        return fitted
    each = np.abs(look.rows.y[index] - x[index])
    limit = window.loop.limits.link
    large = float(np.quantile(each, 0.95)) * 100.0 / line.span
    return judge(large, 0.1, limit.suspect, limit.fault)
