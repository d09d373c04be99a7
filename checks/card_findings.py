"""A card that reads counts below zero without their sign, and a current that is held while the bus value lives on."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from checks.causes import registry
from checks.finding import UNKNOWN, Alternative, Finding
from checks.handled import handled
from checks.result import CheckResult, Evidence, Link
from checks.signal import current_of_raw
from checks.tail import Tail
from checks.telling import clock, since_words, told, upper
from checks.tonnes import of_flows
from checks.window import Window

OVERFLOW_S = 1800
UNSIGNED, WORD = 32768.0, 65536.0
NEAR_WORD = 58000.0
"""Raw value from which a PLC flow can only be a negative count read without its sign."""
HITS = 3
FEW = 2
"""Spikes that do where they differ and all lie at the end of a word that no flow reaches: a broken reading would repeat one value."""
AROUND_S = 5
EMPTY = 0.03
HELD_MA, HELD_BAND_MA = 4.0, 0.03
"""A gauge in multi-drop use holds its current here (HART, from memory)."""
HELD_S = 60
MOVED = 0.03
FROZEN_THERE, FROZEN_THERE_EMPTY = 0.02, 0.4
"""Part of the outputs that stop which stop so near to 4 mA: at any load, and on an empty belt."""


def overflow(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """Counts below zero read without their sign: spikes to the end of the word, on the empty belt only."""
    del results
    samples, raw_span, plc = window.samples, window.loop.plc.raw_span, window.loop.plc.range
    raw, flow = samples.column("ai_raw"), samples.column("flow")
    recent = max(1, OVERFLOW_S // samples.step_s)
    if "ai_raw" not in samples.values:
        shown = samples.column("plc_flow")
        if not (
            (shown[-recent:] - plc.low) / (plc.high - plc.low) * (raw_span.high - raw_span.low) + raw_span.low >= NEAR_WORD
        ).any():
            return
        raw = raw_span.low + (shown - plc.low) / (plc.high - plc.low) * (raw_span.high - raw_span.low)
        hit = (raw >= NEAR_WORD) & (raw <= WORD)
    else:
        if not (raw[-recent:] >= UNSIGNED).any():
            return
        hit = (raw >= UNSIGNED) & (raw < WORD)
    hit &= ~handled(samples)
    index = np.flatnonzero(hit)
    # a card that uses the whole word comes there by load and by an injected current, too
    beyond = raw_span.high < NEAR_WORD and (raw[index] >= NEAR_WORD).all() and len(np.unique(raw[index])) >= FEW
    least = FEW if beyond else HITS
    if hit[-recent:].sum() < least:
        return
    below = np.flatnonzero(raw < 0.0)
    if len(below[below > index[-1]]) >= HITS:
        return  # counts below zero are shown as such again
    earlier = below[below < index[-1]]
    index = index[index > earlier[-1]] if len(earlier) else index
    if len(index) < least:
        return
    span = window.loop.gauge.range.high - window.loop.gauge.range.low
    around = max(1, AROUND_S // samples.step_s)
    places = np.clip(index[:, None] + np.arange(-2 * around, around + 1), 0, len(flow) - 1)
    with np.errstate(invalid="ignore"):
        low = np.fmin.reduce(flow[places], axis=1) < window.loop.gauge.range.low + EMPTY * span
    if low.mean() < 0.9:
        return
    begin = int(samples.time_s[index[0]])
    largest = float(raw[index].max())
    yield told(
        window, Link.INPUT_CARD, "raw-overflow", begin=begin, interval=(int(samples.time_s[earlier[-1]]) if len(earlier) else begin, begin),
        misstated=of_flows(window.blocks, begin),
        evidence=(
            Evidence(name="largest raw count", value=largest, unit="count", limit=UNSIGNED),
            Evidence(name="spikes", value=float(len(index)), unit="1"),
        ),
        sentence=(
            f"Since {clock(begin)} the raw count jumps to {largest:.0f} whenever the current falls below 4 mA, on the empty belt "
            f"only: a count below zero is read without its sign."
        ),
    )  # fmt: skip


def held(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """The current stands at 4 mA under a flow that moves: held for multi-drop use, or an output that stopped on an empty belt."""
    del results
    tail = Tail(window)
    role = next((name for name in ("loop_current", "ai_raw") if tail.has(name)), "")
    if not role or tail.bit("plc_forced").seconds or not len(tail.time_s):
        return
    if np.nan_to_num(tail.column("gauge_output_mode")[-1:], nan=0.0).any():
        return
    values = tail.column(role)
    current = values if role == "loop_current" else current_of_raw(values, window.loop.plc.raw_span)
    with np.errstate(invalid="ignore"):
        if not abs(current[-1] - HELD_MA) < HELD_BAND_MA:
            return
        since = tail.standing(np.abs(current - HELD_MA) < HELD_BAND_MA)
    if since.seconds < HELD_S:
        return
    gauge = window.loop.gauge
    span = gauge.range.high - gauge.range.low
    flow = tail.column("flow")[int(np.searchsorted(tail.time_s, since.begin)) :]
    with np.errstate(invalid="ignore"):
        moved = flow - gauge.range.low > max(MOVED * span, 2.0 * gauge.low_cutoff)
    if moved.sum() * tail.step < 0.5 * HELD_S:
        return
    said = tail.column("gauge_output")[int(np.searchsorted(tail.time_s, since.begin)) :]
    said = said[np.isfinite(said)]
    gauge_knows = len(said) > 0 and bool((np.abs(said - HELD_MA) < HELD_BAND_MA).mean() > 0.9)
    if len(said) and not gauge_knows:
        return  # the gauge sends another current: what stands is its output stage, which another check names
    first = int(np.searchsorted(tail.time_s, since.begin))
    was_empty = bool(first and np.nanmin(tail.column("flow")[max(0, first - 20) : first + 1]) < gauge.range.low + MOVED * span)
    cause = "digital-analogue-differ"
    beside: tuple[Alternative, ...] = ()
    if not gauge_knows:
        odds = registry()["digital-analogue-differ"].weight / registry()["output-frozen"].weight
        odds /= FROZEN_THERE_EMPTY if was_empty or not first else FROZEN_THERE
        separator = "loop-current mode of the gauge: fixed in multi-drop operation"
        beside = (Alternative(cause="output-frozen", odds=1.0 / odds, separated_by=separator),)
        if odds < 2.0:
            cause = UNKNOWN
            beside = (Alternative(cause="digital-analogue-differ", odds=odds, separated_by=separator), *beside)
    yield told(
        window, Link.GAUGE_OUTPUT, cause, title="" if cause != UNKNOWN else "current stands at 4 mA", begin=since.begin,
        interval=since.interval, alternatives=beside, misstated=of_flows(window.blocks, since.begin),
        gate=() if cause != UNKNOWN else ("need the loop-current mode of the gauge, or a tag for its set current",),
        evidence=(
            Evidence(name="current", value=float(current[-1]), unit="mA", limit=HELD_MA),
            Evidence(name="largest flow meanwhile", value=float(np.nanmax(flow)), unit="t/h"),
        ),
        sentence=(
            f"{upper(since_words(since))} the current stands at {float(current[-1]):.2f} mA while the flow on the bus went up to "
            f"{float(np.nanmax(flow)):.0f} t/h: the current is not the flow."
        ),
    )  # fmt: skip
