"""What happens at the ends of the range and in time: ceilings, cut-offs, clamps, filters. They bend the line, not turn it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from checks.derived import EXPECTED
from checks.finding import Finding
from checks.handled import handled
from checks.line_rows import rows_in
from checks.lines import Line, Rows, chain
from checks.load_findings import beam_free
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.signal import current_of_raw
from checks.telling import clock, told
from checks.tonnes import Misstated, of_flows, of_rows
from checks.window import Window

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

HORIZON_S = 7200
AT_TOP_S = 1800
TOP_ROWS, CEILING_ROWS = 12, 6
"""Rows at a ceiling before it is called one (two minutes of blocks of 10 s)."""
FLAT = 0.004
"""Scatter of the signal at a ceiling [parts of span]."""
BEYOND = 0.02
"""How far the flow must be beyond a ceiling or a cut-off [parts of span]."""
ZERO_ROWS = 3
MOST_CUT = 0.2
"""Largest level taken for a cut-off [parts of span]."""
SMALL_S, CUT_MA = 20, 0.02
"""How long small flows must have been shown as zero [s]."""
CLAMP_ROWS = 12
LAGGED = 0.2
"""How far what is lost in peaks may be off, because the PLC shows them later [parts]; own estimate from simulated peaks."""
EXTRA_LAG_S = 16.0
"""Lag beyond the declared filter that polling cannot explain [s]."""
LAG_ROWS = 60


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """At most one finding for each link, the one nearest to the gauge first."""
    if not len(window.blocks):
        return
    lines = chain(window.loop, window.settings)
    yield from _over_range(window)
    for line in lines:
        rows = rows_in(window, line, int(HORIZON_S // window.blocks.length_s))
        if line.x_role == "flow":
            found = list(_ceiling(window, line, rows))
            yield from found
            if found:
                return
        if not line.analogue:
            yield from _bottom(window, line, rows)
            yield from _filter(window, line, next((r for r in results if r.check == "scaling" and r.link is line.link), None))


def _begin(rows: Rows, hit: Bools, against: Bools) -> tuple[int, tuple[int, int]]:
    """First row of a sign after the last row that speaks against it."""
    index = np.flatnonzero(hit)
    before = np.flatnonzero(against)
    before = before[before < index[-1]]
    after = index[index > before[-1]] if len(before) else index
    begin = int(rows.start_s[after[0]])
    return begin, (int(rows.start_s[before[-1]]) if len(before) else int(rows.start_s[0]), begin)


def _over_range(window: Window) -> Iterator[Finding]:
    """Peaks beyond the range are lost: the mean loss over the last half hour of running belt, told since the first of them."""
    gauge, blocks = window.loop.gauge.range, window.blocks
    span, recent = gauge.high - gauge.low, slice(-int(AT_TOP_S // max(window.blocks.length_s, 1)), None)
    if not (blocks.of("maximum", "flow")[recent] > gauge.high).any():
        return
    flow, shown = blocks.of("mean", "flow"), blocks.of("mean", "plc_flow")
    running = (blocks.state("stopped") == 0.0) & (blocks.state("explained") == 0.0) & np.isfinite(flow) & np.isfinite(shown)
    running &= beam_free(window, blocks)
    if EXPECTED in blocks.roles:
        running &= blocks.of("n", EXPECTED) > 0.0  # a beam that is off gives a flow beyond any range, which is no load
    over = running & (flow > gauge.high + 0.005 * span) & (flow > shown) & (shown >= gauge.high - 0.01 * span)
    if over[recent].sum() < TOP_ROWS:
        return
    loss = float((flow - shown)[recent][over[recent]].sum() / running[recent].sum())
    if not loss_stands(np.where(over, flow - shown, 0.0), running, -recent.start, window.loop.limits.link.fault / 100.0 * span):
        return
    at = blocks.start_s[over]
    pauses = np.flatnonzero(np.diff(at) > HORIZON_S)
    begin = int(at[pauses[-1] + 1] if len(pauses) else at[0])
    touched = (blocks.of("maximum", "flow") > gauge.high) & (blocks.start_s >= begin - blocks.length_s) & np.isfinite(shown)
    touched |= np.roll(touched, 1) | np.roll(touched, -1)
    part = touched & np.isfinite(blocks.own_t) & np.isfinite(blocks.plc_own_t)
    lost = float((blocks.own_t - blocks.plc_own_t)[part].sum())
    passed = float(blocks.own_t[part].sum())
    share = 100.0 * float(over[recent].sum() / running[recent].sum())
    spread, each = LAGGED * lost + 0.002 * passed, np.where(part, blocks.plc_own_t - blocks.own_t, 0.0)
    yield told(
        window, Link.GAUGE_OUTPUT, "over-range", begin=begin, interval=(begin - blocks.length_s, begin),
        misstated=Misstated(tonnes=-lost, uncertainty=spread, rate_t_h=-loss, part=of_rows(blocks.start_s, each, spread)),
        evidence=(
            Evidence(name="time beyond the range", value=share, unit="%"),
            Evidence(name="mean loss", value=loss, unit="t/h", limit=window.loop.limits.link.fault / 100.0 * span),
        ),
        sentence=(
            f"The flow was beyond {gauge.high:g} t/h for {share:.0f} % of the last half hour: "
            f"the current ends there, and {lost:.1f} t were not seen by the PLC since {clock(begin)}."
        ),
    )  # fmt: skip


def loss_stands(lost: Floats, running: Bools, rows: int, limit: float) -> bool:
    """Whether the mean loss over `rows` reached the limit and has not fallen below half of it since: no chatter about a limit."""
    sums = [np.concatenate([np.zeros(1), np.cumsum(part)]) for part in (lost, running.astype(np.float64))]
    first = np.maximum(np.arange(1, len(lost) + 1) - rows, 0)
    loss, ran = (part[1:] - part[first] for part in sums)
    mean = loss / np.maximum(ran, 1.0)
    reached = np.flatnonzero(mean >= limit)
    return bool(len(reached) and (mean[reached[-1] :] >= 0.5 * limit).all())


def _ceiling(window: Window, line: Line, rows: Rows) -> Iterator[Finding]:
    """The signal stays flat under a moving flow and agrees below: a limit short of the range."""
    span = line.span
    with np.errstate(invalid="ignore"):
        gone = rows.steady & (rows.x - rows.y > BEYOND * span)
        if gone.sum() < CEILING_ROWS:
            return
        level = float(np.median(rows.y[gone][-60:]))
        top = gone & (np.abs(rows.y - level) < FLAT * span)
        above = rows.steady & (rows.y > level + 2.0 * FLAT * span)
        below = rows.steady & (rows.x < level - BEYOND * span)
    if above.any():
        last = int(np.flatnonzero(above)[-1])
        top[: last + 1] = False
        gone[: last + 1] = False
        below[: last + 1] = False
    below[: int(np.argmax(top))] = False  # what agreed before the signal stood says nothing of a limit: an output may be held
    flat = rows.y_max[top] - rows.y_min[top]
    if top.sum() < CEILING_ROWS or top.sum() < 0.7 * gone.sum() or below.sum() < ZERO_ROWS:
        return
    if float(np.ptp(rows.x[top])) < 1.5 * BEYOND * span or float(np.median(flat)) > FLAT * span:
        return
    if abs(float(np.median((rows.y - rows.x)[below]))) > 0.005 * span:
        return
    at = line.ma(level)
    if at > 19.8 or not line.analogue:
        return
    begin, interval = _begin(rows, top, above)
    yield told(
        window, line.link, "compliance-ceiling", begin=begin, interval=interval, misstated=of_flows(window.blocks, begin),
        evidence=(Evidence(name="ceiling", value=at, unit="mA"), Evidence(name="ceiling", value=level, unit="t/h")),
        sentence=(
            f"Since {clock(begin)} the current ends at {at:.2f} mA ({level:.1f} t/h) while the flow goes beyond; below that both agree."
        ),
    )  # fmt: skip


def _bottom(window: Window, line: Line, rows: Rows) -> Iterator[Finding]:
    """A cut-off loses what is small; a clamp at zero turns the noise of an empty belt into tonnes."""
    found = list(_cutoff(window, line))
    yield from found or _clamp(window, line, rows)


def _cutoff(window: Window, line: Line) -> Iterator[Finding]:
    """The PLC flow is zero or above a level and never between, while the flow is."""
    samples = window.samples
    flow, shown = samples.column("flow"), samples.column("plc_flow")
    declared = window.loop.plc.low_cutoff
    if not (shown[-int(AT_TOP_S // samples.step_s) :] == 0.0).any():
        return
    shows_small = np.flatnonzero((shown > 0.0) & (shown < BEYOND * line.span))
    first = int(shows_small[-1]) + 1 if len(shows_small) else 0
    recent = shown[max(first, len(shown) - int(AT_TOP_S // samples.step_s)) :]
    positive = recent[recent > 0.0]
    if not len(positive) or not (recent == 0.0).any():
        return
    level = float(positive.min())
    if not max(BEYOND * line.span, declared + 0.01 * line.span) < level < MOST_CUT * line.span:
        return
    running = np.nan_to_num(samples.column("drive_running"), nan=1.0) > 0.5
    small = (flow > 0.2 * level) & (flow < 0.9 * level) & running & (shown == 0.0) & ~handled(samples)
    cut = float(np.quantile(flow[small], 0.8)) if small.any() else level
    between = np.flatnonzero(
        (shown > 0.0) & (shown < 0.9 * cut)
    )  # a load that jumps shows its smallest value well above the cut
    first = int(between[-1]) + 1 if len(between) else first
    small[:first] = False
    if small.sum() * samples.step_s < SMALL_S:
        return
    begin = int(samples.time_s[np.flatnonzero(small)[0]])
    at_gauge = _current_is_cut(window, small)
    yield told(
        window, Link.GAUGE_OUTPUT if at_gauge else line.link, "digital-analogue-differ" if at_gauge else "low-cutoff",
        verdict=Verdict.SUSPECT if at_gauge else Verdict.FAULT, begin=begin, interval=(int(samples.time_s[first]), begin),
        misstated=of_flows(window.blocks, begin),
        evidence=(Evidence(name="smallest flow shown", value=level, unit="t/h", limit=declared),),
        sentence=(
            f"Since {clock(begin)} the {'current stays at 4 mA' if at_gauge else 'PLC shows exactly zero'} below {level:.1f} t/h "
            f"while the gauge shows flow there; the site file says {declared:g} t/h."
        ),
    )  # fmt: skip


def _current_is_cut(window: Window, small: Bools) -> bool:
    """Whether the current itself stays at 4 mA under small flows: then the gauge cuts it, not the PLC."""
    samples = window.samples
    current = samples.column("loop_current")
    if not np.isfinite(current[small]).any():
        current = current_of_raw(samples.column("ai_raw"), window.loop.plc.raw_span)
    current = current[small]
    current = current[np.isfinite(current)]
    return len(current) > 0 and bool(np.mean(np.abs(current - 4.0) < CUT_MA) > 0.9)


def _clamp(window: Window, line: Line, rows: Rows) -> Iterator[Finding]:
    """Only the half of the noise that is above zero is shown."""
    span, plc = line.span, window.loop.plc
    if plc.clamp_at_zero or plc.low_cutoff > 0.0:
        return
    with np.errstate(invalid="ignore"):
        empty = rows.steady & (np.abs(rows.x) < 0.03 * span) & (rows.x_min < -0.001 * span)
        clamped = empty & (rows.y_min == 0.0)
        free = empty & (rows.y_min < 0.0)
    if free.any():
        clamped[: int(np.flatnonzero(free)[-1]) + 1] = False
    if clamped.sum() < CLAMP_ROWS:
        return
    added = (rows.y - rows.x)[clamped]
    acting, limit = float(added.mean()), window.loop.limits.link
    so_far = (np.cumsum(added) / np.arange(1, len(added) + 1))[CLAMP_ROWS - 1 :]
    if so_far.max() < limit.suspect / 100.0 * span or acting < 0.5 * limit.suspect / 100.0 * span:  # no chatter about a limit
        return
    begin, interval = _begin(rows, clamped, free)
    # booked is what all empty rows since then hold: those alone in which the noise went below zero show a third more
    idle = rows.steady & (np.abs(rows.x) < 0.03 * span) & (rows.start_s >= begin)
    bias = float((rows.y - rows.x)[idle].mean())
    each = np.where(idle, bias * rows.length_s / 3600.0, 0.0)
    tonnes = float(each.sum())
    spread = 0.5 * abs(tonnes)
    yield told(
        window, line.link, "zero-clamp", verdict=Verdict.SUSPECT, begin=begin, interval=interval,
        misstated=Misstated(tonnes=tonnes, uncertainty=spread, rate_t_h=bias, part=of_rows(rows.start_s, each, spread)),
        evidence=(
            Evidence(name="mean difference while the clamp acts", value=acting, unit="t/h", limit=limit.suspect / 100.0 * span),
            Evidence(name="mean difference on the empty belt", value=bias, unit="t/h"),
        ),
        sentence=(
            f"On the empty belt the PLC never shows less than zero while the gauge does: {bias:+.2f} t/h are booked of noise "
            f"(seen since {clock(begin)})."
        ),
    )  # fmt: skip


def _filter(window: Window, line: Line, result: CheckResult | None) -> Iterator[Finding]:
    """A lag that neither polling nor the declared filter explains, behind a line that is true."""
    if result is None or result.verdict is not Verdict.OK or result.facts.get("rows", 0.0) < LAG_ROWS:
        return
    late, declared = result.facts.get("fit_lag_s", 0.0), window.loop.plc.filter
    if late - declared < max(EXTRA_LAG_S, 0.3 * declared) or result.facts.get("x_sd", 0.0) < 0.01 * line.span:
        return
    begin = int(result.facts.get("onset", window.end_s))
    interval = (int(result.facts.get("onset_low", begin)), int(result.facts.get("onset_high", begin)))
    yield told(
        window, line.link, "extra-filter", verdict=Verdict.SUSPECT, begin=begin, interval=interval,
        evidence=(Evidence(name="lag", value=late, unit="s", limit=declared + EXTRA_LAG_S),),
        sentence=(
            f"The PLC flow follows {late:.0f} s behind, the site file says {declared:g} s of filter. "
            f"The tonnes are right; every change is seen late."
        ),
    )  # fmt: skip
