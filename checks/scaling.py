"""Is each link's straight line the identity? The residual ladder from the gauge's flow to the PLC's."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from checks import gate, lag, onset, recent, shape
from checks.fit import effective_rows
from checks.lines import Line, Rows, chain, rows_of
from checks.pivot import fieller
from checks.result import CheckResult, Evidence, Verdict, judge, worst
from checks.window import Window

Floats = NDArray[np.float64]

ANALOGUE_FLOOR = (0.0014, 0.0002)
"""Systematic gain and offset of an analogue step: output and card 0.1 % each, 0.02 % of span."""
DIGITAL_FLOOR = (0.0003, 0.0001)
"""The same of a step between two numbers: resolution and rounding only."""
ONSET_FLOOR = 0.0005
"""Noise of a row that a change must stand out from at least [parts of span]."""
MEMORY = 0.5
"""Residual correlation above which a change inside the horizon is looked for."""
LAG_SAMPLES_S = 1200
LEAST_KERNEL_ROWS = 60


def check(window: Window) -> list[CheckResult]:
    """One result for each line of the chain that the loop's roles allow (`checks.lines`).

    Two ways to each verdict: the mean deviation of the last minute, and a line behind a distributed lag over the rows
    since the last change (24 h at most). `facts` carry the fit, so that nobody has to fit again: offset and gain (G - 1)
    with statistical (`v_`) and systematic (`s_`) covariance, lag, pivot, covered range, shape, onset and the data gate.
    """
    looks = [_first_look(window, line) for line in chain(window.loop, window.settings)]
    changed = {look.line.x_role for look in looks if isinstance(look, _Look) and _is_odd(window, look)}
    return [look if isinstance(look, CheckResult) else _answer(window, look, look.line.x_role in changed) for look in looks]


@dataclass(slots=True, kw_only=True)
class _Look:
    """What is known of a line on the way to its verdict."""

    line: Line
    rows: Rows
    kernel: lag.Kernel
    expected: Floats
    floor: tuple[float, float]
    fit: lag.LagFit | None
    now: recent.Recent
    usable: NDArray[np.bool_]
    split: onset.Split | None = None
    split_rows: NDArray[np.intp] | None = None
    bent: shape.Shape | None = None


def _first_look(window: Window, line: Line) -> _Look | CheckResult:
    rows = rows_of(line, window.blocks, window.loop)
    if rows.good.any():
        return _look(window, line, rows)
    return CheckResult(
        check="scaling", link=line.link, verdict=Verdict.NOT_EVALUATED, total=len(rows),
        reason=f"no common readings of {line.x_role} and {line.y_role}",
        needs=(f"good readings of {line.x_role} and {line.y_role} at the same time",),
    )  # fmt: skip


def _is_odd(window: Window, look: _Look) -> bool:
    """Whether a change inside the horizon must be looked for."""
    fitted = _fit_verdict(window, look)
    memory = look.fit is not None and (fitted is Verdict.NOT_EVALUATED or look.fit.regression.rho > MEMORY)
    differs = (Verdict.SUSPECT, Verdict.FAULT)
    return memory or look.now.verdict in differs or fitted in differs


def _answer(window: Window, look: _Look, changed: bool) -> CheckResult:
    """`changed`: a line that starts at the same station looks odd, so that all of them are asked since when."""
    if changed:
        _since_change(window, look)
    fitted = _fit_verdict(window, look)
    if changed and look.fit is None and look.now.verdict is Verdict.NOT_EVALUATED and look.split is not None:
        fitted = _mean_verdict(window, look)
    if changed and look.fit is not None:
        fitted = _bend(window, look, fitted)
    return _told(window, look, fitted)


def _look(window: Window, line: Line, rows: Rows) -> _Look:
    usable = rows.steady & ~rows.high & ~rows.low
    clean = rows.good & ~rows.high
    behind = window.loop.plc.filter if line.y_role == "plc_flow" else 0.0
    coarse = _coarse(window, line)
    late = max(coarse or 0.0, 0.0)
    m = max(3, int(np.ceil((late + 5.0 * behind) / rows.length_s)))
    before = usable & (rows.start_s < window.end_s - recent.LOOK_BACK_S)
    fit = lag.fit_deep_enough(rows, before, clean, m)
    kernel = lag.declared_kernel(
        rows.length_s, 2.0 if coarse is None else late, behind, (5.0 if coarse is None else 2.0) + 0.3 * behind
    )
    learnt = fit is not None and len(fit.rows) >= LEAST_KERNEL_ROWS and fit.x_sd > 0.004 * line.span
    if fit is not None and learnt and 0.3 < fit.gain < 3.0 and -10.0 < fit.kernel.lag_s < 400.0:
        kernel = fit.kernel
    digital = line.y_role == "gauge_output" or (line.x_role == "ai_raw" and not line.analogue)
    floor = DIGITAL_FLOOR if digital else ANALOGUE_FLOOR
    expected = kernel.follow(rows.x, rows.dx)
    sigma, rho = _noise(line, rows, expected, fit)
    now = recent.judge_recent(
        line, rows, expected, kernel, end_s=window.end_s, sigma=sigma, rho=rho, floor=floor, limit=window.loop.limits.link
    )
    return _Look(line=line, rows=rows, kernel=kernel, expected=expected, floor=floor, fit=fit, now=now, usable=usable)


def _coarse(window: Window, line: Line) -> float | None:
    samples = window.samples[-(LAG_SAMPLES_S // window.samples.step_s) :]
    return lag.coarse_lag(samples.column(line.x_role), samples.column(line.y_role), step_s=samples.step_s)


def _noise(line: Line, rows: Rows, expected: Floats, fit: lag.LagFit | None) -> tuple[float, float]:
    if fit is not None:
        rho = fit.regression.rho
        return fit.regression.sigma / float(np.sqrt(1.0 - rho * rho)), rho
    ready = rows.steady & np.isfinite(expected) & ~rows.x_high
    steps = np.diff((rows.y - expected)[ready][-60:])
    least = 0.0005 * line.span
    return (max(least, float(np.median(np.abs(steps))) / 0.6745) if len(steps) >= 6 else 3.0 * least), 0.5


def _since_change(window: Window, look: _Look) -> None:
    """Keep only what came after the last change of the line, and fit that."""
    rows = look.rows
    ready = rows.steady & ~rows.x_high & ~rows.declared_low & look.kernel.history(rows.good, rows.follows)
    ready &= np.isfinite(look.expected)
    index = lag.pick(ready)
    if len(index) < 2 * onset.LEAST_ROWS:
        return
    x = look.expected[index]
    row, split = onset.last_change(x, rows.y[index] - x, floor=ONSET_FLOOR * look.line.span)
    look.split_rows = index
    look.split = split
    begin = int(index[row]) if split is not None else 0
    clean = rows.good & ~rows.high
    m = len(look.kernel.weights) - 1
    look.fit = lag.fit_lag(rows, look.usable, clean, m, begin)
    if split is not None and look.fit is None:
        look.fit = lag.fit_lag(rows, look.usable, clean, 1, begin)


def _covariances(look: _Look, fit: lag.LagFit) -> tuple[Floats, Floats]:
    return fit.covariance, _floor_covariance(look.line, look.floor)


def _floor_covariance(line: Line, floor: tuple[float, float]) -> Floats:
    gain, offset = floor
    low = line.low
    rows = np.array([[low * low, -low], [-low, 1.0]])
    return np.asarray(gain**2 * rows + np.diag([(offset * line.span) ** 2, 0.0]), np.float64)


def _worst_point(look: _Look, fit: lag.LagFit) -> tuple[float, float]:
    """Largest deviation over the covered range [t/h] with its expanded uncertainty."""
    statistical, systematic = _covariances(look, fit)
    best = (0.0, 0.0)
    for flow in (fit.x_low, fit.x_high):
        direction = np.array([1.0, flow])
        variance = float(direction @ (statistical + systematic) @ direction)
        deviation = fit.offset + (fit.gain - 1.0) * flow
        if abs(deviation) >= abs(best[0]):
            best = (deviation, 2.0 * float(np.sqrt(max(variance, 0.0))))
    return best


def _fit_verdict(window: Window, look: _Look) -> Verdict:
    if look.fit is None:
        return Verdict.NOT_EVALUATED
    limit, per_cent = window.loop.limits.link, 100.0 / look.line.span
    deviation, uncertainty = _worst_point(look, look.fit)
    return judge(deviation * per_cent, uncertainty * per_cent, limit.suspect, limit.fault)


def _mean_verdict(window: Window, look: _Look) -> Verdict:
    """The rows since the change are too few for a line and none is recent: their mean decides."""
    assert look.split is not None
    assert look.split_rows is not None
    index = look.split_rows[look.split.row :]
    each = look.rows.y[index] - look.expected[index]
    sigma, rho = _noise(look.line, look.rows, look.expected, None)
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


def _bend(window: Window, look: _Look, fitted: Verdict) -> Verdict:
    """Model order before any pivot; a bent line is judged by what it does to the rows."""
    if fitted in (Verdict.OK, Verdict.NOT_EVALUATED) and look.now.verdict in (Verdict.OK, Verdict.NOT_EVALUATED):
        return fitted
    index = _since(look)
    if len(index) < 24:
        return fitted
    follows = np.zeros(len(index), np.bool_)
    follows[1:] = np.diff(index) == 1
    line = look.line
    look.bent = shape.choose(look.expected[index], look.rows.y[index], follows, line.low, line.high)
    if look.bent.model == shape.LINE:
        return fitted
    each = np.abs(look.rows.y[index] - look.expected[index])
    limit = window.loop.limits.link
    large = float(np.quantile(each, 0.95)) * 100.0 / line.span
    return judge(large, 0.1, limit.suspect, limit.fault)


def _since(look: _Look) -> NDArray[np.intp]:
    rows = look.rows
    ready = rows.steady & ~rows.high & ~rows.low & np.isfinite(look.expected)
    ready &= look.kernel.history(rows.good, rows.follows)
    if look.split is not None and look.split_rows is not None:
        ready[: look.split_rows[look.split.row]] = False
    return lag.pick(ready)


def _told(window: Window, look: _Look, fitted: Verdict) -> CheckResult:
    line, rows, now, limit = look.line, look.rows, look.now, window.loop.limits.link
    verdict = Verdict.FAULT if now.verdict is Verdict.FAULT else worst((fitted, now.verdict))
    differs = verdict in (Verdict.FAULT, Verdict.SUSPECT)
    facts = _facts(window, look, differs)
    per_cent = 100.0 / line.span
    deviation, uncertainty = now.deviation, now.uncertainty
    if look.fit is not None and (not np.isfinite(deviation) or verdict is not now.verdict):
        deviation, uncertainty = _worst_point(look, look.fit)
    evidence = [
        Evidence(
            name="deviation", value=_known(deviation * per_cent), unit="% of span", limit=limit.fault,
            standard_error=_known(uncertainty * per_cent / 2.0),
        ),
        Evidence(name="shown", value=_known(line.native(now.shown)), unit=line.unit),
        Evidence(name="expected", value=_known(line.native(now.expected)), unit=line.unit),
    ]  # fmt: skip
    if look.fit is not None:
        statistical, systematic = _covariances(look, look.fit)
        both = np.sqrt(np.diag(statistical + systematic))
        evidence += [
            Evidence(name="slope", value=look.fit.gain, unit="1", standard_error=float(both[1])),
            Evidence(name="offset", value=look.fit.offset, unit="t/h", standard_error=float(both[0])),
            Evidence(name="lag", value=look.fit.kernel.lag_s, unit="s"),
        ]
    left_out = int((rows.steady & ~look.usable).sum())
    if rows.steady.any():
        evidence.append(Evidence(name="left out", value=100.0 * left_out / int(rows.steady.sum()), unit="%"))
    needs: tuple[str, ...] = ()
    if verdict is Verdict.NOT_EVALUATED:
        needs = ("belt running and settled for two minutes with a load inside the range",)
    elif facts.get("gate_minutes", 0.0) > 0.0 and differs:
        need = gate.Need(minutes=facts["gate_minutes"], level=facts["gate_level"], below=facts["gate_below"] > 0.0)
        needs = (need.sentence(),)
    used = len(look.fit.rows) if look.fit is not None else now.rows
    return CheckResult(
        check="scaling", link=line.link, verdict=verdict, reason=_reason(look, verdict, deviation * per_cent),
        evidence=tuple(evidence), needs=needs, used=used, total=len(rows), facts=facts,
    )  # fmt: skip


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _reason(look: _Look, verdict: Verdict, per_cent: float) -> str:
    line = look.line
    if verdict is Verdict.NOT_EVALUATED:
        return f"{line.label}: not enough settled, unlimited load to compare"
    if verdict is Verdict.OK:
        return f"{line.label} agrees to {abs(per_cent):.2f} % of span"
    return f"{line.label} differs by {per_cent:+.2f} % of span ({line.words})"


def _facts(window: Window, look: _Look, differs: bool) -> dict[str, float]:
    line, now, per_cent = look.line, look.now, 100.0 / look.line.span
    facts: dict[str, float] = {
        "deviation": now.deviation, "uncertainty": now.uncertainty, "shown": line.native(now.shown),
        "expected": line.native(now.expected), "deviation_span": now.deviation * per_cent,
        "uncertainty_span": now.uncertainty * per_cent, "limit_span": window.loop.limits.link.fault,
        "mean_flow": now.expected, "recent_rows": float(now.rows),
    }  # fmt: skip
    sigma, rho = _noise(line, look.rows, look.expected, look.fit)
    facts |= {"sigma": sigma, "rho": rho, "lag_s": look.kernel.lag_s}
    fit = look.fit
    systematic = _floor_covariance(line, look.floor)
    if fit is not None:
        statistical, _ = _covariances(look, fit)
        pivot = fieller(fit.offset, fit.gain - 1.0, statistical + systematic)
        facts |= {
            "offset": fit.offset, "gain": fit.gain - 1.0, "fit_lag_s": fit.kernel.lag_s,
            "v_oo": statistical[0, 0], "v_og": statistical[0, 1], "v_gg": statistical[1, 1],
            "s_oo": systematic[0, 0], "s_og": systematic[0, 1], "s_gg": systematic[1, 1],
            "pivot": pivot.at, "pivot_low": pivot.low, "pivot_high": pivot.high, "pivot_ma": line.ma(pivot.at),
            "x_low": fit.x_low, "x_high": fit.x_high, "x_mean": fit.x_mean, "x_sd": fit.x_sd,
            "rows": float(len(fit.rows)), "rows_effective": effective_rows(len(fit.rows), fit.regression.rho, fit.rho_x),
        }  # fmt: skip
    if look.bent is not None:
        facts |= {
            "model": float(look.bent.model),
            "model_lead": look.bent.lead,
            "curvature_t": look.bent.curvature_t,
        }
        facts |= {"knot": look.bent.knot, "ceiling": look.bent.ceiling, "exponent": look.bent.exponent}
    facts |= _onset_facts(look)
    if differs:
        need = _need(look, systematic, sigma, rho)
        facts |= {"gate_minutes": need.minutes, "gate_level": need.level, "gate_below": float(need.below)}
    return {name: float(value) for name, value in facts.items() if np.isfinite(value)}


def _onset_facts(look: _Look) -> dict[str, float]:
    rows = look.rows
    if look.split is not None and look.split_rows is not None:
        at = rows.start_s[look.split_rows]
        split = look.split
        return {
            "onset": float(at[split.row]),
            "onset_low": float(at[max(split.first - 1, 0)]),
            "onset_high": float(at[split.last]),
            "onset_nats": split.gain,
        }
    steady = np.flatnonzero(rows.steady)
    if len(steady) == 0:
        return {}
    return {
        "onset": float(rows.start_s[steady[0]]),
        "onset_low": float(rows.start_s[0]),
        "onset_high": float(rows.start_s[steady[0]]),
    }


def _need(look: _Look, systematic: Floats, sigma: float, rho: float) -> gate.Need:
    if look.bent is not None and look.bent.model != shape.LINE:
        return gate.MET
    fit = look.fit
    information: Floats
    if fit is not None:
        if gate.is_met(look.line, fit.offset, fit.gain - 1.0, fit.covariance + systematic, fit.x_mean):
            return gate.MET
        deviation, mean = fit.offset + (fit.gain - 1.0) * fit.x_mean, fit.x_mean
        information = np.asarray(np.linalg.inv(fit.covariance), np.float64)
    elif np.isfinite(look.now.deviation):
        deviation, mean = look.now.deviation, look.now.expected
        weight = max(look.now.rows, 1) / sigma**2
        information = weight * np.array([[1.0, mean], [mean, mean * mean]]) + np.diag([1e-6, 1.0])
    else:
        return replace(gate.MET, minutes=2.0)
    return gate.still_needed(
        look.line, deviation=deviation, mean=mean, information=information, floor=systematic,
        sigma=sigma, rho=rho, length_s=look.rows.length_s,
    )  # fmt: skip
