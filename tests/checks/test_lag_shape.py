"""A filter and a moving average without steady error: told apart by how they end, and from lines that are off."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.ndimage import uniform_filter1d

from checks.lag_shape import AVERAGE, FILTER, late_by
from checks.late_findings import agrees_again, findings
from checks.lateness import check
from checks.lines import chain
from checks.window import Window
from deploy.plant.model import Switch
from tests.checks.runs_of_terminal import run_of, window_of
from tests.checks.simulation import ALL_ROLES, Chain, one_pole, steady_load, swinging_load

PATH = tuple(role for role in ALL_ROLES if role not in ("ai_raw", "gauge_output"))
SEED = 31
HOUR = 3600


def swinging() -> np.ndarray:
    return swinging_load(np.random.default_rng(SEED), HOUR)


def moving_average(length: int) -> Callable[[np.ndarray], np.ndarray]:
    """scipy's own running mean, shifted so that it looks back only."""
    return lambda flow: np.roll(uniform_filter1d(flow, length, mode="nearest"), length // 2)


def causes(window: Window) -> list[str]:
    return [item.cause for item in findings(window, check(window))]


@pytest.mark.parametrize("tau", [20.0, 45.0, 90.0])
def test_filter_is_told_with_its_time_constant(tau: float) -> None:
    window = Chain(load=swinging(), roles=PATH, plc_filter=tau, declared_filter=0.0).window()
    found = late_by(window, chain(window.loop)[-1])
    assert found is not None
    assert found.cause == FILTER
    assert found.lag_s == pytest.approx(tau, rel=0.1, abs=3.0)


@pytest.mark.parametrize("length", [40, 80, 160])
def test_moving_average_is_told_with_half_its_length(length: int) -> None:
    window = Chain(load=swinging(), roles=PATH, plc_of=moving_average(length)).window()
    found = late_by(window, chain(window.loop)[-1])
    assert found is not None
    assert found.cause == AVERAGE
    assert found.lag_s == pytest.approx(length / 2.0, rel=0.1, abs=3.0)
    assert causes(window) == ["averaging-differs"]


def test_sound_and_declared_and_merely_delayed_chains_have_none() -> None:
    near = steady_load(np.random.default_rng(SEED), HOUR, 360.0, 40.0)
    for made in (
        Chain(load=swinging()),
        Chain(load=swinging(), roles=PATH, plc_filter=30.0),
        Chain(load=swinging(), roles=PATH, lag_s=13),
        Chain(load=swinging(), clamp_at_zero=True),
        Chain(load=swinging(), low_cutoff=8.4),
        Chain(load=near, plc_of=lambda flow: np.minimum(flow, 420.0)),
        Chain(load=steady_load(np.random.default_rng(SEED), HOUR, 260.0, 5.0)),
    ):
        window = made.window()
        assert causes(window) == []


@pytest.mark.parametrize(
    "fault", ["upper-range@plc", "ton-unit", "square-root", "zero-clamp", "low-cutoff", "current-leak", "compliance-ceiling",
              "lower-range", "time-base", "live-zero-mix", "wrong-channel", "double-scaling"]
)  # fmt: skip
def test_lines_that_are_off_are_not_late(fault: str) -> None:
    samples = run_of("TB-07", 1.5, seed=7, faults=[Switch(fault, at_h=0.5)])
    for end in (1980, 2160, 2520, 3600, 5400):
        assert causes(window_of(samples[slice(0, end)])) == [], end


def test_other_damping_of_the_current_is_a_matter_of_the_gauge() -> None:
    """The current of the gauge is damped by 40 s more than the flow on the bus: told at the card, the first station to show it."""
    made = Chain(load=swinging(), current_of=lambda ma: one_pole(ma, 40.0))
    window = made.window()
    found = list(findings(window, check(window)))
    assert [item.cause for item in found] == ["digital-analogue-differ"]


def test_line_that_agrees_again_is_known_within_ten_minutes_of_moving_load() -> None:
    samples = run_of("TB-07", 1.2, seed=7, faults=[Switch("extra-filter", at_h=0.5, until_h=0.9)])
    window = window_of(samples)
    last = chain(window.loop)[-1]
    assert agrees_again(window, last.link)
    assert causes(window) == []
