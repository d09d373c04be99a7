"""The filter over chunks, and what physics gives where it is undefined."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from checks.physics import Filter, attenuation_of_flow, flow_noise_t_h, true_rate

VALUES = np.random.default_rng(3).normal(4000.0, 60.0, 200)
VALUES[[40, 41, 90, 150]] = np.nan


@settings(max_examples=60)
@given(st.lists(st.integers(0, 200), max_size=30))
def test_filter_is_the_same_to_the_byte_for_any_chunks(cuts: list[int]) -> None:
    whole, pieces = Filter(10.0, 1.0, blank_s=20.0), Filter(10.0, 1.0, blank_s=20.0)
    edges = [0, *sorted(cuts), 200]
    parts = np.concatenate([pieces(VALUES[a:b]) for a, b in pairwise(edges)])
    assert parts.tobytes() == whole(VALUES).tobytes()


def test_filter_starts_anew_behind_a_gap() -> None:
    out = Filter(10.0, 1.0)(np.array([1.0, 1.0, np.nan, 9.0]))
    assert np.isnan(out[2])
    assert out[3] == 9.0


def test_first_seconds_behind_a_start_are_blank() -> None:
    values = np.concatenate([np.ones(10), [np.nan], np.ones(10)])
    out = Filter(2.0, 1.0, blank_s=4.0)(values)
    assert np.flatnonzero(np.isnan(out)).tolist() == [0, 1, 2, 3, 10, 11, 12, 13, 14]


def test_missing_rate_stays_missing() -> None:
    assert math.isnan(true_rate(math.nan, 5e-6))
    assert math.isnan(true_rate(math.nan, 0.0))


def test_no_time_constant_is_no_filter() -> None:
    np.testing.assert_array_equal(Filter(0.0, 1.0)(np.array([1.0, 5.0, 2.0])), [1.0, 5.0, 2.0])


def test_standing_belt_and_missing_constants_give_nan() -> None:
    assert math.isnan(attenuation_of_flow(10.0, 150.0, 0.0))
    assert math.isnan(flow_noise_t_h(10.0, load_per_attenuation=150.0, speed=1.9, net_empty=5000.0, background=60.0, tau_s=0.0))
