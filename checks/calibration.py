"""Can the calibration carry the weight that is put on it: load and length of the runs, counting noise, drift of the factor.

The two rules of the trade (a run at 20 % of full load at least, a tare over three turns of the belt at least) are common
practice, no source. Counting noise is Poisson: a rate r over t seconds is known to sqrt(r/t).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np

from checks.events import between
from checks.physics import T_H_PER_KG_S
from checks.references import MaterialTest, Span, Tare
from checks.result import CheckResult, Evidence, Link, Verdict, worst
from checks.window import Window

NAME = "calibration"
LINKS = (Link.LOAD,)
NEEDS = ("tares, spans or material tests in the ledger of the site",)

LEAST_LOAD = 0.2
"""Load of a run [parts of full load]; common practice, no source."""
LEAST_TURNS = 3.0
"""Turns of a tare; common practice, no source."""
WHOLE_TURNS = 0.98
"""A turn less than this part short is not held against a tare: times are written in minutes."""
TESTS = 3
"""Material tests from which a drift of the factor can be seen."""
DRIFT_SIGMA = 3.0
LEAST_DRIFT = 0.5
"""Drift of the factor over all tests that matters [%]; own estimate."""
REPEATS = 0.1
"""What a material test repeats to beside the uncertainty of its reference, one standard deviation [%]; own estimate."""
DAY_S, YEAR_S = 86400.0, 365.25 * 86400.0


@dataclass(frozen=True, slots=True)
class _Point:
    verdict: Verdict
    words: str
    evidence: Evidence


def check(window: Window) -> list[CheckResult]:
    """The newest tare and span, and the factors of all material tests; what is not in the ledger is asked for."""
    points: list[_Point] = []
    needs: list[str] = []
    for judged in (_load(window), _turns(window), *_noise(window), _drift(window)):
        if isinstance(judged, str):
            needs.append(judged)
        elif judged is not None:
            points.append(judged)
    if not points:
        return [
            CheckResult(
                check=NAME, link=Link.LOAD, verdict=Verdict.NOT_EVALUATED,
                reason="nothing is known of how the gauge was tared and calibrated", needs=tuple(dict.fromkeys(needs)),
            )
        ]  # fmt: skip
    doubts = [point.words for point in points if point.verdict is not Verdict.OK]
    return [
        CheckResult(
            check=NAME, link=Link.LOAD, verdict=worst(point.verdict for point in points),
            reason="; ".join(doubts) if doubts else "; ".join(point.words for point in points),
            evidence=tuple(point.evidence for point in points), needs=tuple(dict.fromkeys(needs)),
            used=len(points), total=len(points) + len(needs),
        )
    ]  # fmt: skip


def follows(window: Window) -> Hashable:
    """What the answer depends on: the entries of the ledger, and the calibrations that the tags showed."""
    last = next((entry.time_s for entry in reversed(window.ledger) if entry.kind == "calibration"), 0)
    return len(window.references), window.references[-1].end_s if window.references else 0, last


def _speed(window: Window) -> float | None:
    """Belt speed that full load is meant at [m/s]: that of the gauge where it is fixed, else that of the drive."""
    return window.loop.gauge.fixed_speed or window.loop.drive.speed_at_nominal


def _load(window: Window) -> _Point | str:
    """Load of the newest run that set or proved the factor, against full load."""
    run = next((item for item in reversed(window.references) if isinstance(item, Span | MaterialTest)), None)
    if run is None:
        return "a material test, or a span run with its load, in the ledger of the site"
    full = window.loop.gauge.range.high
    flow = _flow_of(window, run)
    if flow is None:
        return "load and belt speed, or mass, of the span run in the ledger"
    per_cent = 100.0 * flow / full
    low = per_cent < 100.0 * LEAST_LOAD
    kind = "span run" if isinstance(run, Span) else "material test"
    words = f"the last {kind} was made at {per_cent:.0f} % of full load"
    return _Point(
        Verdict.SUSPECT if low else Verdict.OK, words + (f", at least {100 * LEAST_LOAD:.0f} % are needed" if low else ""),
        Evidence(name="load of the run", value=per_cent, unit="% of full load", limit=100.0 * LEAST_LOAD),
    )  # fmt: skip


def _flow_of(window: Window, run: Span | MaterialTest) -> float | None:
    """Mean flow of a run [t/h]; None where the ledger does not say."""
    if isinstance(run, MaterialTest):
        return run.reference_t / (run.run_s / 3600.0) if run.run_s > 0 else None
    speed = run.speed or _speed(window)
    load = run.load_kg_m if run.load_kg_m is not None else run.gauge_load_kg_m
    if load is not None and speed is not None:
        return T_H_PER_KG_S * load * speed
    return run.mass_t / (run.run_s / 3600.0) if run.mass_t is not None and run.run_s > 0 else None


def _tare(window: Window) -> Tare | None:
    return next((item for item in reversed(window.references) if isinstance(item, Tare)), None)


def _turns(window: Window) -> _Point | str:
    """Turns of the newest tare: as written, by its time and speed, or by how long the gauge said that it calibrated."""
    length, tare = window.loop.gauge.belt_length, _tare(window)
    turns: float | None = tare.turns if tare is not None else None
    if turns is None:
        seconds = float(tare.run_s) if tare is not None else _tare_seconds(window)
        if seconds is None:
            return "a tare with begin and end in the ledger of the site, or a tag for calibrating"
        speed = (tare.speed if tare is not None else None) or _speed(window)
        if length is None or speed is None:
            return "belt_length and belt speed in the site file, or the turns of the tare in the ledger"
        turns = seconds * speed / length
    short = turns < LEAST_TURNS * WHOLE_TURNS
    return _Point(
        Verdict.SUSPECT if short else Verdict.OK,
        f"the last tare took {turns:.1f} turns of the belt" + (f", at least {LEAST_TURNS:.0f} are needed" if short else ""),
        Evidence(name="turns of the tare", value=turns, unit="1", limit=LEAST_TURNS),
    )  # fmt: skip


def _tare_seconds(window: Window) -> float | None:
    """How long the gauge said that it calibrated when the empty-belt rate last changed [s]; None where it was not seen."""
    tare = next((entry for entry in reversed(window.ledger) if entry.kind == "tare"), None)
    if tare is None:
        return None
    near = [entry for entry in between(window.ledger, tare.time_s - DAY_S, tare.time_s + 600) if entry.kind == "calibration"]
    begin = next((entry.time_s for entry in reversed(near) if entry.new == 1.0 and entry.time_s <= tare.time_s), None)
    if begin is None:
        return None
    end = next((entry.time_s for entry in near if entry.new == 0.0 and entry.time_s > begin), None)
    return float(end - begin) if end is not None else None


def _noise(window: Window) -> list[_Point | str | None]:
    """What counting alone leaves of the newest tare [% of span] and of the newest span run [% of its load], k = 2."""
    gauge, speed = window.loop.gauge, _speed(window)
    constant, span = gauge.load_per_attenuation, gauge.range.high - gauge.range.low
    if constant is None or speed is None:
        return ["load_per_attenuation and a belt speed in the site file"]
    tare = _tare(window)
    run = next((item for item in reversed(window.references) if isinstance(item, Span) and item.rate is not None), None)
    if tare is None:
        return []
    zero = constant * _attenuation_error(tare.rate, gauge.background, tare.run_s)
    limit = window.loop.limits.link.fault
    per_cent = 200.0 * T_H_PER_KG_S * zero * speed / span
    out: list[_Point | str | None] = [_noisy(per_cent, limit, "tare", "% of span")]
    load = None if run is None else run.load_kg_m if run.load_kg_m is not None else run.gauge_load_kg_m
    if run is not None and run.rate is not None and load is not None and load > 0.0:
        loaded = constant * _attenuation_error(run.rate, gauge.background, run.run_s)
        counted = 200.0 * math.hypot(zero, loaded) / load
        stated = run.uncertainty_percent or 0.0
        out.append(_noisy(math.hypot(counted, stated), window.loop.limits.counts_to_flow.fault, "span run", "% of its load"))
    return out


def _attenuation_error(rate: float, background: float, seconds: float) -> float:
    """Standard error of an attenuation [1] from a gross rate [1/s] counted for so long [s]; infinite where nothing is left."""
    net = rate - background
    return math.sqrt(rate / seconds) / net if net > 0.0 and seconds > 0.0 else math.inf


def _noisy(per_cent: float, limit: float, what: str, unit: str) -> _Point | None:
    if not math.isfinite(per_cent):
        return None
    much = per_cent > limit
    words = f"the last {what} is known to {per_cent:.2g} {unit}"
    return _Point(
        Verdict.SUSPECT if much else Verdict.OK, words + (f", more than {limit:g} %: count for longer" if much else ""),
        Evidence(name=f"uncertainty of the {what}, k = 2", value=per_cent, unit=unit, limit=limit, standard_error=None),
    )  # fmt: skip


def _drift(window: Window) -> _Point | str | None:
    """Whether the factors that the material tests ask for move one way: then something else drifts that a factor hides."""
    seen = [item for item in window.references if isinstance(item, MaterialTest) and _asked(item) is not None]
    if len(seen) < TESTS:
        return f"{TESTS} material tests with the factor in force, gauge and reference tonnes in the ledger, to see a drift"
    if len({item.product for item in seen}) > 1:
        return None
    days = np.array([item.end_s / DAY_S for item in seen])
    factor = np.array([100.0 * math.log(_asked(item) or 1.0) for item in seen])
    error = np.array([math.hypot(50.0 * item.reference_u_t / item.reference_t, REPEATS) for item in seen])
    slope, slope_error = _slope(days, factor, error)
    reach = float(np.ptp(days))
    moved = slope * reach
    drifts = abs(moved) > DRIFT_SIGMA * slope_error * reach and abs(moved) > LEAST_DRIFT
    words = f"the factor of {len(seen)} material tests moved by {moved:+.1f} % in {reach:.0f} days"
    return _Point(
        Verdict.SUSPECT if drifts else Verdict.OK,
        words + ": look for what drifts (zero, speed, source, load shape) before the factor is changed again" if drifts
        else f"the factor of {len(seen)} material tests holds",
        Evidence(
            name="drift of the factor", value=slope * YEAR_S / DAY_S, unit="%/year", limit=LEAST_DRIFT / max(reach, 1.0) * YEAR_S / DAY_S,
            standard_error=slope_error * YEAR_S / DAY_S,
        ),
    )  # fmt: skip


def _asked(test: MaterialTest) -> float | None:
    """The factor that a test asks for: the one in force times reference over gauge; that entered where tonnes are missing."""
    if test.factor_before is not None and test.gauge_t is not None and test.gauge_t > 0.0:
        return test.factor_before * test.reference_t / test.gauge_t
    return test.factor_after


def _slope(x: Sequence[float] | np.ndarray, y: Sequence[float] | np.ndarray, error: np.ndarray) -> tuple[float, float]:
    """Weighted slope and its standard error, not below what the scatter about the line says (known errors, chi-square)."""
    times, values = np.asarray(x, np.float64), np.asarray(y, np.float64)
    weight = 1.0 / error**2
    centre = float((weight * times).sum() / weight.sum())
    spread = float((weight * (times - centre) ** 2).sum())
    if spread <= 0.0:
        return 0.0, math.inf
    slope = float((weight * (times - centre) * values).sum()) / spread
    left = values - (weight * values).sum() / weight.sum() - slope * (times - centre)
    scatter = float((weight * left**2).sum()) / max(len(times) - 2, 1)
    return slope, math.sqrt(max(scatter, 1.0) / spread)
