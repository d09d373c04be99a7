"""Findings of counts against flow: the gauge makes another flow of its counts than its declared constants would."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from checks import onset
from checks.blocks import Blocks
from checks.causes import registry
from checks.derived import EXPECTED, ExpectedFlow, can_expect
from checks.finding import UNKNOWN, Alternative, Finding
from checks.hypotheses import Scored
from checks.load_fit import Binned, binned, candidates, scored
from checks.recentness import QUIET
from checks.result import CheckResult, Evidence, Link
from checks.telling import clock, improbable, others, told
from checks.together import ratio_evidence
from checks.tonnes import Misstated, of_rows, since
from checks.window import Window
from config.nuclides import NUCLIDES, decay_constant_s

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

HORIZON_S = 7200
LEAST_ROWS = 6
NAMED_FROM = 0.75
BESIDE_S = 300
"""A tare so close to the begin of a deviation brought it [s]."""
RANGE = 0.25
"""Spread of the load [parts of span] from which the shape of a deviation says what makes it."""
CLOCK_OFF_S = 86400.0
SURE, UNLIKELY = 1e4, 1e-3
"""Weight of a cause that a read-back setting shows, and of one that it speaks against."""
ALIKE = 0.01
BEAM_BACK_S = 120
"""How long a damped rate needs behind a shutter that opened again [s]."""


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """At most one finding, at the link from counts to flow, by the rows since the deviation began."""
    del results
    loop = window.loop
    if not can_expect(loop) or (not loop.gauge.counts_filtered and window.samples.step_s > 1):
        return
    blocks = window.blocks[-int(HORIZON_S // max(window.blocks.length_s, 1)) :]
    flow, expected, speed = blocks.of("mean", "flow"), blocks.of("mean", EXPECTED), blocks.of("mean", "speed")
    if loop.gauge.fixed_speed is not None:
        speed = np.where(np.isfinite(speed), speed, loop.gauge.fixed_speed)
    span = loop.gauge.range.high - loop.gauge.range.low
    limit = loop.limits.counts_to_flow.fault / 100.0 * span
    with np.errstate(invalid="ignore"):
        far = np.abs(flow - expected) > limit
    if far.sum() < LEAST_ROWS:
        return
    full = 0.9 * blocks.length_s / blocks.step_s
    good = np.isfinite(flow) & np.isfinite(expected) & (speed > 0.05)
    good &= (blocks.of("n", "flow") >= full) & (blocks.of("n", EXPECTED) >= full)
    good &= beam_free(window, blocks)
    for state in QUIET:
        good &= blocks.state(state) == 0.0
    if loop.gauge.low_cutoff > 0.0:
        good &= blocks.of("minimum", "flow") > loop.gauge.low_cutoff
    index = np.flatnonzero(good)
    if (far & good).sum() < LEAST_ROWS:
        return
    deviation = (flow - expected)[index]
    first, split = onset.last_change(expected[index], deviation, floor=0.001 * span, least=0.5 * limit)
    rows = index[first:]
    if len(rows) < LEAST_ROWS:
        return
    bins = binned(expected[rows], deviation[first:], speed[rows], loop.gauge, span)
    if bins.size <= limit:
        return
    begin = int(blocks.start_s[rows[0]])
    low = int(blocks.start_s[index[max(split.first - 1, 0)]]) if split is not None else int(blocks.start_s[0])
    yield _told(window, bins, begin, (low, begin), len(rows))


def beam_free(window: Window, blocks: Blocks) -> Bools:
    """Rows in which the shutter was open, as far as it is told, and in the two minutes before: what a damped rate makes of a
    beam that is off is no load, whatever counts beside it."""
    samples = window.samples
    closed_s = samples.time_s[np.nan_to_num(samples.column("shutter_closed"), nan=0.0) > 0.5]
    newest = np.searchsorted(closed_s, blocks.start_s + blocks.length_s) - 1
    if not len(closed_s):
        return np.ones(len(blocks), np.bool_)
    return np.asarray((newest < 0) | (closed_s[np.maximum(newest, 0)] < blocks.start_s - BEAM_BACK_S))


def _told(window: Window, bins: Binned, begin: int, interval: tuple[int, int], rows: int) -> Finding:
    gauge = window.loop.gauge
    span = gauge.range.high - gauge.range.low
    ranking = _ranked(window, bins)
    best = ranking[0]
    wide = float(np.ptp(bins.expected)) > RANGE * span
    tie = tuple(item for item in ranking if item.probability > 0.9 * best.probability)
    named = wide and len(tie) == 1 and best.probability >= NAMED_FROM
    cause = best.cause if named else UNKNOWN
    gate: tuple[str, ...] = ()
    tared = cause == "undocumented-change" and _tared(window, interval)
    if tared:
        cause, named = UNKNOWN, False
        gate = ("two more stretches of empty belt after the tare",)
    if cause == UNKNOWN and not wide and not tared:
        gate = ("need twenty more minutes with an empty belt and a load above half the range",)
    elif cause == UNKNOWN and not tared:
        gate = (_reading(window),)
    mean = float(bins.deviation.mean())
    at_low, at_high = int(np.argmin(bins.expected)), int(np.argmax(bins.expected))
    words = (
        f"Since {clock(begin)} the gauge shows another flow than its counts, speed and declared constants demand: "
        f"{bins.deviation[at_low]:+.1f} t/h at {bins.expected[at_low]:.0f} t/h and {bins.deviation[at_high]:+.1f} t/h at "
        f"{bins.expected[at_high]:.0f} t/h."
    )
    return told(
        window, Link.LOAD, cause, title="" if cause != UNKNOWN else "flow differs from its counts", begin=begin, interval=interval,
        odds=best.odds if named and cause != UNKNOWN else None, alternatives=_of_tare() if tared else others(ranking, cause), gate=gate, sentence=words,
        ruled_out=improbable(ranking, cause),
        misstated=_misstated(window, bins, begin, mean),
        evidence=(
            Evidence(
                name="largest deviation", value=100.0 * float(bins.deviation[int(np.argmax(np.abs(bins.deviation)))]) / span,
                unit="% of span", limit=window.loop.limits.counts_to_flow.fault, standard_error=100.0 * float(bins.error.max()) / span,
            ),
            Evidence(name="at the least load", value=float(bins.deviation[at_low]), unit="t/h", standard_error=float(bins.error[at_low])),
            Evidence(name="at the largest load", value=float(bins.deviation[at_high]), unit="t/h", standard_error=float(bins.error[at_high])),
            ratio_evidence(float(bins.deviation[at_high]), float(bins.expected[at_high]), float(bins.error[at_high])),
            Evidence(name="rows", value=float(rows), unit="1"),
        ),
    )  # fmt: skip


def _tared(window: Window, interval: tuple[int, int]) -> bool:
    """Whether the rate of the empty belt was set when the deviation began."""
    return any(
        entry.kind == "tare" and interval[0] - BESIDE_S <= entry.time_s <= interval[1] + BESIDE_S
        for entry in window.ledger[-200:]
    )


def _of_tare() -> tuple[Alternative, ...]:
    """What a tare may have done, with equal odds until the belt has run empty again."""
    causes = ("tare-loaded", "tare-standing", "undocumented-change")
    return tuple(
        Alternative(cause=cause, odds=1.0 / (len(causes) - 1), separated_by=registry()[cause].checks[0]) for cause in causes
    )


def _misstated(window: Window, bins: Binned, begin: int, mean: float) -> Misstated:
    """Tonnes that the gauge's flow is off by since the begin, by the mean deviation over running hours."""
    part = since(window.blocks, begin)
    each = np.where(part.state("stopped") == 0.0, part.measured_s, 0.0) / 3600.0
    hours = float(each.sum())
    spread = float(np.ptp(bins.deviation)) / 4.0 + float(bins.error.mean())
    uncertainty = 2.0 * spread * hours
    return Misstated(
        tonnes=mean * hours, uncertainty=uncertainty, rate_t_h=mean, part=of_rows(part.start_s, mean * each, uncertainty)
    )  # fmt: skip


def _ranked(window: Window, bins: Binned) -> tuple[Scored, ...]:
    gauge = window.loop.gauge
    empty = float(ExpectedFlow(window.loop, 1).empty_at(np.array([window.end_s]))[0])
    empty = empty if np.isfinite(empty) else window.settings.get("empty_belt_rate", np.nan)
    decayed = None
    if gauge.reference_date is not None:
        age = window.end_s - _seconds(window)
        decayed = decay_constant_s(gauge.nuclide) * age
    found = candidates(bins, gauge, empty - gauge.background, decayed)
    return scored(bins, found, _weights(window, [item.cause for item in found]), gauge.range.high - gauge.range.low)


def _seconds(window: Window) -> float:
    from datetime import UTC, datetime

    date = window.loop.gauge.reference_date
    assert date is not None
    return datetime(date.year, date.month, date.day, tzinfo=UTC).timestamp()


def _weights(window: Window, causes: Sequence[str]) -> dict[str, float]:
    """Prior weights by the trade, moved by what the gauge reads back: clock, nuclide, background, tare."""
    out = {cause: registry()[cause].weight for cause in causes}
    gauge, settings = window.loop.gauge, window.settings
    clocks = window.samples.column("gauge_clock")[-30:] - window.samples.time_s[-30:]
    clocks = clocks[np.isfinite(clocks)]
    code, wanted = settings.get("nuclide_code"), NUCLIDES[gauge.nuclide].mass_number if gauge.nuclide in NUCLIDES else None
    clock_off = len(clocks) > 0 and abs(float(np.median(clocks))) > CLOCK_OFF_S
    code_off = code is not None and wanted is not None and int(code) != wanted
    if clock_off or code_off:
        out["nuclide-or-clock"] *= SURE
    elif len(clocks) and code is not None:
        out["nuclide-or-clock"] *= UNLIKELY
    background = settings.get("background_rate")
    if background is not None:
        off = abs(background - gauge.background) > ALIKE * max(gauge.background, 1.0)
        out["background"] *= SURE if off else UNLIKELY
    tare = settings.get("empty_belt_rate")
    if tare is not None and gauge.empty_belt_rate is not None:
        off = abs(tare - gauge.empty_belt_rate) > 0.002 * gauge.empty_belt_rate
        out["undocumented-change"] *= SURE if off else UNLIKELY
    return out


def _reading(window: Window) -> str:
    """Which settings of the gauge would tell, among those that are not read back."""
    lacks = [
        role for role in ("gauge_clock", "nuclide_code", "background_rate", "empty_belt_rate") if role not in window.loop.tags
    ]
    return f"need {', '.join(lacks)} read from the gauge" if lacks else "need the constants set in the gauge, read on site"
