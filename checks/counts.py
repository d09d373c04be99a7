"""Does the detector count, and does the gauge make the flow of its counts that physics makes of them?"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from checks import kept
from checks.derived import EXPECTED, ExpectedFlow, can_expect
from checks.physics import true_rate
from checks.recentness import compare_means, last_rows, loaded_share, running_share, tail
from checks.result import CheckResult, Evidence, Link, Verdict, judge
from checks.runs import run_at_end
from checks.window import Window

Floats = NDArray[np.float64]

NAME = "counts"
LINKS = (Link.COUNTS, Link.LOAD)
NEEDS = ("count_rate",)

AT_BACKGROUND = 3.0
"""Up to this many times the background the beam is off; a load that leaves so little is beyond any range."""
DEAD = 0.05
"""Below this part of the background nothing counts."""
NO_BACKGROUND_S = 60.0
"""How long zeros must stand where no background is declared."""
BEAM_ON = 0.15
"""Above this part of the empty-belt rate the beam is surely on, product gammas and all."""
LOOK_S, LONG_S = 10.0, 60.0
NOISY = 4.0
MEDIAN_OF_CHI2 = 0.4549
"""Median of chi-square with one degree of freedom."""
LOAD_FLOOR = 0.002
"""Systematic part of the rebuilt flow: rounding of rates and constants [parts of the flow]."""


def check(window: Window) -> list[CheckResult]:
    """The detector (link counts), then counts against flow (link load)."""
    return [_detector(window), _load(window)]


def raw_counts(window: Window, seconds: float) -> Floats:
    """Counts of the last seconds [1/s] as they came; a filtered tag is taken back through its declared damping.

    Good for alive or dead only: the damping is a declaration, and a wrong one falsifies the spread.
    """
    gauge = window.loop.gauge
    step = window.samples.step_s
    if not gauge.counts_filtered or gauge.damping <= 0.0:
        return tail(window, "count_rate", seconds)
    values = tail(window, "count_rate", seconds + step)
    keep = math.exp(-step / gauge.damping)
    return np.asarray((values[1:] - keep * values[:-1]) / (1.0 - keep), np.float64)


def _detector(window: Window) -> CheckResult:
    loop = window.loop
    if "count_rate" not in loop.tags:
        return _skip(Link.COUNTS, "the loop has no tag for the count rate", "a tag for the count rate of the detector")
    limits, background = loop.limits.counts, loop.gauge.background
    wait = NO_BACKGROUND_S if background <= 0.0 else max(limits.zero_least, -math.log(limits.zero_probability) / background)
    look = max(LOOK_S, wait, float(window.samples.step_s))
    recent = raw_counts(window, look)
    total = len(recent)
    good = recent[np.isfinite(recent)]
    if len(good) < max(1.0, 0.8 * (look // window.samples.step_s)):
        return _skip(
            Link.COUNTS, "too few good readings of the count rate", "good readings of count_rate for 10 s", len(good), total
        )
    rate = float(good[-int(max(1, wait // window.samples.step_s)) :].mean())
    mean = float(good.mean())
    empty = _empty_rate(window)
    evidence = [
        Evidence(name="count rate", value=mean, unit="1/s", standard_error=math.sqrt(max(mean, 0.0) / look)),
        Evidence(name="background", value=background, unit="1/s"),
    ]
    if math.isfinite(empty):
        evidence.append(Evidence(name="empty-belt rate", value=empty, unit="1/s"))
    facts = {"rate": mean, "background": background, "wait_s": wait}
    verdict, reason = Verdict.OK, f"the detector counts {mean:,.0f} per second"
    if "shutter_closed" in loop.tags:
        bit = tail(window, "shutter_closed", LOOK_S)
        facts["shutter_closed"] = float(np.nanmean(bit) > 0.5) if np.isfinite(bit).any() else math.nan
    if _gateway_zeros(window):
        facts["gateway_zeros"] = 1.0
        verdict, reason = (
            Verdict.FAULT,
            "every value of the gauge is exactly zero: the connection gives zeros, not the detector",
        )
    elif rate <= DEAD * background or (background <= 0.0 and abs(rate) * wait < 0.5):
        facts["zero"] = 1.0
        verdict, reason = Verdict.FAULT, f"no counts for {wait:.0f} s; a live detector would show the background"
    elif facts.get("shutter_closed") == 1.0 and mean > max(5.0 * background, BEAM_ON * (empty if empty > 0.0 else 0.0)):
        facts["contradiction"] = 1.0
        verdict = Verdict.FAULT
        reason = "the shutter indicator says closed and the beam is there: treat the shutter as open"
    elif background > 0.0 and mean <= AT_BACKGROUND * background and running_share(window, LONG_S) > 0.5:
        facts["at_background"] = 1.0
        verdict, reason = Verdict.FAULT, "the belt runs and only background is counted: no beam reaches the detector"
    else:
        verdict, reason = _slower(window, empty, evidence, facts) or (verdict, reason)
    return CheckResult(
        check=NAME, link=Link.COUNTS, verdict=verdict, reason=reason, evidence=tuple(evidence),
        used=len(good), total=total, facts={name: value for name, value in facts.items() if math.isfinite(value)},
    )  # fmt: skip


def _empty_rate(window: Window) -> float:
    """Gross rate of the empty belt now [1/s]: the last tare as read back, else as declared and decayed; NaN where unknown."""
    gauge = window.loop.gauge
    if gauge.empty_belt_rate is None:
        return window.settings.get("empty_belt_rate", math.nan)
    return float(ExpectedFlow(window.loop, 1).empty_at(np.array([window.end_s]))[0])


def _gateway_zeros(window: Window) -> bool:
    """Count rate, temperature and total exactly zero together: no single fault of a gauge does that."""
    roles = [role for role in ("flow", "detector_temperature", "gauge_total", "speed") if role in window.loop.tags]
    if len(roles) < 3 or "gauge_total" not in roles:
        return False
    columns = [tail(window, role, max(5.0, 3.0 * window.samples.step_s)) for role in ("count_rate", *roles)]
    return all(len(column) >= 3 and bool((column == 0.0).all()) for column in columns)


def _slower(window: Window, empty: float, evidence: list[Evidence], facts: dict[str, float]) -> tuple[Verdict, str] | None:
    """What takes a minute or more to see: above the empty belt, frozen, noisy."""
    limits = window.loop.limits.counts
    long = tail(window, "count_rate", LONG_S)
    long = long[np.isfinite(long)]
    if len(long) < max(1.0, 0.8 * (LONG_S // window.samples.step_s)):
        return None
    mean = float(long.mean())
    if empty > 0.0:
        above = 100.0 * (true_rate(mean, window.loop.gauge.dead_time) / empty - 1.0)
        sigma = 100.0 / math.sqrt(max(mean, 1.0) * LONG_S)
        evidence.append(
            Evidence(name="above empty belt", value=above, unit="%", limit=limits.above_empty, standard_error=sigma)
        )
        if above - 2.0 * sigma > limits.above_empty:
            facts["above_empty"] = above
            fault = above - 2.0 * sigma > 2.0 * limits.above_empty
            return (
                Verdict.FAULT if fault else Verdict.SUSPECT,
                f"{above:.1f} % more counts than the empty belt can give",
            )
    if kept.changes_only(window.loop, "count_rate"):
        return None
    values = tail(window, "count_rate", 2.0 * limits.frozen_after)
    same = run_at_end(np.asarray(np.diff(values) == 0.0)) * window.samples.step_s
    facts["frozen_s"] = float(same)
    if same >= limits.frozen_after and running_share(window, limits.frozen_after) > 0.9 and mean > 0.0:
        facts["frozen"] = 1.0
        return Verdict.FAULT, f"the count rate has not moved for {same} s while the belt runs"
    if not window.loop.gauge.counts_filtered and len(long) >= 30:
        spread = float(np.median(np.diff(long) ** 2)) / (2.0 * MEDIAN_OF_CHI2 * max(mean, 1.0))
        facts["dispersion"] = spread
        if spread > NOISY:
            facts["noisy"] = 1.0
            return Verdict.SUSPECT, f"the count rate scatters {spread:.0f} times as much as counting does"
    return None


def _load(window: Window) -> CheckResult:
    """r1: flow against the flow that counts, speed and decay demand, over the last minute."""
    loop = window.loop
    if not can_expect(loop):
        return _skip(
            Link.LOAD,
            "flow cannot be rebuilt from counts",
            "count_rate and speed as tags, empty_belt_rate and load_per_attenuation in the site file",
        )
    if not loop.gauge.counts_filtered and window.samples.step_s > 1:
        return _skip(
            Link.LOAD,
            f"unfiltered counts once in {window.samples.step_s} s are not the counts that the gauge made its flow of",
            "counts once a second, or a count rate behind the damping of the gauge",
        )
    rows = last_rows(window, LONG_S)
    flow, expected = rows.of("mean", "flow"), rows.of("mean", EXPECTED)
    full = 0.9 * rows.length_s / rows.step_s
    usable = (rows.of("n", "flow") >= full) & (rows.of("n", EXPECTED) >= full)
    span = loop.gauge.range.high - loop.gauge.range.low
    if loop.gauge.low_cutoff > 0.0:
        usable &= rows.of("minimum", "flow") > loop.gauge.low_cutoff
    means = compare_means(rows, flow, expected, usable)
    if means.rows < min(4, max(1, round(LONG_S / rows.length_s) - 2)):
        return _skip(
            Link.LOAD, "no settled minute with counts and flow", "the belt running for two minutes", means.rows, len(rows)
        )
    noise = (means.scatter if math.isfinite(means.scatter) else 0.0) / math.sqrt(means.rows)
    late = 0.5 * window.samples.step_s * means.swing / LONG_S
    standard = math.sqrt(
        noise**2 + (LOAD_FLOOR * means.shown) ** 2 + (0.0005 * span) ** 2 + _kept_variance(window, means.expected)
    )
    uncertainty = 2.0 * standard + late
    limit, per_cent = loop.limits.counts_to_flow, 100.0 / span
    verdict = judge(means.deviation * per_cent, uncertainty * per_cent, limit.suspect, limit.fault)
    if verdict is not Verdict.OK and not means.steady:
        verdict = Verdict.NOT_EVALUATED if verdict is Verdict.FAULT else Verdict.OK
    words = {
        Verdict.OK: "flow agrees with the counts",
        Verdict.NOT_EVALUATED: "flow and counts moved too fast to compare",
    }.get(verdict, f"flow differs from what the counts demand by {means.deviation * per_cent:+.2f} % of span")
    return CheckResult(
        check=NAME, link=Link.LOAD, verdict=verdict, reason=words, used=means.rows, total=len(rows),
        evidence=(
            Evidence(
                name="deviation", value=means.deviation * per_cent, unit="% of span", limit=limit.fault,
                standard_error=uncertainty * per_cent / 2.0,
            ),
            Evidence(name="shown", value=means.shown, unit="t/h"),
            Evidence(name="expected", value=means.expected, unit="t/h"),
        ),
        facts={
            "deviation": means.deviation, "uncertainty": uncertainty, "deviation_span": means.deviation * per_cent,
            "uncertainty_span": uncertainty * per_cent, "limit_span": limit.fault, "mean_flow": means.expected,
            "loaded_share": loaded_share(window, LONG_S),
        },
    )  # fmt: skip


def _kept_variance(window: Window, flow: float) -> float:
    """What a recording that stores only changes leaves unknown of flow less rebuilt flow [(t/h) squared].

    The rebuilt flow is K v ln(N0/N): a part of N moves it by K v times that part, a part of v by that part of itself.
    """
    loop, gauge = window.loop, window.loop.gauge
    rate, speed = (tail(window, role, LONG_S) for role in ("count_rate", "speed"))
    known = (float(np.nanmean(column)) if np.isfinite(column).any() else math.nan for column in (rate, speed))
    counts, metres = known
    by_counts = by_speed = 0.0
    if kept.deadband(loop, "count_rate") and counts > 0.0 and metres > 0.0:
        by_counts = 3.6 * (gauge.load_per_attenuation or 0.0) * metres * kept.standard(loop, "count_rate") / counts
    if kept.deadband(loop, "speed") and metres > 0.0:
        by_speed = flow * kept.standard(loop, "speed") / metres
    return kept.standard(loop, "flow") ** 2 + by_counts**2 + by_speed**2


def _skip(link: Link, reason: str, need: str, used: int = 0, total: int = 0) -> CheckResult:
    return CheckResult(
        check=NAME, link=link, verdict=Verdict.NOT_EVALUATED, reason=reason, needs=(need,), used=used, total=total
    )
