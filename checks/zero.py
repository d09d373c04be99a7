"""Does the empty belt read zero: now, since when not, and what moved it.

By the counts of the empty belt and by what the gauge takes for empty, never by a flow that a cut-off or a clamp may hide.
"""

from __future__ import annotations

import math

import numpy as np

from checks.references import Tare
from checks.result import CheckResult, Evidence, Link, Verdict, judge
from checks.stretches import EmptyStretch, each_of
from checks.window import Window
from checks.zero_explain import Explained, crept, explain, of_swing, tonnes_since
from checks.zero_law import Law, clock_skew_s, law_in, without_steps
from checks.zero_series import DAY_S, Level, Series, current, series_in
from checks.zero_swing import Swing, swing_of
from config.model import Loop

NAME = "zero"
LINKS = (Link.COUNTS,)
NEEDS = ("count_rate, and load_per_attenuation in the site file",)

LEAST_STRETCHES = 2
MOST_NEEDED = 500


def check(window: Window) -> list[CheckResult]:
    """One answer at the counts: the error of the zero with its uncertainty, the age of tare and empties, and the causes."""
    loop, limits = window.loop, window.loop.limits.zero
    if "count_rate" not in loop.tags:
        return [_skip("the zero cannot be seen without counts", "a tag for the count rate of the detector")]
    stretches = window.empties
    if len(stretches) < LEAST_STRETCHES:
        how = f"{LEAST_STRETCHES - len(stretches)} more stretches of empty running belt, each of a whole turn or longer"
        feed = (
            ""
            if "feed_running" in loop.tags
            else "; a tag for the feeder (feed_running) shows them also where the zero is far off"
        )
        return [_skip("too few stretches of empty running belt", how + feed, used=len(stretches))]
    series = window.once("series of empties", series_in)
    if series is None:
        return [_skip("the empty belt cannot be told in t/h", "load_per_attenuation in the site file and a belt speed")]
    law = window.once("law of empties", law_in)
    series = without_steps(series, law)
    age_s = window.end_s - stretches[-1].end_s
    if age_s > limits.stale_after:
        return [_skip(f"the belt was last seen empty {age_s / DAY_S:.0f} days ago", "a stretch of empty running belt")]
    level = current(series)
    if level is None:
        needed = "flow and speed on the loaded belt, or a flow on the empty belt that no cut-off hides"
        return [_skip("what the gauge takes for empty is not known", needed)]
    return [_judged(window, series, level, law)]


def _judged(window: Window, series: Series, level: Level, law: Law | None) -> CheckResult:
    loop, limits = window.loop, window.loop.limits.zero
    span = loop.gauge.range.high - loop.gauge.range.low
    per_cent = 100.0 / span
    verdict = judge(level.value * per_cent, 2.0 * level.se * per_cent, limits.suspect, limits.fault)
    evidence = [
        Evidence(name="zero error", value=level.value, unit="t/h", limit=limits.fault / per_cent, standard_error=level.se),
        Evidence(name="zero error", value=level.value * per_cent, unit="% of span", limit=limits.fault, standard_error=level.se * per_cent),
        Evidence(name="scatter of empties beyond counting", value=series.by_day, unit="t/h"),
        Evidence(name="age of the last empty belt", value=(window.end_s - series.stretches[-1].end_s) / 3600.0, unit="h"),
    ]  # fmt: skip
    age_d = tare_age_d(window)
    if age_d is not None:
        evidence.append(Evidence(name="age of the tare", value=age_d, unit="d"))
    facts = {"error": level.value, "error_se": level.se, "limit": limits.fault / per_cent, "stretches": float(len(series))}
    needs: tuple[str, ...] = ()
    words = f"the empty belt reads {level.value:+.1f} t/h"
    swing = swing_of(series)
    creep = crept(series)
    if verdict is Verdict.NOT_EVALUATED:
        more = min(MOST_NEEDED, math.ceil(level.rows * ((2.0 * level.se * per_cent / limits.fault) ** 2 - 1.0)) + 1)
        words = f"{words}, known to {2.0 * level.se:.1f} t/h only"
        needs = (f"{more} more stretches of empty running belt, or longer ones",)
    elif verdict in (Verdict.FAULT, Verdict.SUSPECT):
        found = explain(series, level, loop, clock_skew_s(window), swing, law)
        facts |= _facts(window, series, level, found)
    if swing is not None and verdict is not Verdict.FAULT:
        half = judge(0.5 * swing.size * per_cent, swing.size_se * per_cent, limits.suspect, limits.fault)
        if half is Verdict.FAULT:
            verdict, needs = half, ()
            words = f"the empty belt swings by {swing.size:.1f} t/h every day"
            facts |= _swinging(window, series, swing)
    if creep is not None and verdict is Verdict.OK:
        drift, se, tares = creep
        verdict = judge(drift * per_cent, 2.0 * se * per_cent, limits.suspect, limits.fault)
        verdict = Verdict.OK if verdict is Verdict.NOT_EVALUATED else verdict
        if verdict is not Verdict.OK:
            words = f"{tares} tares without an operator have moved the zero by {drift:+.1f} t/h against the decay of the source"
            facts |= _crept(window, series, drift, se)
    if swing is not None:
        name = "swing with detector temperature" if swing.by == "temperature" else "daily swing"
        evidence.append(Evidence(name=name, value=swing.size, unit="t/h", standard_error=swing.size_se))
    return CheckResult(
        check=NAME, link=Link.COUNTS, verdict=verdict, reason=words, evidence=tuple(evidence), needs=needs,
        used=level.rows, total=len(series), facts=facts,
    )  # fmt: skip


PARTS = ("counts", "gauge", "swing", "creep")
SHAPES = ("constant", "step", "ramp", "saw", "passing", "temperature", "daylight", "either", "creep")


def _facts(window: Window, series: Series, level: Level, found: Explained) -> dict[str, float]:
    moved = found.moved
    after = running_after(window, series.stretches[-1].end_s)
    late = moved.interval[1] - moved.interval[0]
    tonnes, uncertainty = tonnes_since(series, window.loop, found.row, late, level.value, after)
    out = {
        "part": float(PARTS.index(moved.part)), "shape": float(SHAPES.index(moved.shape)), "size": moved.size,
        "begin": moved.begin_s, "begin_low": moved.interval[0], "begin_high": moved.interval[1], "lasted": moved.lasted_s,
        "tonnes": tonnes, "tonnes_u": uncertainty,
    }  # fmt: skip
    out |= {f"had:{kind}": 1.0 for kind in sorted(moved.kinds)}
    return out | {f"cause:{ranked.cause}": ranked.probability for ranked in found.ranking}


def _swinging(window: Window, series: Series, swing: Swing) -> dict[str, float]:
    row = min(int(np.searchsorted(series.time_s, series.time_s[-1] - swing.days * DAY_S)), len(series) - 1)
    begin = float(series.stretches[row].start_s)
    after = running_after(window, series.stretches[-1].end_s)
    mean = float(np.nanmean(series.error[row:]))
    tonnes, uncertainty = tonnes_since(series, window.loop, row, 0.0, mean, after)
    out = {
        "part": float(PARTS.index("swing")), "shape": float(SHAPES.index(swing.by)), "size": swing.size, "tonnes": tonnes,
        "tonnes_u": uncertainty, "error": mean,
        "begin": begin, "begin_low": begin, "begin_high": begin, "lasted": swing.days * DAY_S, "coefficient": swing.coefficient,
        "coefficient_se": swing.se, "lag_h": swing.lag_h,
    }  # fmt: skip
    return out | {f"cause:{ranked.cause}": ranked.probability for ranked in of_swing(swing)}


def _crept(window: Window, series: Series, drift: float, se: float) -> dict[str, float]:
    """An automatic zero: the empty belt reads zero, the loaded one is off by the drift."""
    first = float(next(time_s for stretch in series.stretches for kind, time_s in stretch.events if kind == "tare"))
    loaded = np.array([stretch.loaded_s for stretch in series.stretches]) / 3600.0
    gauge = np.nan_to_num(series.gauge - np.nanmedian(series.gauge[:5]), nan=0.0)
    return {
        "part": float(PARTS.index("creep")), "shape": float(SHAPES.index("creep")), "size": drift, "error": drift, "error_se": se,
        "begin": first, "begin_low": first, "begin_high": first, "lasted": window.end_s - first,
        "tonnes": float((gauge * loaded).sum()), "tonnes_u": 2.0 * se * float(loaded.sum()),
        "cause:auto-zero-creep": 0.9, "cause:unknown": 0.1,
    }  # fmt: skip


def running_after(window: Window, time_s: int) -> float:
    """Hours that the belt ran since a moment, as far as the blocks tell."""
    first = int(np.searchsorted(window.blocks.start_s, time_s))
    return float((window.blocks.state("loaded")[first:] + window.blocks.state("empty")[first:]).sum()) / 3600.0


def tare_age_d(window: Window) -> float | None:
    """Days since the last tare that is known: of the ledger, of the records, or the declared date."""
    times = [float(entry.end_s) for entry in window.references if isinstance(entry, Tare)]
    noted = each_of(window.empties, "tared", _tared)
    times += noted[np.isfinite(noted)].tolist()[-1:]
    if not times and (date := window.loop.gauge.reference_date) is not None:
        times = [_noon(window.loop)] if date else []
    return (window.end_s - max(times)) / DAY_S if times else None


def _tared(stretch: EmptyStretch) -> float:
    """When the last tare before a stretch was [epoch s], NaN where there was none."""
    return max((float(time_s) for kind, time_s in stretch.events if kind == "tare"), default=math.nan)


def _noon(loop: Loop) -> float:
    date = loop.gauge.reference_date
    assert date is not None
    return (date.toordinal() - 719_163 + 0.5) * DAY_S


def _skip(reason: str, need: str, *, used: int = 0) -> CheckResult:
    return CheckResult(
        check=NAME, link=Link.COUNTS, verdict=Verdict.NOT_EVALUATED, reason=reason, needs=(need,), used=used, total=used
    )
