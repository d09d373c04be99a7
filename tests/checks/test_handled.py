"""What somebody does with the loop in hand is no fault of the loop."""

from __future__ import annotations

import numpy as np
import pytest

from checks.card_findings import overflow
from checks.edge_findings import findings
from checks.handled import REACH_S, handled
from deploy.plant.model import Switch
from tests.checks.runs_of_terminal import changed, run_of, window_of

SEED = 7


def marked(values: np.ndarray) -> np.ndarray:
    values[1000:1100] = 1.0
    return values


@pytest.mark.parametrize("role", ["calibrating", "maintenance", "plc_forced", "gauge_output_mode"])
def test_each_sign_counts_with_a_minute_about_it(role: str) -> None:
    mask = handled(changed(run_of("TB-07", 0.5, seed=SEED), **{role: marked}))
    assert np.flatnonzero(mask).tolist() == list(range(1000 - REACH_S, 1100 + REACH_S))


def test_without_a_sign_nobody_has_it_in_hand() -> None:
    assert not handled(run_of("TB-07", 0.5, seed=SEED)).any()


def test_currents_that_are_injected_on_an_empty_belt_are_no_lost_sign() -> None:
    """20 mA on an empty belt is the whole word where the card uses all of it."""

    def injected(raw: np.ndarray) -> np.ndarray:
        raw[-110:-8] = 65500.0 + np.arange(102) % 7  # two seconds later than the bit, through a filter
        return raw

    def emptied(flow: np.ndarray) -> np.ndarray:
        flow[-130:] = -1.0
        return flow

    def in_hand(values: np.ndarray) -> np.ndarray:
        values[-110:-10] = 1.0
        return values

    run = run_of("TB-07", 0.5, seed=SEED)
    assert [item.cause for item in overflow(window_of(changed(run, ai_raw=injected, flow=emptied)), ())] == ["raw-overflow"]
    assert list(overflow(window_of(changed(run, ai_raw=injected, flow=emptied, calibrating=in_hand)), ())) == []


def test_a_flow_that_is_shown_as_zero_during_a_calibration_is_no_cut_off() -> None:
    run = run_of("TB-07", 1.5, seed=SEED, faults=[Switch("low-cutoff", at_h=0.5)])
    assert "low-cutoff" in {item.cause for item in findings(window_of(run), ())}
    in_hand = changed(run, calibrating=lambda values: np.ones_like(values))
    assert "low-cutoff" not in {item.cause for item in findings(window_of(in_hand), ())}
