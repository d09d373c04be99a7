"""Findings of time: a filter or a moving average that nobody declared, and a line that is true again before its fit is."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from checks.finding import UNKNOWN, Alternative, Finding
from checks.lag_shape import AVERAGE, FILTER, agrees_now
from checks.lateness import NAME, SHAPES
from checks.line_rows import rows_in
from checks.lines import Line, Rows, chain
from checks.parting import parted_from
from checks.result import CheckResult, Link, Verdict
from checks.telling import clock, told
from checks.window import Window

HORIZON_S = 7200
LATE = 0.015
"""Difference of a row that a lag explains and that tells since when [parts of span]."""


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """A filter or a moving average that the site file does not know, at the first line behind which it shows."""
    result = next((item for item in results if item.check == NAME and "line" in item.facts), None)
    if result is None:
        return
    lines, shape = chain(window.loop, window.settings), SHAPES[int(result.facts["shape"])]
    line, lag_s, declared = lines[int(result.facts["line"])], result.facts["lag_s"], result.facts["declared_s"]
    rows = rows_in(window, line, int(HORIZON_S // max(window.blocks.length_s, 1)))
    index = np.flatnonzero(rows.good & np.isfinite(rows.x) & np.isfinite(rows.y))
    first = parted_from(np.abs(rows.y - rows.x)[index] > LATE * line.span) or 0
    begin = int(rows.start_s[index[first]]) if len(index) else window.end_s
    low = _last_on_time(line, rows, index[:first], begin)
    beside: tuple[Alternative, ...] = ()
    separator = "the end of a step: a moving average ends hard, a filter has a tail"
    if not shape:
        beside = tuple(Alternative(cause=name, odds=1.0, separated_by=separator) for name in (FILTER, AVERAGE))
    behind = line.analogue and line.x_role == "flow"
    what = "a moving average" if shape == AVERAGE else "a filter"
    place = "the current" if line.analogue else "the PLC flow"
    yield told(
        window, line.link, "digital-analogue-differ" if behind else shape or UNKNOWN, verdict=Verdict.SUSPECT, begin=begin,
        title="" if behind or shape else "PLC flow comes late", interval=(low, begin + rows.length_s), alternatives=beside,
        gate=() if behind or shape else ("need a start or a stop of the feed to see how a step ends",),
        evidence=result.evidence,
        sentence=(
            f"Since {clock(begin)} {place} follows {lag_s:.0f} s behind, as {what} does"
            + (f" (about {2.0 * lag_s:.0f} s long)" if shape == AVERAGE else "")
            + ("; the flow on the bus does not." if behind else f"; the site file says {declared:g} s of filter.")
            + " The tonnes are right; every change is seen late."
        ),
    )  # fmt: skip


def _last_on_time(line: Line, rows: Rows, before: NDArray[np.intp], begin: int) -> int:
    """Start of the last row that moved and was on time: a lag cannot be seen while nothing moves, so it began after that."""
    apart, moved = np.abs(rows.y - rows.x)[before], np.abs(rows.dx)[before]
    prompt = np.flatnonzero((apart < 0.5 * LATE * line.span) & (moved > LATE * line.span))
    if len(prompt):
        return int(rows.start_s[before[prompt[-1]]])
    return int(rows.start_s[before[0]]) if len(before) else begin - rows.length_s


def agrees_again(window: Window, link: Link) -> bool:
    """Whether the newest minutes of a line, under a load that moved, are what a plain delay makes of the station before."""
    return any(agrees_now(window, line) for line in chain(window.loop, window.settings) if line.link is link)
