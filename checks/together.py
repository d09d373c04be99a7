"""Two deviations that began in the same minute are one event: a backup that was restored, or a correction entered at both ends.

Nobody reads the settings back, so only the coincidence tells. Two faults that have nothing to do with each other begin within
a minute of one another once in tens of thousands of pairs (a month has 43,000 minutes).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from checks.events import GROUPS, SETTINGS, documented, net_changes
from checks.finding import UNKNOWN, Alternative, Finding
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.telling import clock, told
from checks.tonnes import of_flows
from checks.window import Window
from config.roles import Side

AT_ONCE_S, KNOWN_TO_S = 60, 600
"""Distance of two begins that are one event, and how closely each must be known [s]."""
ALIKE_SIGMAS, ALIKE = 2.0, 0.005
"""Two factors are the same one within so many standard errors and this [parts]."""
LEAST_FACTOR = 0.01
OF_GAUGE = frozenset({"upper-range", "lower-range", "ton-unit", "time-base", "output-trim", UNKNOWN})
"""Causes of a line that a setting of the gauge brings about, or that nothing names yet."""
RATIO = "flow over what the counts demand, at the largest load"
"""Name of the evidence that carries the factor of the load."""


def folded(found: Sequence[Finding], window: Window, results: Sequence[CheckResult]) -> list[Finding]:
    """The findings, with what one event explains folded into it; as they were where there is no such event."""
    load = next((item for item in found if item.link is Link.LOAD and any(one.name == RATIO for one in item.evidence)), None)
    line = next((item for item in found if item.check == "scaling" and item.verdict is Verdict.FAULT), None)
    if line is None:
        return list(found)
    if load is None:
        event = _set_beside(window, line)
        return list(found) if event is None else [event, *(item for item in found if item is not line)]
    if not _at_once(load, line):
        return list(found)
    fit = next((item for item in results if item.check == "scaling" and item.link is line.link), None)
    event = _twice(window, load, line, fit) or _changed(window, load, line)
    if event is None:
        return list(found)
    return [event, *(item for item in found if item is not load and item is not line)]


def _at_once(one: Finding, other: Finding) -> bool:
    (low, high), (other_low, other_high) = one.begin_interval, other.begin_interval
    if max(high - low, other_high - other_low) > KNOWN_TO_S:
        return False
    return max(low, other_low) - min(high, other_high) <= AT_ONCE_S and abs(one.begin - other.begin) <= 2 * AT_ONCE_S


def _twice(window: Window, load: Finding, line: Finding, fit: CheckResult | None) -> Finding | None:
    """The same factor in the gauge and behind it."""
    ratio = next(item for item in load.evidence if item.name == RATIO)
    if fit is None or "gain" not in fit.facts or ratio.value is None or load.cause not in ("calibration-factor", UNKNOWN):
        return None
    gain, low = fit.facts["gain"], window.loop.gauge.range.low
    error = math.sqrt(fit.facts["v_gg"] + fit.facts["s_gg"] + (ratio.standard_error or 0.0) ** 2)
    at_zero = fit.facts["offset"]
    off_zero = math.sqrt(fit.facts["v_oo"] + fit.facts["s_oo"])
    near = ALIKE_SIGMAS * error + ALIKE
    through_zero = abs(at_zero) < ALIKE_SIGMAS * off_zero + ALIKE * (window.loop.gauge.range.high - low)
    if abs(gain) < LEAST_FACTOR or abs(gain - (ratio.value - 1.0)) > near or not through_zero:
        return None
    return told(
        window, line.link, "factor-twice", begin=line.begin, interval=_both(load, line), evidence=(*load.evidence, *line.evidence),
        alternatives=(
            Alternative(cause="undocumented-change", odds=0.1, separated_by="the calibration record: old and new factor at both ends"),
        ),
        sentence=(
            f"Since {clock(line.begin)} the gauge shows {ratio.value:.3f} times what its counts demand and the PLC {1.0 + gain:.3f} times "
            f"what the gauge shows: the same correction stands at both ends."
        ),
    )  # fmt: skip


def _changed(window: Window, load: Finding, line: Finding) -> Finding | None:
    """The gauge makes another flow of its counts and another current of its flow from the same minute on."""
    if not _of_the_gauge(window, line):
        return None
    beside = dict.fromkeys(item.cause for item in (load, line) if item.cause != UNKNOWN)
    separator = "parameters of the gauge against its last backup"
    return told(
        window, Link.SETUP, "undocumented-change", title="several settings changed at once", begin=line.begin,
        interval=_both(load, line), evidence=(*load.evidence, *line.evidence),
        alternatives=tuple(Alternative(cause=cause, odds=0.1, separated_by=separator) for cause in beside),
        sentence=(
            f"At {clock(line.begin)} two things changed in the same minute, as when an old backup is restored: the gauge makes another "
            f"flow of its counts, and the PLC shows another flow than the gauge. No setting is read back, so which they are must be read "
            f"on site."
        ),
    )  # fmt: skip


def _set_beside(window: Window, line: Finding) -> Finding | None:
    """A line turned in the minute in which a setting of the gauge that is read back was changed, with no work on the loop."""
    if not _of_the_gauge(window, line) or line.begin_interval[1] - line.begin_interval[0] > KNOWN_TO_S:
        return None
    low, high = line.begin_interval[0] - AT_ONCE_S, line.begin_interval[1] + AT_ONCE_S
    changes = [
        change
        for change in net_changes([entry for entry in window.ledger if entry.kind in SETTINGS])
        if change.side is Side.GAUGE
        and GROUPS.get(change.role, "mode") not in ("mode", "range")
        and low <= change.end_s <= high
    ]
    if not changes or documented(window, changes[-1].end_s):
        return None
    words = "; ".join(change.words for change in changes)
    return told(
        window, Link.SETUP, "undocumented-change", title="several settings changed at once", begin=changes[0].end_s,
        interval=line.begin_interval, evidence=line.evidence, misstated=of_flows(window.blocks, line.begin),
        alternatives=tuple(
            Alternative(cause=item, odds=0.2, separated_by="the ranges and units of both ends, read side by side")
            for item in dict.fromkeys((line.cause, *(one.cause for one in line.alternatives))) if item != UNKNOWN
        ),
        sentence=(
            f"At {clock(changes[0].end_s)} {words}, and from the same minute on the PLC shows another flow than the gauge: several "
            f"settings of the gauge were changed at once. No calibration and no maintenance was on."
        ),
    )  # fmt: skip


def _of_the_gauge(window: Window, line: Finding) -> bool:
    """Whether a line may be turned by a setting of the gauge that is not read back."""
    if "gauge_range_high" in window.settings or line.cause not in OF_GAUGE:
        return False
    return not (line.link is Link.SCALING_BLOCK and "ai_raw" in window.loop.tags)


def _both(one: Finding, other: Finding) -> tuple[int, int]:
    (low, high), (other_low, other_high) = one.begin_interval, other.begin_interval
    return min(low, other_low), max(high, other_high)


def ratio_evidence(deviation: float, expected: float, error: float) -> Evidence:
    """The factor of the load at its largest: deviation, expected flow and error of the deviation [t/h]."""
    size = max(abs(expected), 1e-9)
    return Evidence(name=RATIO, value=1.0 + deviation / size, unit="1", standard_error=error / size)
