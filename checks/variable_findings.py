"""Does the current carry the flow, or the load of the belt? At one belt speed nothing tells; where the speed varies, the line does."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from checks.causes import registry
from checks.finding import Alternative, Finding
from checks.line_rows import rows_in
from checks.lines import Line, chain
from checks.parting import parted_from
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.telling import clock, told
from checks.tonnes import of_flows
from checks.window import Window

Floats = NDArray[np.float64]

HORIZON_S = 7200
APART, MOVES = 0.02, 0.04
"""Difference that tells two rows apart; standard deviation of a signal that moves [parts of span]."""
ROWS_OF_SPEED, SPEED_VARIED = 60, 0.1
FEW_ROWS = 20
BETTER, FAR_BETTER, CLEAN = 0.25, 0.01, 0.012
"""What a line in flow over speed leaves over: of what a line in flow leaves, of that on few rows, and in parts of span."""
QUIET = 0.05
TRIED_ROWS = 180
"""Rows at speeds that varied after which another variable would have been seen."""


def other_variable(window: Window, by_link: Mapping[Link, CheckResult]) -> Finding | None:
    """What the current carries goes with flow over speed: it is the load of the belt."""
    blocks = window.blocks[-int(HORIZON_S // max(window.blocks.length_s, 1)) :]
    speed = blocks.of("mean", "speed")
    for line in chain(window.loop, window.settings):
        result = by_link.get(line.link)
        if result is None or result.verdict is not Verdict.FAULT or line.x_role != "flow":
            continue
        rows = rows_in(window, line, int(HORIZON_S // max(window.blocks.length_s, 1)))
        ready = rows.steady & ~rows.high & ~rows.low & np.isfinite(speed) & (speed > 0.1)
        apart = ready & (np.abs(np.nan_to_num(rows.y - rows.x)) > APART * line.span)
        index = np.flatnonzero(ready)
        first = parted_from(apart[index]) if len(index) else None
        if first is None:
            return None
        index = index[first:]
        step = np.abs(np.diff(rows.x, prepend=np.nan))
        index = index[(step[index] < QUIET * line.span) & (np.abs(rows.dx[index]) < QUIET * line.span)]
        if len(index) < FEW_ROWS or float(np.ptp(speed[index])) < SPEED_VARIED * float(speed[index].mean()):
            return None
        x, y, v = rows.x[index], rows.y[index], speed[index]
        plain, by_load = _left(x, y), _left(x / v, y)
        root = _left(np.sqrt(np.maximum((x - line.low) / line.span, 0.0)), y)
        if (
            root < by_load
            or float(y.std()) < MOVES * line.span
            or by_load > (BETTER if len(index) >= ROWS_OF_SPEED else FAR_BETTER) * plain
            or np.sqrt(by_load) > CLEAN * line.span
        ):
            return None
        begin = int(rows.start_s[index[0]])
        return told(
            window, line.link, "wrong-variable", begin=begin, interval=(begin - 60, begin), misstated=of_flows(window.blocks, begin),
            evidence=(
                Evidence(name="left over by a line in flow", value=float(np.sqrt(plain)), unit="t/h"),
                Evidence(name="left over by a line in flow over speed", value=float(np.sqrt(by_load)), unit="t/h"),
            ),
            sentence=(
                f"Since {clock(begin)} {line.label.partition(' to ')[2]} goes with flow over belt speed, which is load, and not with "
                f"flow: the output carries another variable."
            ),
        )  # fmt: skip
    return None


def _left(x: Floats, y: Floats) -> float:
    """Mean square that a straight line in x leaves of y, without the worst twentieth of the rows."""
    design = np.stack([np.ones(len(x)), x], axis=1)
    solved, *_ = np.linalg.lstsq(design, y, rcond=None)
    square = np.sort((y - design @ solved) ** 2)
    return float(square[: max(2, int(0.95 * len(square)))].mean())


def one_speed(window: Window, line: Line, begin: int) -> tuple[Alternative, ...]:
    """Load on the current instead of flow is a range like any other as long as the belt has run at one speed: told beside it."""
    if "speed" not in window.loop.tags or not at_one_speed(window, line, begin):
        return ()
    known = registry()
    odds = known["wrong-variable"].weight / known["upper-range"].weight
    return (Alternative(cause="wrong-variable", odds=odds, separated_by=known["wrong-variable"].separated_from("upper-range")),)


def at_one_speed(window: Window, line: Line, begin: int) -> bool:
    """Whether a line begins at the gauge's flow and the belt has not run at other speeds since [epoch s], so that load could pass for flow."""
    if Link.GAUGE_OUTPUT not in line.covers or line.x_role != "flow":
        return False
    if "speed" not in window.loop.tags:
        return not window.loop.drive.variable
    blocks = window.blocks[int(np.searchsorted(window.blocks.start_s, begin)) :]
    speed = blocks.of("mean", "speed")[blocks.state("stopped") == 0.0]
    speed = speed[np.isfinite(speed) & (speed > 0.1)]
    return len(speed) < TRIED_ROWS or float(np.ptp(np.percentile(speed, (5.0, 95.0)))) <= SPEED_VARIED * float(speed.mean())


def could_be_load(window: Window, line: Line, begin: int, *, ranges_alike: bool) -> bool:
    """Whether load on the current is to be weighed as a cause of a straight line.

    It turns the line about no flow. Where the range begins there, that is the line of another upper range, and load is told beside it
    instead (`one_speed`), unless both ranges were read back and agree.
    """
    elsewhere = abs(line.low) > 0.02 * line.span
    inside = Link.SCALING_BLOCK not in line.covers
    return inside and (elsewhere or ranges_alike) and at_one_speed(window, line, begin)
