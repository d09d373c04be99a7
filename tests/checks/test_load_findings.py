"""Counts against flow: a changed constant of the gauge is told by the shape it leaves over the load, or as a tie."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from checks.finding import UNKNOWN, Finding
from checks.load_findings import findings
from checks.load_fit import binned, candidates, scored
from checks.physics import attenuation, flow_t_h, true_rate
from checks.result import Link
from checks.window import Window
from config.model import FlowRange, Gauge
from deploy.plant.model import Switch
from deploy.plant.scenario import Shifts, Steady
from tests.checks.runs_of_terminal import BEGIN, run_of, window_of

SEED = 7
LOOPS = ("TB-07", "TB-08", "TB-09")
IN_GAUGE = ("dead-time", "decay-off", "decay-double", "nuclide-or-clock", "calibration-factor")


@cache
def window(fault: str, loop: str, hours: float = 1.25) -> Window:
    return window_of(run_of(loop, hours, seed=SEED, faults=[Switch(fault, at_h=0.5)] if fault else []))


def found(seen: Window) -> list[Finding]:
    return list(findings(seen, ()))


@pytest.mark.parametrize("loop", LOOPS)
@pytest.mark.parametrize("fault", IN_GAUGE)
def test_constant_of_the_gauge_is_named_with_odds_once_the_load_has_swung(fault: str, loop: str) -> None:
    (told,) = found(window(fault, loop))
    assert (told.cause, told.link) == (fault, Link.LOAD)
    assert told.odds is not None
    assert 5.0 < told.odds <= 99.0
    assert abs(told.begin - (BEGIN + 1800)) <= 30
    assert told.tonnes is not None


@pytest.mark.parametrize("loop", LOOPS)
@pytest.mark.parametrize(
    "fault", ["", "background", "detector-drift", "build-up", "stale-tare", "counts-noisy", "belt-slip", "source-weak", "upper-range"]
)  # fmt: skip
def test_what_happens_to_the_counts_themselves_is_no_matter_of_the_gauge(fault: str, loop: str) -> None:
    assert found(window(fault, loop)) == []


def without(seen: Window, *roles: str) -> Window:
    settings = {role: value for role, value in seen.settings.items() if role not in roles}
    tags = {role: tag for role, tag in seen.loop.tags.items() if role not in roles}
    values = {role: column for role, column in seen.samples.values.items() if role not in roles}
    return replace(
        seen, settings=settings, loop=seen.loop.model_copy(update={"tags": tags}), samples=replace(seen.samples, values=values)
    )


def test_shift_is_a_tie_where_neither_clock_nor_tare_is_read_back() -> None:
    (told,) = found(without(window("nuclide-or-clock", "TB-07"), "gauge_clock", "nuclide_code", "empty_belt_rate"))
    assert told.cause == UNKNOWN
    odds = {item.cause: item.odds for item in told.alternatives}
    assert odds["nuclide-or-clock"] == pytest.approx(odds["undocumented-change"], rel=1e-6)
    assert told.gate == ("need gauge_clock, nuclide_code, empty_belt_rate read from the gauge",)


def test_clock_that_is_right_speaks_against_the_clock() -> None:
    (told,) = found(window("decay-off", "TB-07"))
    assert all(item.cause != "nuclide-or-clock" for item in told.alternatives)


def test_steady_load_gives_no_name_and_says_what_is_needed() -> None:
    seen = window_of(run_of("TB-07", 1.0, seed=SEED, faults=[Switch("dead-time", at_h=0.5)], scenario=Steady(260.0)))
    (told,) = found(seen)
    assert told.cause == UNKNOWN
    assert "empty belt" in told.gate[0]
    assert told.title == "flow differs from its counts"


def test_fault_that_is_over_is_told_no_longer() -> None:
    seen = window_of(run_of("TB-07", 1.25, seed=SEED, faults=[Switch("decay-off", at_h=0.5, until_h=1.0)]))
    assert found(seen) == []


def test_finding_stands_through_an_empty_belt_on_which_a_factor_does_not_show() -> None:
    samples = run_of("TB-07", 1.6, seed=SEED, faults=[Switch("calibration-factor", at_h=0.5)])
    for end in range(4000, 5760, 160):
        assert [told.link for told in found(window_of(samples[slice(0, end)]))] == [Link.LOAD], end


def test_sound_day_of_shifts_has_none() -> None:
    samples = run_of("TB-07", 6.0, seed=SEED, scenario=Shifts(SEED))
    for end in range(1800, 6 * 3600, 1700):
        assert found(window_of(samples[slice(0, end)])) == []


GAUGE = Gauge(range=FlowRange(high=420.0), background=60.0, empty_belt_rate=5200.0, load_per_attenuation=1.0 / 0.0065)


ALIKE = ("background", "dead-time", "calibration-factor")


@pytest.mark.parametrize(
    ("cause", "background", "dead_time", "per", "shift"),
    [
        ("background", 20.0, 0.0, 1.0, 0.0), ("dead-time", 60.0, 6e-6, 1.0, 0.0), ("calibration-factor", 60.0, 0.0, 1.03, 0.0),
        ("nuclide-or-clock", 60.0, 0.0, 1.0, 0.02),
    ],
)  # fmt: skip
def test_shift_is_told_from_what_grows_with_the_load_and_what_grows_alike_stays_together(
    cause: str, background: float, dead_time: float, per: float, shift: float
) -> None:
    """A few t/h of background, dead time or factor bend so little that they stay together; a settings read-back splits them.

    Flows made by the formulas of the gauge with one constant wrong; 250 rows from the empty belt to 400 t/h, rounded to
    0.1 t/h.
    """
    a = np.linspace(0.0, 0.38, 250)
    rate = 60.0 + 5140.0 * np.exp(-a)
    right = flow_t_h(attenuation(rate, 5200.0, 60.0), 1.0 / 0.0065, 1.9)
    live, empty = true_rate(rate, dead_time), float(true_rate(np.array([5200.0]), dead_time)[0])
    wrong = flow_t_h(attenuation(live, empty, background) + shift, per / 0.0065, 1.9)
    noise = np.random.default_rng(11).normal(0.0, 0.1, len(a))
    bins = binned(right, np.round(wrong - right + noise, 1), np.full(250, 1.9), GAUGE, 420.0)
    known = candidates(bins, GAUGE, 5140.0, 0.0228)
    weights = dict.fromkeys((item.cause for item in known), 1.0) | {"undocumented-change": 0.01}
    ranking = scored(bins, known, weights, 420.0)
    shares = {item.cause: item.probability for item in ranking}
    if cause == "nuclide-or-clock":
        assert shares[cause] > 0.9
    else:
        assert shares[cause] > 0.15, ranking
        assert sum(shares[like] for like in ALIKE) > 0.9, ranking


def test_background_of_zero_costs_what_the_published_arithmetic_says() -> None:
    """b = 0 for 60: -1.2, -3.4, -5.9 t/h at 100, 260, 420 t/h; ln(5200/n) against ln(5140/(n - 60)), derived again by hand."""
    flows = np.array([100.0, 260.0, 420.0])
    bins = binned(np.repeat(flows, 3), np.repeat(flows * 0.0, 3), np.full(9, 1.9), GAUGE, 420.0)
    effect = next(item.effect for item in candidates(bins, GAUGE, 5140.0, None) if item.cause == "background")
    np.testing.assert_allclose(effect(-60.0 / 5140.0), [-1.2, -3.4, -5.9], atol=0.06)
