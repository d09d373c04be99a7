"""Causes between the gauge's output and the PLC that no straight line tells: another signal, another time, another variable."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from checks import variable_findings
from checks.blocks import Blocks
from checks.finding import UNKNOWN, Alternative, Finding
from checks.lag import coarse_lag
from checks.parting import likeness, parted_from, shift_that_fits
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.telling import clock, told
from checks.tonnes import of_flows
from checks.window import Window

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

HORIZON_S = 7200
APART, MOVES = 0.05, 0.04
"""Difference that tells two rows apart; standard deviation of a signal that moves [parts of span]."""
ROWS, AGAIN = 90, 24
"""Rows that decide (15 minutes of blocks of 10 s), and newest rows that say it is over."""
UNLIKE, THE_SAME = 0.5, 0.95
EXPLAINED = 0.5
"""Share of the rows that differ over which another cause may have stood."""
EARLIEST, LATEST = -6, 18
"""Lags over which two signals may be alike [rows of 10 s]."""
HALF_HOUR_S, MOST_HOURS = 1800, 14
HOUR_ROWS = 27
"""Rows that must have been seen at a shift before it is ruled in or out."""
FITS = 0.03
"""Root of the mean square distance at a shift that fits [parts of span]."""
DRIFT_S, DRIFT_LAG_S, QUARTERS = 20.0, 8.0, 4
LEAST_T = 1.5
"""Tonnes that must have passed before two sums are held against each other [t]."""


def signal(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """Another channel or another hour: asked before anything is made of what the PLC shows."""
    del results
    other = _other_signal(window)
    if other is not None:
        yield other


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """At most one finding, before the lines are asked."""
    by_link = {result.link: result for result in results if result.check == "scaling"}
    again = _scaled_again(window)
    if again is not None:
        yield again
        return
    variable = variable_findings.other_variable(window, by_link)
    if variable is not None:
        yield variable
        return
    drift = _drifting(window, by_link)
    if drift is not None:
        yield drift


def _other_signal(window: Window) -> Finding | None:
    """What arrives does not move with the flow while both move: another channel, or another time."""
    every = window.blocks
    blocks = every[-int(HORIZON_S // max(every.length_s, 1)) :]
    shown, flow = blocks.of("mean", "plc_flow"), blocks.of("mean", "flow")
    span = window.loop.gauge.range.high - window.loop.gauge.range.low
    if not (np.abs(shown[-ROWS:] - flow[-ROWS:]) > APART * span).sum() >= 0.3 * ROWS:
        return None
    usable = _usable(blocks) & np.isfinite(shown) & np.isfinite(flow)
    apart = usable & (np.abs(np.nan_to_num(shown - flow)) > APART * span)
    if usable[-ROWS:].sum() < 0.5 * ROWS or apart[-ROWS:].sum() < 0.3 * ROWS:
        return None
    keep = np.flatnonzero(usable)
    newest = keep[-AGAIN:]
    if not apart[newest].any() and (float(flow[newest].std()) > 0.4 * MOVES * span or not apart[keep[-2 * AGAIN :]].any()):
        return None  # they agree again
    first = parted_from(apart[keep])
    if first is None or len(keep) - first < ROWS:
        return None
    rows = slice(int(keep[first]), None)
    if (blocks.state("explained")[rows] > 0.0)[apart[rows]].mean() > EXPLAINED:
        return None  # another cause stood over most of it
    x, y = np.where(usable, flow, np.nan)[rows], np.where(usable, shown, np.nan)[rows]
    if min(float(np.nanstd(x)), float(np.nanstd(y))) < MOVES * span:
        return None
    alike = likeness(x, y, EARLIEST, LATEST)
    if alike > THE_SAME:
        return None  # it is this flow, whatever another hour of it looks like
    begin = int(blocks.start_s[keep[first]])
    low = int(blocks.start_s[keep[max(first - 1, 0)]])
    hours = _whole_hours(window, every, begin)
    if hours is None and not alike < UNLIKE:
        return None
    evidence = [Evidence(name="correlation of PLC flow with flow", value=alike, unit="1", limit=UNLIKE)]
    if hours is not None:
        shift, distance = hours
        evidence.append(Evidence(name="shift", value=shift / 3600.0, unit="h"))
        evidence.append(
            Evidence(name="distance at that shift", value=100.0 * distance / span, unit="% of span", limit=100.0 * FITS)
        )
        late = f"{abs(shift) / 3600.0:g} h {'behind' if shift > 0 else 'ahead of'} the gauge"
        return told(
            window, Link.COMMUNICATION, "clock-shift", begin=begin, interval=(low, begin), evidence=evidence,
            sentence=(
                f"Since {clock(begin)} the PLC flow is the flow of another hour, {late}: a clock, a time zone or daylight saving. "
                f"The tonnes are right, the times they are booked at are not."
            ),
        )  # fmt: skip
    link, where = _parts_at(window, blocks, usable, rows)
    seen = window.end_s - max(begin, int(every.start_s[0]) + 3600)
    if seen < HOUR_ROWS * every.length_s:
        minutes = max(1, (HOUR_ROWS * every.length_s - seen) // 60 + 1)
        separator = "an hour of history: a shifted clock brings the flow of another hour"
        return told(
            window, link, UNKNOWN, title="PLC flow is another signal", begin=begin, interval=(low, begin), evidence=evidence,
            alternatives=tuple(Alternative(cause=name, odds=1.0, separated_by=separator) for name in ("wrong-channel", "clock-shift")),
            gate=(f"need {minutes} more minutes of flow to see whether another hour is shown",),
            misstated=of_flows(every, begin),
            sentence=f"Since {clock(begin)} the PLC flow does not move with the flow of the gauge, and both move.",
        )  # fmt: skip
    return told(
        window, link, "wrong-channel", begin=begin, interval=(low, begin), evidence=evidence, misstated=of_flows(every, begin),
        sentence=(
            f"Since {clock(begin)} {where} does not move with the flow of the gauge, at no lag and at no other hour, and both move: "
            f"it shows another signal."
        ),
    )  # fmt: skip


def _usable(blocks: Blocks) -> Bools:
    """Rows of a running belt; those that a standing cause has marked are among them, for it may be one of these."""
    out = np.ones(len(blocks), np.bool_)
    for state in ("stopped", "maintenance", "calibrating"):
        out &= blocks.state(state) == 0.0
    return out


def _parts_at(window: Window, blocks: Blocks, usable: Bools, rows: slice) -> tuple[Link, str]:
    """The first station behind the flow that does not move with it."""
    flow = np.where(usable, blocks.of("mean", "flow"), np.nan)[rows]
    for role, link, words in (
        ("gauge_output", Link.GAUGE_OUTPUT, "the output of the gauge"),
        ("loop_current", Link.CURRENT if _independent(window) else Link.INPUT_CARD, "the current at the PLC"),
        ("ai_raw", Link.INPUT_CARD, "the raw count of the card"),
    ):
        if role in window.loop.tags:
            other = np.where(usable, blocks.of("mean", role), np.nan)[rows]
            if np.isfinite(other).any() and not likeness(flow, other, EARLIEST, LATEST) >= UNLIKE:
                return link, words
    behind = "ai_raw" in window.loop.tags or "loop_current" in window.loop.tags
    return (Link.SCALING_BLOCK if behind else Link.INPUT_CARD), "the PLC flow"


def _independent(window: Window) -> bool:
    tag = window.loop.tags.get("loop_current")
    return tag is not None and tag.independent


def _whole_hours(window: Window, blocks: Blocks, begin: int) -> tuple[int, float] | None:
    """Shift by half and whole hours at which the PLC flow since a moment is the gauge's flow; None where none fits."""
    span = window.loop.gauge.range.high - window.loop.gauge.range.low
    half = np.arange(1, 2 * MOST_HOURS + 1) * HALF_HOUR_S
    usable = _usable(blocks)
    shown = np.where(usable, blocks.of("mean", "plc_flow"), np.nan)
    since = int(np.searchsorted(blocks.start_s, begin))
    found = shift_that_fits(
        blocks.start_s, blocks.of("mean", "flow"), shown, since, np.concatenate([half, -half]).astype(np.int64), HOUR_ROWS
    )
    return found if found is not None and found[1] < FITS * span else None


def _drifting(window: Window, by_link: dict[Link, CheckResult]) -> Finding | None:
    """A lag that grows or shrinks from quarter to quarter of the last two hours: the clocks run apart."""
    if max((abs(result.facts.get("lag_s", 0.0)) for result in by_link.values()), default=0.0) < DRIFT_S - DRIFT_LAG_S:
        return None
    samples = window.samples
    flow, shown = samples.column("flow"), samples.column("plc_flow")
    quarter = len(flow) // QUARTERS
    if quarter * samples.step_s < 1200:
        return None
    lags = [
        coarse_lag(
            flow[k * quarter : (k + 1) * quarter], shown[k * quarter : (k + 1) * quarter], step_s=samples.step_s,
            earliest_s=-300.0, latest_s=300.0,
        )
        for k in range(QUARTERS)
    ]  # fmt: skip
    known = [value for value in lags if value is not None]
    steps = np.diff(known)
    if len(known) < QUARTERS or not (np.all(steps > 0.0) or np.all(steps < 0.0)) or abs(known[-1] - known[0]) < DRIFT_S:
        return None
    if float(np.ptp(steps)) > max(DRIFT_LAG_S, abs(float(steps.mean()))):
        return None
    rate = float(steps.mean()) / (quarter * samples.step_s / 3600.0)
    begin = int(samples.time_s[0])
    return told(
        window, Link.COMMUNICATION, "clock-shift", verdict=Verdict.SUSPECT, begin=begin, interval=(begin, window.end_s),
        evidence=(
            Evidence(name="lag now", value=known[-1], unit="s"),
            Evidence(name="growth of the lag", value=rate, unit="s/h", standard_error=2.0 / (quarter * samples.step_s / 3600.0)),
        ),
        sentence=(
            f"The PLC flow lies {known[-1]:.0f} s behind the gauge and the lag grows by {rate:+.0f} s an hour: the clocks of the two "
            f"run apart."
        ),
    )  # fmt: skip


def _scaled_again(window: Window) -> Finding | None:
    """The shown PLC flow is a constant of the trade times what the PLC adds up: it is scaled once more behind the block."""
    if "plc_total" not in window.loop.tags or "plc_flow" not in window.loop.tags:
        return None
    blocks = window.blocks[-int(HORIZON_S // max(window.blocks.length_s, 1)) :]
    plc = window.loop.plc.range
    span = plc.high - plc.low
    if not (np.abs(blocks.plc_own_t - blocks.own_t) * 3600.0 / blocks.length_s > APART * span).any():
        return None
    whole = _usable(blocks) & np.isfinite(blocks.increment_t[:, 1]) & (blocks.discontinuities[:, 1] == 0.0)
    whole &= (blocks.measured_s >= blocks.covered_s) & (blocks.plc_measured_s >= blocks.covered_s)
    index = np.flatnonzero(whole)
    away = np.abs(blocks.plc_own_t - blocks.own_t)[index] * 3600.0 / blocks.length_s > APART * span
    first = parted_from(away)
    if first is None:
        return None
    index = index[first:]
    hours = len(index) * blocks.length_s / 3600.0
    passed, shown = float(blocks.own_t[index].sum()), float(blocks.plc_own_t[index].sum())
    booked = float(blocks.increment_t[index, 1].sum())
    slack = 0.03 * passed + 3.0 * window.loop.plc.total.resolution
    if passed < LEAST_T or abs(booked - passed) > slack or abs(shown - booked) < 4.0 * slack:
        return None
    known = ((0.0, 100.0 / span), (0.0, span / 100.0), (plc.low - 0.25 * span, 1.25), (plc.low + 0.2 * span, 0.8))
    hit = [pair for pair in known if abs(pair[0] * hours + pair[1] * passed - shown) < 0.03 * abs(shown) + 0.01 * span * hours]
    if not hit:
        return None
    begin = int(blocks.start_s[index[0]])
    return told(
        window, Link.SCALING_BLOCK, "double-scaling", begin=begin, interval=(begin - 2 * blocks.length_s, begin),
        evidence=(
            Evidence(name="PLC flow as shown over flow", value=shown / passed, unit="1", limit=hit[0][1], standard_error=0.01 * shown / passed),
            Evidence(name="PLC total", value=booked, unit="t"),
            Evidence(name="flow, added up", value=passed, unit="t"),
            Evidence(name="PLC flow as shown, added up", value=shown, unit="t"),
        ),
        sentence=(
            f"Since {clock(begin)} the shown PLC flow adds up to {shown:.1f} t, the PLC total goes on with {booked:.1f} t and the gauge "
            f"with {passed:.1f} t: the value is scaled once more behind the block. The tonnes are right."
        ),
    )  # fmt: skip
