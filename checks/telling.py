"""Puts a cause, its numbers and its advice into a finding."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime

from checks.causes import registry
from checks.finding import UNKNOWN, Alternative, Correction, Finding, Implied
from checks.hypotheses import Scored
from checks.result import Evidence, Link, Verdict
from checks.shifts import by_shift
from checks.tail import Standing
from checks.tonnes import Misstated
from checks.window import Window
from config.cautions import CAUTIONS

AT_GAUGE = frozenset({Link.COUNTS, Link.LOAD, Link.DRIVE, Link.GAUGE_OUTPUT, Link.CURRENT})
LEAST_SHARE = 0.02
"""Alternatives below this probability are not listed."""
GENERAL = "compare both ends at the same moment: flow on the gauge, mA at the cabinet, flow on the screen"


def clock(time_s: int) -> str:
    """A moment as people read it, in UTC; pages show it in the zone of the site."""
    return datetime.fromtimestamp(time_s, UTC).strftime("%H:%M UTC on %d %b")


def since_words(standing: Standing) -> str:
    """Since when something stands, or for how long at least where nobody saw it begin: the first sample that is kept is no begin."""
    if not standing.whole:
        return f"since {clock(standing.begin)}"
    lasts = f"{standing.seconds / 3600.0:.1f} h" if standing.seconds >= 3600 else f"{standing.seconds // 60} min"
    return f"for {lasts} at least"


def upper(sentence: str) -> str:
    """A sentence with a capital at its begin."""
    return sentence[:1].upper() + sentence[1:]


def told(
    window: Window,
    link: Link,
    cause: str,
    *,
    sentence: str,
    begin: int,
    interval: tuple[int, int],
    title: str = "",
    verdict: Verdict = Verdict.FAULT,
    odds: float | None = None,
    alternatives: tuple[Alternative, ...] = (),
    ruled_out: tuple[str, ...] = (),
    misstated: Misstated | None = None,
    implied: Implied | None = None,
    evidence: Sequence[Evidence] = (),
    gate: tuple[str, ...] = (),
    advice: tuple[str, ...] = (),
    check: str = "",
    correction: Correction | None = None,
) -> Finding:
    """A finding; advice and cautions come from the catalogue where the cause is in it."""
    entry = registry().get(cause)
    steps = (*advice, *(entry.checks if entry is not None else (GENERAL,)))
    walks = entry.at_gauge if entry is not None else link in AT_GAUGE
    return Finding(
        loop=window.loop_id,
        link=link,
        cause=cause,
        title=title or (entry.title if entry is not None else "ends differ"),
        verdict=verdict,
        odds=odds,
        alternatives=alternatives,
        ruled_out=ruled_out,
        begin=begin,
        begin_interval=interval,
        tonnes=_known(misstated.tonnes) if misstated is not None else None,
        tonnes_uncertainty=_known(misstated.uncertainty) if misstated is not None else None,
        rate_error_t_h=_known(misstated.rate_t_h) if misstated is not None else None,
        implied=implied,
        advice=steps,
        cautions=CAUTIONS if walks else (),
        evidence=tuple(evidence),
        gate=gate,
        sentence=sentence,
        check=check,
        correction=correction,
        by_shift=by_shift(window.site, window.blocks, begin, window.end_s, misstated.part)
        if misstated is not None and misstated.part is not None
        else (),
    )


def others(ranking: Sequence[Scored], named: str) -> tuple[Alternative, ...]:
    """The causes that remain beside the named one, each with what would tell them apart."""
    entry = registry().get(named)
    out = []
    for scored in ranking:
        if scored.cause in (named, UNKNOWN) or scored.probability < LEAST_SHARE:
            continue
        other = registry()[scored.cause]
        separator = (entry.separated_from(scored.cause) if entry is not None else "") or other.separated_from(named)
        out.append(Alternative(cause=scored.cause, odds=scored.odds, separated_by=separator or other.checks[0]))
    return tuple(out)


def improbable(ranking: Sequence[Scored], named: str) -> tuple[str, ...]:
    """The causes that the data were weighed against and that are too improbable to be told."""
    return tuple(one.cause for one in ranking if one.cause not in (named, UNKNOWN) and one.probability < LEAST_SHARE)


def _known(value: float) -> float | None:
    return value if math.isfinite(value) else None
