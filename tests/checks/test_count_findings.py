"""Counts themselves: scatter beyond counting, too few for the damping, what counts behind a closed shutter or on a standing belt."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from checks.catalogue import CHECKS
from checks.count_findings import findings, noisy, scatter
from checks.diagnose import diagnose
from checks.finding import UNKNOWN, Finding
from checks.result import Link, Verdict
from checks.window import Window
from deploy.plant.model import Switch
from deploy.plant.scenario import Shifts, Steady
from tests.checks.runs_of_terminal import BEGIN, changed, run_of, window_of

SEED = 7
LOOPS = ("TB-07", "TB-08", "TB-09")


def told(window: Window) -> tuple[Finding, ...]:
    return diagnose(window, [result for check in CHECKS for result in check.check(window)])


def of_counts(window: Window) -> list[Finding]:
    found = [result for check in CHECKS if check.name == "counts" for result in check.check(window)]
    return [*noisy(window, found), *findings(window, found)]


@pytest.mark.parametrize("loop", LOOPS)
def test_false_counts_are_named_alone_and_fold_nothing(loop: str) -> None:
    samples = run_of(loop, 1.2, seed=SEED, faults=[Switch("counts-noisy", at_h=0.5)])
    found = told(window_of(samples))
    assert [(item.cause, item.link) for item in found] == [("counts-noisy", Link.COUNTS)]
    assert found[0].verdict is Verdict.FAULT
    assert abs(found[0].begin - (BEGIN + 1800)) <= 60


@pytest.mark.parametrize("loop", LOOPS)
def test_scatter_of_sound_counts_is_that_of_counting_whatever_the_load_does(loop: str) -> None:
    """1 by construction for independent counts (von Neumann's mean square successive difference over twice the variance)."""
    samples = run_of(loop, 2.0, seed=SEED)
    found = [scatter(window_of(samples[slice(0, end)])) for end in range(900, 7200, 300)]
    sizes = np.array([item[0] for item in found if item is not None])
    assert np.median(sizes) == pytest.approx(1.0, abs=0.1)
    assert sizes.max() < 1.7


def test_scatter_of_pure_counting_is_one() -> None:
    counts = np.random.default_rng(3).poisson(5000.0, 3600).astype(float)
    samples = changed(run_of("TB-07", 1.0, seed=SEED, scenario=Steady(0.0)), count_rate=lambda _: counts)
    seen = scatter(window_of(samples), 3600)
    assert seen is not None
    assert seen[0] == pytest.approx(1.0, abs=4.0 * seen[1])


def test_filter_that_is_not_the_declared_one_gives_no_false_counts_and_its_own_scatter() -> None:
    """Behind 0.8 s instead of the declared damping the counts are those of counting: too few for it, not false ones."""
    samples = run_of("TB-08", 1.2, seed=SEED, faults=[Switch("source-weak", at_h=0.5)])
    for end in range(3000, 4320, 120):
        assert {item.cause for item in of_counts(window_of(samples[slice(0, end)]))} <= {"source-weak"}
    assert {item.cause for item in of_counts(window_of(samples))} == {"source-weak"}


@pytest.mark.parametrize("loop", ["TB-07", "TB-09"])
def test_too_few_counts_for_the_damping_are_told_with_what_would_do_and_how_it_grows(loop: str) -> None:
    window = window_of(run_of(loop, 1.2, seed=SEED, faults=[Switch("source-weak", at_h=0.5)]))
    (found,) = told(window)
    assert (found.cause, found.verdict) == ("source-weak", Verdict.SUSPECT)
    assert "times the damping" in found.sentence
    growth = next(item.value for item in found.evidence if "growth" in item.name)
    assert growth == pytest.approx(100.0 * (2.0 ** (0.5 / 30.04) - 1.0), abs=0.02)


def after_closing(extra: Sequence[Switch], *, empty: bool, loaded: bool) -> Window:
    """Two minutes closed under product at 260 t/h, five minutes closed on the empty belt, then open again."""
    orders = [Switch("steady-load", 0.0, 0.6, 260.0), Switch("empty-belt", 0.6, None, 0.0), *extra]
    if loaded:
        orders.append(Switch("shutter-closed", 0.5, 0.55))
    if empty:
        orders.append(Switch("shutter-closed", 0.7, 0.8))
    return window_of(run_of("TB-07", 0.95, seed=SEED, faults=orders))


def test_closed_counts_with_and_without_product_name_the_product() -> None:
    """1.5 1/s per kg/m and 38.0 kg/m at 260 t/h and 1.9 m/s: 57 1/s above a background of 60 (worked example W11)."""
    window = after_closing([Switch("product-gammas", at_h=0.0)], empty=True, loaded=True)
    (found,) = of_counts(window)
    assert found.cause == "product-gammas"
    rates = [item.value for item in found.evidence]
    assert rates == pytest.approx([60.0, 117.0], abs=5.0)
    assert 260.0 / 3.6 / 1.9 == pytest.approx(38.0, abs=0.05)  # noqa: SIM300


def test_flow_that_a_closed_shutter_would_mean_is_far_beyond_any_range() -> None:
    """Kv ln(N0/N) with 117 1/s: 1,052 ln(5140/57) = 4,735 t/h; with background alone it is infinite (W11, derived again)."""
    assert 1052.0 * np.log(5140.0 / 57.0) > 4000.0


def test_closed_counts_on_the_empty_belt_name_the_background() -> None:
    window = after_closing([Switch("background", at_h=0.0)], empty=True, loaded=False)
    (found,) = of_counts(window)
    assert found.cause == "background"
    assert "-12." in found.sentence  # 60 1/s of 5,140 at 1,052 t/h a neper: -12.3 t/h
    assert found.cautions


def test_closed_counts_under_product_alone_are_a_tie() -> None:
    (found,) = of_counts(after_closing([Switch("product-gammas", at_h=0.0)], empty=False, loaded=True))
    assert found.cause == UNKNOWN
    assert {(item.cause, item.odds) for item in found.alternatives} == {("background", 1.0), ("product-gammas", 1.0)}


def test_closed_counts_of_a_sound_loop_say_nothing() -> None:
    assert of_counts(after_closing([], empty=True, loaded=True)) == []


def test_counts_that_rise_on_a_standing_belt_are_told_as_a_set() -> None:
    samples = run_of("TB-07", 1.9, seed=SEED, faults=[Switch("neighbour-source", 0.0), Switch("belt-stop", 1.2)])
    found = [item for end in range(5400, 6840, 120) for item in of_counts(window_of(samples[slice(0, end)]))]
    assert found
    assert {item.cause for item in found} == {UNKNOWN}
    assert {alternative.cause for alternative in found[-1].alternatives} == {"background", "neighbour-source"}


@pytest.mark.parametrize("loop", LOOPS)
def test_sound_loops_have_none_through_shifts_stops_and_idle_hours(loop: str) -> None:
    for scenario in (None, Shifts(SEED)):
        samples = run_of(loop, 5.0, seed=SEED, scenario=scenario)
        for end in range(1200, 5 * 3600, 1000):
            assert of_counts(window_of(samples[slice(0, end)])) == []


@pytest.mark.parametrize(
    "fault",
    ["background", "detector-drift", "build-up", "belt-slip", "product-gammas", "light-leak", "decay-off", "upper-range"],
)
def test_look_alikes_do_not_scatter(fault: str) -> None:
    for loop in LOOPS:
        assert of_counts(window_of(run_of(loop, 1.0, seed=SEED, faults=[Switch(fault, at_h=0.4)]))) == []


def test_low_background_counter_with_honest_zeros_is_not_dead() -> None:
    """0.5 counts a second show a zero in 61 % of all seconds; e^-20.7 needs 41 s of them."""
    rng = np.random.default_rng(5)
    samples = run_of("TB-07", 0.4, seed=SEED, faults=[Switch("shutter-closed", at_h=0.2), Switch("belt-stop", at_h=0.2)])
    low = changed(samples, count_rate=lambda c: np.concatenate([c[:720], rng.poisson(0.5, len(c) - 720)]))
    site = window_of(low)
    loop = site.loop.model_copy(update={"gauge": site.loop.gauge.model_copy(update={"background": 0.5})})
    whole = site.site.model_copy(update={"loops": {**site.site.loops, "TB-07": loop}})
    window = window_of(low, whole)
    assert all(item.cause != "zero-counts" for item in told(window))
