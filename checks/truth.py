"""Is the weight true? The tonnes of the gauge against lots that something else weighed (r11).

All links before this one copy the same counts: they can agree and be wrong together. Without reference lots the answer is
`not evaluated`, whatever the rest of the chain says.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import t as student

from checks.lots import REPEAT, Lot, Lots, lots_of
from checks.result import CheckResult, Evidence, Link, Verdict, judge, worst
from checks.truth_models import SPLIT, patterns_of, split
from checks.window import Window

NAME = "truth"
LINKS = (Link.TOTALS,)
NEEDS = ("material tests in the ledger",)

AGREEMENT = "agreement does not prove the weight"
WEIGHED_TO = 0.3
"""What a lot should be weighed to, expanded (k = 2) [% of the lot] (common practice, no source)."""
COUNTING = 0.1
"""A lot shall be so long that counting adds no more than this [%]."""
LEAST_LOT_S = 3600
MOST_LOTS = 20
PATTERN_LOTS = 5
"""Lots from which a pattern is looked for."""
MOSTLY = 0.3
"""Part of the scatter that a pattern may leave over."""
LEVEL = 0.9545
"""Probability of k = 2."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Mean:
    """The mean deviation of some lots with its expanded uncertainty (k = 2), and the scatter between lots [% of the lot]."""

    deviation: float
    uncertainty: float
    scatter: float
    lots: int


def check(window: Window) -> list[CheckResult]:
    """r11 of the lots that speak for the factor in force: all of them, and those of each product by themselves.

    Lots that deviated otherwise before some moment are left to the past (`truth_models.split`). A lot's error is what the reference is known to, how the gauge repeats, and cut rows; where lots scatter more than that,
    the scatter counts (with Student's t for their number). Half of the reference's variance is taken as shared by all lots.
    """
    lots = lots_of(window)
    if not lots.now:
        return [_nothing(window, lots)]
    now = lots.now[split(lots.now) :]
    limit = window.loop.limits.totals
    every = mean_of(now)
    beyond = beyond_a_pattern(now)
    if beyond is not None:
        factor = float(student.ppf(0.5 + 0.5 * LEVEL, len(now) - 2)) if beyond > 1.0 else 2.0
        weights = float(sum(1.0 / lot.random**2 for lot in now))
        common = sum(lot.common / lot.random**2 for lot in now) / weights
        every = replace(every, uncertainty=math.hypot(factor * beyond / math.sqrt(weights), 2.0 * common))
    verdict = judge(every.deviation, every.uncertainty, limit.suspect, limit.fault)
    groups = by_product(now)
    for group in groups.values():
        found = mean_of(group)
        verdict = worst((verdict, judge(found.deviation, found.uncertainty, limit.suspect, limit.fault)))
    count, tonnes = _count(len(now), "lot"), sum(lot.reference_t for lot in now)
    said = f"{every.deviation:+.2f} % ± {every.uncertainty:.2f} % (k = 2) over {count} of {tonnes:.0f} t"
    words = {
        Verdict.OK: f"the tonnes are right: gauge less reference is {said}",
        Verdict.NOT_EVALUATED: f"{AGREEMENT}: gauge less reference is {said}, too wide to judge",
    }.get(verdict, f"the gauge differs from the reference by {said}")
    needs = (_more(every, now, limit.fault),) if verdict is Verdict.NOT_EVALUATED else ()
    return [
        CheckResult(
            check=NAME, link=Link.TOTALS, verdict=verdict, reason=words, needs=needs, used=len(now),
            total=len(lots.now) + len(lots.before) + len(lots.left_out), evidence=_evidence(now, every, limit.fault),
            facts={
                "mean": every.deviation, "mean_uncertainty": every.uncertainty, "scatter": every.scatter,
                "deviation_span": every.deviation, "uncertainty_span": every.uncertainty, "limit_span": limit.fault,
            },
        )
    ]  # fmt: skip


def mean_of(lots: Sequence[Lot]) -> Mean:
    """Weighted mean of lots; the scatter between them by the method of moments (DerSimonian and Laird 1986, from memory)."""
    r = np.array([lot.deviation for lot in lots])
    v = np.array([lot.random for lot in lots]) ** 2
    w = 1.0 / v
    mean = float((w * r).sum() / w.sum())
    q = float((w * (r - mean) ** 2).sum())
    c = float(w.sum() - (w * w).sum() / w.sum())
    extra = max(0.0, (q - (len(r) - 1)) / c) if c > 0.0 else 0.0
    w = 1.0 / (v + extra)
    mean = float((w * r).sum() / w.sum())
    factor = float(student.ppf(0.5 + 0.5 * LEVEL, len(r) - 1)) if extra > 0.0 else 2.0
    common = float((w * np.array([lot.common for lot in lots])).sum() / w.sum())
    uncertainty = math.hypot(factor / math.sqrt(float(w.sum())), 2.0 * common)
    return Mean(
        deviation=mean, uncertainty=uncertainty, scatter=math.sqrt(extra + float(np.mean(v))), lots=len(r)
    )  # fmt: skip


def beyond_a_pattern(lots: Sequence[Lot]) -> float | None:
    """By how much lots scatter more than they are known to [1, at least 1] once load, moisture or product is taken off; None
    where none of these explains the most of it: then the mean of these lots is known better than their scatter says."""
    if len(lots) < PATTERN_LOTS:
        return None
    p = patterns_of(lots)
    ones = np.ones(len(lots))
    left = min(p.chi_square(ones, column) for column in (p.load, *([] if p.moisture is None else [p.moisture]), *p.products))
    whole = p.chi_square(ones)
    if whole - left < SPLIT or left > MOSTLY * whole:
        return None
    return math.sqrt(max(1.0, left / (len(lots) - 2)))


def by_product(lots: Sequence[Lot]) -> dict[str, list[Lot]]:
    """Lots by product, where there is more than one."""
    names = list(dict.fromkeys(lot.product for lot in lots))
    return {name: [lot for lot in lots if lot.product == name] for name in names} if len(names) > 1 else {}


def _evidence(lots: Sequence[Lot], every: Mean, limit: float) -> tuple[Evidence, ...]:
    out = [
        Evidence(
            name="deviation", value=every.deviation, unit="% of the tonnes", limit=limit, standard_error=every.uncertainty / 2.0
        ),
        Evidence(name="shown", value=sum(lot.gauge_t for lot in lots), unit="t"),
        Evidence(name="expected", value=sum(lot.reference_t for lot in lots), unit="t"),
        Evidence(name="scatter between lots", value=every.scatter, unit="%"),
    ]
    for product, group in by_product(lots).items():
        found = mean_of(group)
        out.append(
            Evidence(
                name=f"deviation, product {product or 'not named'}", value=found.deviation, unit="% of the tonnes", limit=limit,
                standard_error=found.uncertainty / 2.0,
            )
        )  # fmt: skip
    return tuple(out)


def _nothing(window: Window, lots: Lots) -> CheckResult:
    if lots.left_out:
        why = "; ".join(lots.left_out[-2:])
    elif lots.before:
        why = "no lot was weighed since the factor was changed"
    else:
        why = "no lot that something else weighed is in the ledger"
    return CheckResult(
        check=NAME, link=Link.TOTALS, verdict=Verdict.NOT_EVALUATED, reason=f"{AGREEMENT}: {why}", needs=plan(window),
        total=len(lots.before) + len(lots.left_out),
    )  # fmt: skip


def plan(window: Window) -> tuple[str, ...]:
    """What reference lots would decide: how many, how long, weighed how well."""
    number = _lots_for(math.hypot(REPEAT, COUNTING, WEIGHED_TO / 2.0), window.loop.limits.totals.fault)
    flow = _usual_flow(window)
    seconds = _lot_s(window, flow)
    size = f" ({seconds / 3600.0 * flow:.0f} t at {flow:.0f} t/h)" if flow > 0.0 else ""
    tests = f"{number} material tests in the ledger, each of at least {seconds / 3600.0:.1f} h{size}"
    return (f"{tests}, weighed to {WEIGHED_TO:g} % (k = 2), at two loads and with the moisture of the laboratory",)


def _lots_for(standard: float, limit: float) -> int:
    """Lots until U (k = 2) of their mean is half the limit."""
    return int(min(MOST_LOTS, max(2, math.ceil((2.0 * standard / (0.5 * limit)) ** 2 - 1e-9))))


def _more(every: Mean, lots: Sequence[Lot], limit: float) -> str:
    shared = 2.0 * float(np.mean([lot.common for lot in lots]))
    if shared > 0.7 * limit:
        return f"a better reference: what it is known to leaves ± {shared:.2f} % however many lots there are"
    number = _lots_for(every.scatter, limit)
    return f"{_count(max(number - len(lots), 1), 'more lot')}: they scatter by {every.scatter:.2f} %"


def _usual_flow(window: Window) -> float:
    """Mean flow under load of the last day [t/h]; 0 where none is known."""
    rows = window.blocks
    loaded = rows.state("loaded") > 0.5 * rows.length_s
    hours = float(rows.measured_s[loaded].sum()) / 3600.0
    return float(np.nansum(rows.own_t[loaded])) / hours if hours > 0.0 else 0.0


def _lot_s(window: Window, flow: float) -> float:
    """How long a lot must be for counting to add no more than `COUNTING`: sigma_F = Kv sqrt(C / t) / N."""
    gauge = window.loop.gauge
    speed = gauge.fixed_speed or window.loop.drive.speed_at_nominal
    if not flow > 0.0 or gauge.empty_belt_rate is None or gauge.load_per_attenuation is None or not speed:
        return float(LEAST_LOT_S)
    per_neper = 3.6 * gauge.load_per_attenuation * speed
    net = (gauge.empty_belt_rate - gauge.background) * math.exp(-flow / per_neper)
    noise = per_neper * math.sqrt(net + gauge.background) / max(net, 1.0)
    return max(float(LEAST_LOT_S), (noise / (COUNTING / 100.0 * flow)) ** 2)


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
