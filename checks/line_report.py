"""A line told: verdict, evidence for people, facts for the diagnosis."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from checks import gate, lag, shape
from checks.fit import effective_rows
from checks.line_look import MEMORY, Look, covariances, floor_covariance, noise_of
from checks.pivot import fieller
from checks.result import CheckResult, Evidence, Verdict, worst
from checks.window import Window

Floats = NDArray[np.float64]


def worst_point(look: Look, fit: lag.LagFit) -> tuple[float, float]:
    """Largest deviation over the covered range [t/h] with its expanded uncertainty."""
    statistical, systematic = covariances(look, fit)
    best = (0.0, 0.0)
    for flow in (fit.x_low, fit.x_high):
        direction = np.array([1.0, flow])
        variance = float(direction @ (statistical + systematic) @ direction)
        deviation = fit.offset + (fit.gain - 1.0) * flow
        if abs(deviation) >= abs(best[0]):
            best = (deviation, 2.0 * float(np.sqrt(max(variance, 0.0))))
    return best


def told(window: Window, look: Look, fitted: Verdict) -> CheckResult:
    line, rows, now, limit = look.line, look.rows, look.now, window.loop.limits.link
    verdict = Verdict.FAULT if now.verdict is Verdict.FAULT else worst((fitted, now.verdict))
    differs = verdict in (Verdict.FAULT, Verdict.SUSPECT)
    facts = _facts(window, look, differs, fitted)
    per_cent = 100.0 / line.span
    deviation, uncertainty = now.deviation, now.uncertainty
    if look.fit is not None and (not np.isfinite(deviation) or verdict is not now.verdict):
        deviation, uncertainty = worst_point(look, look.fit)
    evidence = [
        Evidence(
            name="deviation", value=_known(deviation * per_cent), unit="% of span", limit=limit.fault,
            standard_error=_known(uncertainty * per_cent / 2.0),
        ),
        Evidence(name="shown", value=_known(line.native(now.shown)), unit=line.unit),
        Evidence(name="expected", value=_known(line.native(now.expected)), unit=line.unit),
    ]  # fmt: skip
    if look.fit is not None:
        statistical, systematic = covariances(look, look.fit)
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
    coarse = 200.0 * look.floor[1]
    if verdict is Verdict.NOT_EVALUATED and coarse >= limit.fault:
        needs = (f"a recording with a smaller deadband of {line.x_role} and {line.y_role}",)
    elif verdict is Verdict.NOT_EVALUATED:
        needs = ("belt running and settled for two minutes with a load inside the range",)
    elif facts.get("gate_minutes", 0.0) > 0.0 and differs:
        need = gate.Need(minutes=facts["gate_minutes"], level=facts["gate_level"], below=facts["gate_below"] > 0.0)
        needs = (need.sentence(),)
    used = len(look.fit.rows) if look.fit is not None else now.rows
    reason = _reason(look, verdict, deviation * per_cent)
    if verdict is Verdict.NOT_EVALUATED and coarse >= limit.fault:
        reason = f"{line.label}: what the recorder left out alone makes U {coarse:.2g} % of span, above the limit of {limit.fault:g} %"
    return CheckResult(
        check="scaling", link=line.link, verdict=verdict, reason=reason,
        evidence=tuple(evidence), needs=needs, used=used, total=len(rows), facts=facts,
    )  # fmt: skip


def _known(value: float) -> float | None:
    return value if np.isfinite(value) else None


def _reason(look: Look, verdict: Verdict, per_cent: float) -> str:
    line = look.line
    if verdict is Verdict.NOT_EVALUATED:
        return f"{line.label}: not enough settled, unlimited load to compare"
    if verdict is Verdict.OK:
        return f"{line.label} agrees to {abs(per_cent):.2f} % of span"
    return f"{line.label} differs by {per_cent:+.2f} % of span ({line.words})"


def _facts(window: Window, look: Look, differs: bool, fitted: Verdict) -> dict[str, float]:
    line, now, per_cent = look.line, look.now, 100.0 / look.line.span
    facts: dict[str, float] = {
        "deviation": now.deviation, "uncertainty": now.uncertainty, "shown": line.native(now.shown),
        "expected": line.native(now.expected), "deviation_span": now.deviation * per_cent,
        "uncertainty_span": now.uncertainty * per_cent, "limit_span": window.loop.limits.link.fault,
        "mean_flow": now.expected, "recent_rows": float(now.rows),
    }  # fmt: skip
    sigma, rho = noise_of(line, look.rows, look.expected, look.fit)
    facts |= {"sigma": sigma, "rho": rho, "lag_s": look.kernel.lag_s}
    fit = look.fit
    systematic = floor_covariance(line, look.floor)
    if fit is not None:
        statistical, _ = covariances(look, fit)
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
        facts["shape_left"] = look.bent.left
    facts |= _onset_facts(look, fitted)
    if differs:
        need = _need(look, systematic, sigma, rho)
        facts |= {"gate_minutes": need.minutes, "gate_level": need.level, "gate_below": float(need.below)}
    return {name: float(value) for name, value in facts.items() if np.isfinite(value)}


def _onset_facts(look: Look, fitted: Verdict) -> dict[str, float]:
    rows = look.rows
    if look.split is not None and look.moment is not None:
        when = look.moment
        return {
            "onset": float(when.at),
            "onset_low": float(when.low),
            "onset_high": float(when.high),
            "onset_held": when.held,
            "onset_nats": look.split.gain,
        }
    if look.begin:
        return {
            "onset": float(rows.start_s[look.begin]),
            "onset_low": float(rows.start_s[0]),
            "onset_high": float(rows.start_s[look.begin]),
        }
    steady = np.flatnonzero(rows.steady)
    if len(steady) == 0:
        return {}
    if look.now.verdict is Verdict.FAULT and fitted is not Verdict.FAULT and len(steady) > look.now.rows:
        first = steady[-look.now.rows]  # too new to be a change among the rows: the last minute is all there is of it
        return {
            "onset": float(rows.start_s[first]),
            "onset_low": float(rows.start_s[max(first - look.now.rows, 0)]),
            "onset_high": float(rows.start_s[-1]),
        }
    return {
        "onset": float(rows.start_s[steady[0]]),
        "onset_low": float(rows.start_s[0]),
        "onset_high": float(
            rows.start_s[steady[-1]] if look.fit is not None and look.fit.regression.rho > MEMORY else rows.start_s[steady[0]]
        ),
    }


def _need(look: Look, systematic: Floats, sigma: float, rho: float) -> gate.Need:
    if look.bent is not None and look.bent.model != shape.LINE:
        return gate.MET
    fit = look.fit
    information: Floats
    if fit is not None:
        if gate.is_met(look.line, fit.offset, fit.gain - 1.0, fit.covariance + systematic, fit.x_mean):
            return gate.MET
        if not gate.can_improve(look.line, fit.covariance, systematic):
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
