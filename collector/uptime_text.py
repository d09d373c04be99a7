"""The uptime report as text, at most 80 columns wide."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from checks.reliability.rates import Estimate
from checks.reliability.trend import PowerLaw, Trend
from collector.replay.text import wrapped
from collector.uptime import DEFINITIONS, FEWEST_FOR_TREND, Uptime, sentence

SIGNIFICANT = 0.05
"""One-sided probability below which a trend is called proven; common practice, no source."""


def lines_of(uptimes: Sequence[Uptime], zone: ZoneInfo) -> list[str]:
    """The report."""
    begin, end = (
        datetime.fromtimestamp(edge, zone).strftime("%Y-%m-%d %H:%M %Z") for edge in (uptimes[0].begin, uptimes[0].end)
    )
    out = [f"uptime from {begin} to {end}", *wrapped(sentence(uptimes)), ""]
    out.append(f"{'loop':<16}{'available':>11}{'not meas.':>11}{'true':>9}{'required':>11}{'no data':>11}")
    for one in uptimes:
        hours = [f"{value / 3600.0:.1f} h" for value in (one.not_measuring_s, one.tally.required, one.tally.no_data_s)]
        out.append(
            f"{one.loop:<16}{percent(one.tally.availability):>11}{hours[0]:>11}{percent(one.tally.true_share):>9}"
            f"{hours[1]:>11}{hours[2]:>11}"
        )
    for one in uptimes:
        out += ["", one.loop, *wrapped(f"MTBF {estimate(one.mtbf)}", first="  ", rest="    ")]
        out += wrapped(f"MTTR {estimate(one.mttr)}", first="  ", rest="    ")
        out += wrapped(trend(one.trend), first="  ", rest="    ")
        if one.growth is not None:
            out += wrapped(growth(one.growth), first="  ", rest="    ")
        if one.failures:
            out += wrapped(f"silent before detection {one.silent_s / 3600.0:.2f} h in all", first="  ", rest="    ")
        for share in one.shares:
            tonnes = "" if share.tonnes is None else f", {share.tonnes:.1f} t"
            out += wrapped(
                f"{share.cause} ({share.mode}): {share.count} begun, {share.hours:.2f} h{tonnes}", first="  ", rest="    "
            )
        for note in one.annotations:
            out += wrapped(f"corrected to {note.state.value} by {note.by}: {note.reason}", first="  ", rest="    ")
    out.append("")
    for text in DEFINITIONS:
        out += wrapped(text)
    return out


def percent(share: float | None) -> str:
    """A share in %, cut and not rounded so that 100 % is said of all only."""
    if share is None:
        return "none"
    return "100 %" if share >= 1.0 else f"{int(share * 10000.0) / 100.0:.2f} %"


def estimate(found: Estimate) -> str:
    """A mean with its limits in words."""
    sure = f"{100.0 * found.confidence:.0f} %"
    if found.value is None:
        return "not known: no failure" + (f"; at least {found.lower:.4g} h ({sure}, one-sided)" if found.lower else "")
    return f"{found.value:.4g} h ({sure} limits {found.lower:.4g} to {found.upper:.4g} h, {found.count} counted)"


def trend(found: Trend | None) -> str:
    """Laplace's test in words."""
    if found is None:
        return f"trend: too few failures to tell (at least {FEWEST_FOR_TREND} are needed)"
    better = found.p_improving < 0.5
    far = min(found.p_improving, 1.0 - found.p_improving)
    numbers = f"Laplace U {found.statistic:.2f}, one-sided p {far:.3f}"
    if far >= SIGNIFICANT:
        way = "rarer" if better else "more frequent"
        return f"trend: none proven; failures seem to become {way}, but a constant rate would do as well ({numbers})"
    return (
        f"trend: failures become rarer, reliability grows ({numbers})"
        if better
        else f"trend: failures become more frequent, reliability deteriorates ({numbers})"
    )


def growth(found: PowerLaw | None) -> str:
    """The power law in words; empty where there are too few failures, which the trend says."""
    if found is None or found.shape_lower is None or found.shape_upper is None:
        return ""
    sure = f"{100.0 * found.confidence:.0f} %"
    if found.shape_upper < 1.0:
        says = "below 1: reliability growth"
    elif found.shape_lower > 1.0:
        says = "above 1: deterioration, so MTBF over the whole time flatters what is to be expected now"
    else:
        says = "1 lies within: neither growth nor deterioration is proven"
    far = "" if found.lower is None else f" ({sure} limits {found.lower:.4g} to {_or_more(found.upper)})"
    return (
        f"power law (Crow-AMSAA): beta {found.shape:.2f} ({sure} limits {found.shape_lower:.2f} to {found.shape_upper:.2f}), {says}; "
        f"MTBF at the end {found.mtbf:.4g} h{far}"
    )


def _or_more(upper: float | None) -> str:
    return "beyond what so few failures can bound" if upper is None else f"{upper:.4g} h"
