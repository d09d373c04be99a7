"""Findings of the counts themselves: false counts, a source too weak for its damping, what counts beside the beam."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from checks.beside_beam import closed_counts, counts_of_standing_belt
from checks.counts import BEAM_ON, raw_counts
from checks.finding import Finding
from checks.parting import parted_from
from checks.result import CheckResult, Evidence, Link, Verdict
from checks.tail import Tail
from checks.telling import clock, told
from checks.window import Window
from config.nuclides import decay_constant_s
from config.unit_table import YEAR_D

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LOOK_S, GROUP = 300, 10
NOISY_SUSPECT, NOISY, NOISY_FILTERED = 1.6, 3.0, 3.0
"""Scatter of successive counts over that of counting alone. Counts behind a filter are taken back through its declared
time constant, which is good for alive, dead or noisy only."""
CALM = 1.3
LEAST_SAMPLES = 200
MOST_STEP_S = 2
FILTER_S, MISDECLARED = 900, 0.1
"""Lag-one correlation of a filtered rate below its declared one by more than this: the filter is another one."""
WEAK = 2.0
"""Noise of the flow [% of span, 1 sigma] from which an operator lengthens the damping (own choice: it fills a band of 8 %)."""
WEAK_S = 1200
OTHERWISE = frozenset({"zero", "contradiction", "at_background", "frozen", "gateway_zeros"})
BURSTS_S = 60
"""False counts come in bursts: the first may have been one that was not seen as such [s]."""


def noisy(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """False counts: successive counts scatter more than counting does, in every stretch of ten and not only at a step of load."""
    seen = next((item for item in results if item.check == "counts" and item.link is Link.COUNTS), None)
    if seen is None or OTHERWISE & set(seen.facts):
        return
    spread = scatter(window)
    limit = NOISY_FILTERED if window.loop.gauge.counts_filtered else NOISY_SUSPECT
    if spread is None or spread[0] - 2.0 * spread[1] < limit:
        return
    begin, low = _noisy_since(window)
    fault = spread[0] > NOISY
    yield told(
        window, Link.COUNTS, "counts-noisy", verdict=Verdict.FAULT if fault else Verdict.SUSPECT, begin=begin, interval=(low, begin + BURSTS_S),
        evidence=(
            Evidence(name="scatter over counting", value=spread[0], unit="1", limit=limit, standard_error=spread[1]),
            Evidence(name="count rate", value=seen.facts.get("rate"), unit="1/s"),
        ),
        sentence=(
            f"Since {clock(begin)} the counts scatter {spread[0]:.1f} times as much as counting does: false counts are among them, "
            f"and every false count takes flow away."
        ),
    )  # fmt: skip


def scatter(window: Window, seconds: int = LOOK_S) -> tuple[float, float] | None:
    """Median over groups of ten of mean squared step over twice the rate, and its standard error; None where it is not known.

    1 for counting alone, whatever the load does slowly; a step of the load touches one group of thirty. Dead and closed
    counts, slow polling and a filter that is not the declared one give None.
    """
    gauge, step = window.loop.gauge, window.samples.step_s
    if "count_rate" not in window.samples.values or step > MOST_STEP_S:
        return None
    counts = raw_counts(window, seconds)
    good = counts[np.isfinite(counts)]
    if len(good) < min(LEAST_SAMPLES, seconds // step // 2) or not good.mean() > max(
        1.0, BEAM_ON * (gauge.empty_belt_rate or 0.0)
    ):
        return None
    if (
        gauge.counts_filtered
        and gauge.damping > 0.0
        and not all(_behind_declared(window, part) for part in (FILTER_S, seconds))
    ):
        return None
    groups = _groups(counts)
    known = groups[np.isfinite(groups)]
    if len(known) < LEAST_SAMPLES // GROUP // 2:
        return None
    middle = float(np.median(known))
    return middle, 1.25 * 1.4826 * float(np.median(np.abs(known - middle))) / math.sqrt(len(known))


def _groups(counts: Floats) -> Floats:
    """Mean squared step over twice the rate in each group of ten, shape (n // 10,); the newest groups are whole."""
    rows = len(counts) // GROUP
    laid = counts[len(counts) - rows * GROUP :].reshape(rows, GROUP)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(
            (np.diff(laid, axis=1) ** 2).mean(axis=1) / (2.0 * np.maximum(laid.mean(axis=1), 1.0)) / MEAN_OF_MEDIAN
        )


MEAN_OF_MEDIAN = 0.885
"""Median of the mean of nine squared steps of independent counts, in units of its mean (simulated, 2e5 draws)."""


def _behind_declared(window: Window, seconds: int) -> bool:
    """Whether a filtered rate is correlated as its declared damping would make it, or more (the load moves too)."""
    found = _small_steps(window, seconds)
    if found is None:
        return False
    keep = math.exp(-window.samples.step_s / window.loop.gauge.damping)
    # successive steps of a first-order filter of white noise are correlated by -(1 - keep)/2
    return found[1] > -(1.0 - keep) / 2.0 - MISDECLARED


def _small_steps(window: Window, seconds: int) -> tuple[float, float] | None:
    """Mean square of the successive steps of the count rate that noise makes [1/s2], and their correlation at one step."""
    values = window.samples.column("count_rate")[-(seconds // window.samples.step_s) :]
    pairs = np.isfinite(values[1:]) & np.isfinite(values[:-1])
    steps = np.diff(values)[pairs]
    small = np.abs(steps) < 6.0 * float(np.median(np.abs(steps))) if len(steps) else np.zeros(0, np.bool_)
    kept = small[1:] & small[:-1]
    both = steps[1:][kept], steps[:-1][kept]
    size = float((both[0] * both[0]).sum())
    if kept.sum() < 30 or size <= 0.0:
        return None
    return size / float(kept.sum()), float((both[0] * both[1]).sum()) / size


def _scatter_behind_its_own_filter(window: Window) -> tuple[float, float] | None:
    """As `scatter`, of a rate behind a filter that is shorter than the declared one: its own correlation says how short.

    Steps of a first-order filter, k = exp(-step/damping), of white noise of variance V have a variance of 2 V (1 - k)^2/(1 + k)
    and a correlation of -(1 - k)/2.
    """
    found = _small_steps(window, WEAK_S)
    rate = window.samples.column("count_rate")[-(WEAK_S // window.samples.step_s) :]
    rate = rate[np.isfinite(rate)]
    if found is None or len(rate) < WEAK_S // window.samples.step_s // 2 or not float(rate.mean()) > 1.0:
        return None
    forgets = min(-2.0 * found[1], 1.0)
    error = 2.0 / math.sqrt(len(rate))
    if forgets < 4.0 * error:
        return None
    value = found[0] * (2.0 - forgets) / (2.0 * forgets**2 * float(rate.mean()))
    return value, value * error * (1.0 / (2.0 - forgets) + 2.0 / forgets)


def _noisy_since(window: Window) -> tuple[int, int]:
    samples = window.samples
    counts = raw_counts(window, len(samples) * samples.step_s)
    groups = _groups(counts)
    first = parted_from(np.nan_to_num(groups, nan=0.0) > 2.0) or 0
    row = len(samples) - (len(groups) - first) * GROUP
    begin = int(samples.time_s[max(row, 0)])
    return begin, begin - GROUP * samples.step_s


def findings(window: Window, results: Sequence[CheckResult]) -> Iterator[Finding]:
    """At most one of: what counts with the shutter closed, counts that change on a standing belt, a source too weak."""
    seen = next((item for item in results if item.check == "counts" and item.link is Link.COUNTS), None)
    if seen is None or OTHERWISE & set(seen.facts):
        return
    for look in (closed_counts, counts_of_standing_belt, _weak):
        found = look(window)
        if found is not None:
            yield found
            return


def _weak(window: Window) -> Finding | None:
    """The flow is noisier than its use allows while the counts scatter as counting does: too few counts for the damping."""
    tail, gauge = Tail(window), window.loop.gauge
    span = gauge.range.high - gauge.range.low
    found = _noise_of_flow(window)
    if found is None:
        return None
    sigma, error = found
    begin = max(window.end_s - WEAK_S, int(tail.time_s[0]))
    if 100.0 * (sigma - 2.0 * error) / span < WEAK:
        return None
    spread = scatter(window)
    if spread is None and gauge.counts_filtered:
        spread = _scatter_behind_its_own_filter(window)
    if spread is None or spread[0] - spread[1] > CALM:
        return None
    grows = 100.0 * math.expm1(0.5 * decay_constant_s(gauge.nuclide) * YEAR_D * 86400.0)
    needed = gauge.damping * (100.0 * sigma / span / WEAK) ** 2
    return told(
        window, Link.COUNTS, "source-weak", verdict=Verdict.SUSPECT, begin=begin, interval=(int(tail.time_s[0]), window.end_s),
        evidence=(
            Evidence(name="noise of the flow", value=100.0 * sigma / span, unit="% of span", limit=WEAK,
                     standard_error=100.0 * error / span),
            Evidence(name="scatter over counting", value=spread[0], unit="1", limit=CALM, standard_error=spread[1]),
            Evidence(name="growth of the noise by decay", value=grows, unit="%/year"),
        ),
        sentence=(
            f"The flow scatters by {sigma:.1f} t/h and the counts scatter as counting does: there are too few counts "
            f"for the damping. {WEAK:g} % of span would need about {needed / max(gauge.damping, 1e-9):.1f} times the damping; decay makes "
            f"the noise {grows:.1f} % larger each year."
        ),
    )  # fmt: skip


def _noise_of_flow(window: Window) -> tuple[float, float] | None:
    """Standard deviation of the flow [t/h] that counting leaves behind the damping, and its error, by its steps from sample to
    sample: half of them are smaller than the load ever makes them. None where the flow stands or is read seldom.

    A first-order filter of white noise steps by sqrt(2 (1 - k)) of its deviation, k = exp(-step/damping); where successive
    steps are correlated more than the declared damping makes them, their own correlation -(1 - k)/2 stands for it.
    """
    step, damping = window.samples.step_s, window.loop.gauge.damping
    found = _steps_of_flow(window)
    if found is None:
        return None
    middle, correlation = found
    forgets = max(-math.expm1(-step / damping) if damping > 0.0 else 1.0, min(-2.0 * correlation, 1.0))
    sigma = 1.4826 * middle / math.sqrt(2.0 * forgets)
    return sigma, 0.06 * sigma


def _steps_of_flow(window: Window) -> tuple[float, float] | None:
    """Median size of the steps of the flow from sample to sample [t/h], and their correlation at one step; None where it stands."""
    step = window.samples.step_s
    if step > MOST_STEP_S:
        return None
    flow = window.samples.column("flow")[-(WEAK_S // step) :]
    steps = np.diff(flow)
    steps = steps[np.isfinite(steps)]
    if len(steps) < WEAK_S // step // 2:
        return None
    middle = float(np.median(np.abs(steps)))
    small = np.abs(steps) < 6.0 * middle
    kept = small[1:] & small[:-1]
    size = float((steps[1:][kept] ** 2).sum())
    if size <= 0.0:
        return None
    return middle, float((steps[1:][kept] * steps[:-1][kept]).sum()) / size
