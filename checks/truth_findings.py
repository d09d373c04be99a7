"""Findings behind an agreeing chain: the gauge books other tonnes than something else weighed, and every link copies them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from checks.blocks import Blocks
from checks.causes import registry
from checks.correction import predicted, typed
from checks.finding import UNKNOWN, Alternative, Correction, Finding
from checks.hypotheses import Scored
from checks.lots import Lot, Lots, lots_of
from checks.result import CheckResult, Link, Verdict
from checks.shifts import Part, by_shift
from checks.telling import GENERAL, LEAST_SHARE, clock, improbable, told
from checks.tonnes import Misstated
from checks.truth import Mean, by_product, mean_of
from checks.truth_models import patterns_of, rank, split
from checks.window import Window

NAMED_FROM = 0.75
"""Probability a cause needs to be named: 3 to 1."""
TWO_LOADS = 1.5
"""Lots are at two loads where the highest mean flow is so many times the lowest."""
SLIP_SENSORS = ("tail", "return")
"""Pulleys that the belt turns: a speed taken there and equal to the drive's leaves no slip and no cake."""
FACTOR = "load per attenuation (calibration factor)"
TEST = "repeat three material tests before a factor is changed"


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """One finding where reference lots differ; returns at once where they do not."""
    result = next((item for item in results if item.check == "truth"), None)
    if result is None or result.verdict is not Verdict.FAULT:
        return
    found = lots_of(window)
    first = split(found.now)
    lots = found.now[first:]
    every = _worst_mean(lots)
    ranking = rank(lots, found, speed_proven=_speed_proven(window, results, every.deviation))
    best = ranking[0]
    cause = best.cause if best.probability >= NAMED_FROM else UNKNOWN
    link = _link(cause)
    begin, interval = _begin(found, first, cause)
    misstated = _misstated(window, begin, every)
    enter = _factor(found, every, misstated.rate_t_h) if cause in ("calibration-factor", "factor-twice") else None
    finding = told(
        window, link, cause, title="" if cause != UNKNOWN else "the weight differs from the reference",
        odds=best.odds if cause != UNKNOWN else None, alternatives=_others(ranking, cause), ruled_out=improbable(ranking, cause), begin=begin, interval=interval,
        misstated=misstated, evidence=result.evidence, correction=enter, gate=_gate(lots, ranking) if cause == UNKNOWN else (),
        advice=_advice(found, every, cause), sentence=_sentence(lots, every, cause, found) + _held(window, begin),
    )  # fmt: skip
    shifts = by_shift(window.site, window.minutes, begin, window.end_s, _part(every))
    yield replace(finding, by_shift=shifts, advice=tuple(step for step in finding.advice if step != GENERAL))


def _worst_mean(lots: Sequence[Lot]) -> Mean:
    """All lots; or those of the product that is off by most beyond its uncertainty, where all together hide it."""
    means = [mean_of(lots), *(mean_of(group) for group in by_product(lots).values())]
    whole = means[0]
    beyond = max(means, key=lambda mean: abs(mean.deviation) - mean.uncertainty)
    return whole if abs(whole.deviation) - whole.uncertainty > 0.0 else beyond


def _link(cause: str) -> Link:
    """Where a cause is looked for; what the lots cannot name lies between counts and flow."""
    entry = registry().get(cause)
    return Link.LOAD if entry is None or Link.LOAD in entry.links else entry.links[0]


def _speed_proven(window: Window, results: Sequence[CheckResult], deviation: float) -> bool:
    """Whether the belt speed was compared with the drive where slip or cake of this size would have shown."""
    speed = next((item for item in results if item.check == "speed"), None)
    if speed is None or speed.verdict is not Verdict.OK or "deviation_span" not in speed.facts:
        return False
    seen = abs(speed.facts["deviation_span"]) + speed.facts.get("uncertainty_span", 0.0)
    return window.loop.gauge.speed_sensor_at in SLIP_SENSORS and seen < 0.5 * abs(deviation)


def _begin(found: Lots, first: int, cause: str) -> tuple[int, tuple[int, int]]:
    """From when the tonnes are wrong: the first lot that shows it; not before the last one that did not, or the change."""
    lot = found.now[first]
    if cause == "factor-twice" and found.changed_s is not None:
        return found.changed_s, (found.changed_s, found.changed_s)
    earliest = found.now[first - 1].end_s if first else found.changed_s if found.changed_s is not None else lot.begin_s
    return lot.begin_s, (min(earliest, lot.begin_s), lot.begin_s)


def _misstated(window: Window, begin: int, every: Mean) -> Misstated:
    """Tonnes booked since the begin that were not there: G r / (1 + r) of the gauge's own tonnes G."""
    rows = window.hours if len(window.hours) and window.hours.start_s[-1] > begin else window.blocks
    newest = int(rows.start_s[-1]) + rows.length_s if len(rows) else begin
    part = rows[int(np.searchsorted(rows.start_s, begin)) :]
    rest = (
        window.blocks[int(np.searchsorted(window.blocks.start_s, max(newest, begin))) :] if rows is window.hours else part[:0]
    )
    tonnes = float(np.nansum(part.own_t)) + float(np.nansum(rest.own_t))
    loaded = float(part.state("loaded").sum() + rest.state("loaded").sum()) / 3600.0
    wrong, uncertainty = _wrong(tonnes, every)
    return Misstated(tonnes=wrong, uncertainty=uncertainty, rate_t_h=wrong / loaded if loaded > 0.0 else 0.0)


def _held(window: Window, begin: int) -> str:
    """Says from when the tonnes count, where the history does not reach back to the begin."""
    first = min((int(rows.start_s[0]) for rows in (window.blocks, window.hours) if len(rows)), default=window.end_s)
    return f" The tonnes are those since {clock(first)}, where the history begins." if first > begin + 3600 else ""


def _wrong(tonnes: float, every: Mean) -> tuple[float, float]:
    whole = 1.0 + every.deviation / 100.0
    return tonnes * (1.0 - 1.0 / whole), abs(tonnes) * every.uncertainty / 100.0 / whole**2


def _part(every: Mean) -> Part:
    def part(rows: Blocks) -> tuple[float, float]:
        return _wrong(float(np.nansum(rows.own_t)), every)

    return part


def _factor(found: Lots, every: Mean, rate: float) -> Correction:
    """The factor to enter: the one in force over one plus the deviation."""
    whole = 1.0 + every.deviation / 100.0
    known = found.load_per_attenuation
    now = known if known is not None else 1.0
    computed, uncertainty = now / whole, now * every.uncertainty / 100.0 / whole**2
    enter = typed(computed, 0.5 * uncertainty)
    slope = whole * enter / now
    mean = rate * whole / every.deviation * 100.0 if every.deviation else 0.0
    return Correction(
        side="gauge", setting=FACTOR if known is not None else "calibration factor, times the one in force",
        unit="kg/m" if known is not None else "1", acts_as=None, computed=computed, uncertainty=uncertainty, enter=enter,
        present=known, before=predicted(whole, 0.0, mean), after=predicted(slope, 0.0, mean),
        otherwise="enter it in the gauge alone: the PLC copies it",
    )  # fmt: skip


def _others(ranking: Sequence[Scored], named: str) -> tuple[Alternative, ...]:
    """The causes that remain, each with what would part it; the same odds where the lots cannot tell them apart."""
    out = []
    for scored in ranking:
        if scored.cause in (named, UNKNOWN) or scored.probability < LEAST_SHARE:
            continue
        out.append(Alternative(cause=scored.cause, odds=scored.odds, separated_by=SEPARATED_BY[scored.cause]))
    return tuple(out)


SEPARATED_BY: dict[str, str] = {
    "calibration-factor": "reference lots at two loads, with moisture and belt speed known: a factor is the same at all of them",
    "load-shape": "reference lots at two loads: shape is worse at high load",
    "wet-dry-basis": "laboratory moisture of ten lots: a basis follows it",
    "belt-slip": "belt speed with a hand tachometer, or the time of one turn of the belt",
    "product-gammas": "closed-shutter counts with the belt loaded and empty, by licensed staff",
    "factor-twice": "old and new factor at both ends, and the date of both entries",
}


def _gate(lots: Sequence[Lot], ranking: Sequence[Scored]) -> tuple[str, ...]:
    """What the lots lack so that the cause can be named."""
    out = []
    flows = [lot.flow for lot in lots]
    if max(flows) < TWO_LOADS * min(flows):
        low, high = 0.5 * min(flows), 1.2 * max(flows)
        out.append(f"a lot at another load, below {low:.0f} t/h or above {high:.0f} t/h, to part load shape from a factor")
    if any(lot.moisture is None for lot in lots):
        out.append("the laboratory moisture of every lot, to part a wet or dry basis from a factor")
    elif patterns_of(lots).moisture is not None and np.ptp([lot.moisture or 0.0 for lot in lots]) < 0.5:
        out.append("lots of other moisture, to part a wet or dry basis from a factor")
    if any(scored.cause == "belt-slip" and scored.probability >= LEAST_SHARE for scored in ranking):
        out.append("the belt speed with a hand tachometer or the time of one turn, to part slip from a factor")
    return tuple(out)


def _advice(found: Lots, every: Mean, cause: str) -> tuple[str, ...]:
    if cause == UNKNOWN:
        enter = _factor(found, every, 0.0)
        unit = f" {enter.unit}" if enter.unit != "1" else " times the one in force"
        return (f"change no factor yet; if it is the factor, {enter.enter:.7g}{unit} would be right", TEST)
    return ()


def _sentence(lots: Sequence[Lot], every: Mean, cause: str, found: Lots) -> str:
    more = "more" if every.deviation > 0.0 else "less"
    number = f"{every.lots} lot{'' if every.lots == 1 else 's'}"
    tail = {
        "load-shape": " It grows with the load.",
        "wet-dry-basis": " It follows the moisture of the lots.",
        "product-gammas": " It comes with one product and not with another.",
    }.get(cause, "")
    if cause == "factor-twice" and found.factor is not None:
        tail = f" That is the last correction ({100.0 * (found.factor - 1.0):+.2f} %) once more."
    return (
        f"The gauge booked {abs(every.deviation):.2f} % ± {every.uncertainty:.2f} % (k = 2) {more} than the reference over "
        f"{number} since {clock(lots[0].begin_s)}. Both ends copy the same counts, so they agree all the same.{tail}"
    )
