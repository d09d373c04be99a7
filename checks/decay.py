"""Is the decay of the source compensated with the right nuclide, date and clock.

What the gauge takes for empty must fall as the source does. Its slope against the declared law is tested against none
(right), lambda (not compensated), minus lambda (twice) and lambda less that of every other nuclide; its level against what
each of them would have made since the reference date. A saw-tooth that comes back to the law is a compensation in steps.
"""

from __future__ import annotations

import math

from checks.result import CheckResult, Evidence, Link, Verdict, judge
from checks.window import Window
from checks.zero_explain import by_slope
from checks.zero_law import MONTH_D, Law, clock_skew_s, in_steps, law_in
from checks.zero_series import DAY_S, Series, current, series_in
from config.nuclides import NUCLIDES

NAME = "decay"
LINKS = (Link.COUNTS,)
NEEDS = ("count_rate with flow and speed, and load_per_attenuation in the site file",)

LEAST_DAYS, LEAST_STRETCHES = 4.0, 8
CLOCK_ACTS = 0.3
"""A clock moves the zero where the gauge is off by what its error makes, within this part."""
STEPS_D = 35.0
"""Compensations that are brought up to date once a month show their step after so long; before, none is called missing."""


def check(window: Window) -> list[CheckResult]:
    """One answer at the counts: the slope against the law with its uncertainty, the clock of the gauge, the causes."""
    loop, limits = window.loop, window.loop.limits.decay
    if "count_rate" not in loop.tags:
        return [_skip("decay cannot be seen without counts", "a tag for the count rate of the detector")]
    series, law = window.once("series of empties", series_in), window.once("law of empties", law_in)
    clock = _clock(window, series)
    if series is None or law is None or law.rows < LEAST_STRETCHES or law.days < LEAST_DAYS:
        return [_too_few(window, series, law, clock)]
    month = 100.0 * MONTH_D / series.kv
    deviation, uncertainty = law.slope * month, 2.0 * law.se * month
    verdict = judge(deviation, uncertainty, limits.suspect, limits.fault)
    evidence = [
        Evidence(name="drift against the decay of the source", value=deviation, unit="% of the counts in 30 d",
                 limit=limits.fault, standard_error=0.5 * uncertainty),
        Evidence(name="drift of the zero", value=law.slope * MONTH_D, unit="t/h in 30 d", standard_error=law.se * MONTH_D),
        Evidence(name="time looked at", value=law.days, unit="d"),
    ]  # fmt: skip
    facts = {"slope": law.slope, "slope_se": law.se, "days": law.days, "rows": float(law.rows), "own": series.decay_per_day}
    needs: tuple[str, ...] = ()
    steps_d = in_steps(series, law)
    words = "what the gauge takes for empty falls as the source does"
    if steps_d is not None:
        verdict, words = Verdict.OK, f"decay is compensated in steps of {steps_d:.0f} days: nothing is wrong"
        facts["in_steps_d"] = steps_d
    elif verdict is Verdict.NOT_EVALUATED:
        words, needs = f"the slope is known to {uncertainty:.2f} % in 30 days only", (_needed(law, month, limits.fault),)
    elif verdict is not Verdict.OK:
        words = (
            f"what the gauge takes for empty drifts by {law.slope * MONTH_D:+.1f} t/h a month against the decay of the source"
        )
        ranking = by_slope(series, loop, law.slope, law.se)
        facts |= {f"cause:{ranked.cause}": ranked.probability for ranked in ranking}
        facts |= {"begin": float(series.stretches[0].start_s), "drifted": law.slope * law.days}
        if ranking[0].cause == "decay-off" and law.longest_d < STEPS_D:
            verdict = Verdict.NOT_EVALUATED
            weeks = math.ceil((STEPS_D - law.longest_d) / 7.0)
            needs = (
                f"{weeks} more weeks of empties: a compensation that is brought up to date once a month looks the same until then",
            )
            words += ", which may be a compensation in monthly steps"
    code = _code(window)
    if code is not None:
        evidence.append(code[0])
        if code[1] and verdict in (Verdict.OK, Verdict.NOT_EVALUATED):
            verdict, words = Verdict.SUSPECT, code[1]
    if clock is not None:
        evidence.append(clock[1])
        facts |= clock[2]
        if clock[0] is not Verdict.OK:
            rank = (Verdict.OK, Verdict.NOT_EVALUATED, Verdict.SUSPECT, Verdict.FAULT).index
            if rank(clock[0]) > rank(verdict):
                verdict, words = clock[0], clock[3]
    return [
        CheckResult(
            check=NAME, link=Link.COUNTS, verdict=verdict, reason=words, evidence=tuple(evidence), needs=needs, used=law.rows,
            total=len(window.empties), facts=facts,
        )
    ]  # fmt: skip


_Clock = tuple[Verdict, Evidence, dict[str, float], str]


def _clock(window: Window, series: Series | None) -> _Clock | None:
    """The clock of the gauge against ours: doubtful beyond the limit, a fault where the zero is off by the decay it adds."""
    skew = clock_skew_s(window)
    if skew is None:
        return None
    limit = window.loop.limits.decay.clock
    span = window.loop.gauge.range.high - window.loop.gauge.range.low
    effect = -series.decay_per_day * skew / DAY_S if series is not None else 0.0
    verdict = Verdict.OK
    if abs(skew) > limit:
        level = current(series) if series is not None else None
        acts = level is not None and abs(level.gauge - effect) < CLOCK_ACTS * abs(effect)
        large = abs(effect) > window.loop.limits.zero.fault * span / 100.0
        verdict = Verdict.FAULT if acts and large else Verdict.SUSPECT
    evidence = Evidence(name="clock of the gauge less ours", value=skew / DAY_S, unit="d", limit=limit / DAY_S)
    words = f"the clock of the gauge is {abs(skew) / DAY_S:,.0f} days {'ahead' if skew > 0.0 else 'behind'}"
    return verdict, evidence, {"skew_d": skew / DAY_S, "skew_t_h": effect}, words


def _code(window: Window) -> tuple[Evidence, str] | None:
    """The nuclide that is read back against the declared one; words where they differ, None where it is not read."""
    code, nuclide = window.settings.get("nuclide_code"), window.loop.gauge.nuclide
    if code is None or nuclide not in NUCLIDES:
        return None
    wanted = NUCLIDES[nuclide].mass_number
    words = "" if int(code) == wanted else f"the gauge is set to mass number {int(code)}, the site file says {nuclide}"
    return Evidence(name="nuclide set in the gauge, mass number", value=code, unit="1", limit=float(wanted)), words


def _needed(law: Law, month: float, limit: float) -> str:
    """Weeks until a slope of the limit would show, at this pace of empties: the error goes with days to the power 3/2."""
    ratio = 2.0 * law.se * month / limit
    days = law.days * (max(ratio, 1.0) ** (2.0 / 3.0) - 1.0)
    weeks = max(1, math.ceil(days / 7.0))
    stretches = max(1, math.ceil(law.rows / max(law.days, 1.0) * days))
    return needed(weeks, stretches)


def needed(weeks: int, stretches: int) -> str:
    """Time and empties that are still needed, in words."""
    return f"{weeks} more week{'s' * (weeks != 1)} with {stretches} more stretch{'es' * (stretches != 1)} of empty running belt"


def _too_few(window: Window, series: Series | None, law: Law | None, clock: _Clock | None) -> CheckResult:
    """Too little to say anything of a slope; the clock may speak nevertheless."""
    loop = window.loop
    if series is None and loop.gauge.load_per_attenuation is None:
        need = "load_per_attenuation in the site file"
    elif series is not None and law is None and len(window.empties) >= LEAST_STRETCHES:
        need = "flow and speed on the loaded belt, or a flow on the empty belt that no cut-off hides"
    else:
        rows, days = (law.rows, law.days) if law is not None else (len(window.empties), 0.0)
        weeks = max(1, math.ceil((LEAST_DAYS - days) / 7.0))
        need = needed(weeks, max(1, LEAST_STRETCHES - rows))
    facts: dict[str, float] = clock[2] if clock is not None else {}
    evidence = (clock[1],) if clock is not None else ()
    verdict, reason = Verdict.NOT_EVALUATED, "too few stretches of empty running belt to see the source decay"
    if clock is not None and clock[0] is not Verdict.OK:
        verdict, reason = clock[0], clock[3]
    return CheckResult(
        check=NAME, link=Link.COUNTS, verdict=verdict, reason=reason, evidence=evidence, needs=(need,),
        used=len(window.empties), total=len(window.empties), facts=facts,
    )  # fmt: skip


def _skip(reason: str, need: str) -> CheckResult:
    return CheckResult(check=NAME, link=Link.COUNTS, verdict=Verdict.NOT_EVALUATED, reason=reason, needs=(need,))
