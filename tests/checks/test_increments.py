"""What a total gained: rollover, reset, transient, slow updates; the same for any chunks."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from checks.increments import Jump, Resolver
from config.model import Totalizer

Floats = NDArray[np.float64]
STEP = 260.0 / 3600.0


def followed(
    values: Floats, *, rollover: float | None = None, resolution: float = 0.1, cuts: tuple[int, ...] = (), step: int = 1
) -> tuple[Floats, list[Jump]]:
    resolver = Resolver(Totalizer(resolution=resolution, rollover=rollover), 420.0)
    time_s = 1000 + step * np.arange(len(values))
    gained, jumps = [], []
    for a, b in pairwise([0, *sorted(cuts), len(values)]):
        part, found = resolver.push(time_s[a:b], values[a:b])
        gained.append(part)
        jumps += found
    return np.concatenate(gained), jumps


def line(n: int, start: float = 1000.0, digit: float = 0.1) -> Floats:
    return np.asarray(np.floor((start + STEP * np.arange(n)) / digit) * digit)


def test_running_total_gains_what_it_shows() -> None:
    values = line(600)
    gained, jumps = followed(values)
    assert np.nansum(gained) == pytest.approx(values[-1] - values[0])
    assert jumps == []


def test_rollover_gains_over_the_border() -> None:
    whole = line(600, 99_990.0)
    gained, jumps = followed(np.mod(whole, 100_000.0), rollover=100_000.0)
    assert np.nansum(gained) == pytest.approx(whole[-1] - whole[0])
    assert [jump.kind for jump in jumps] == ["total-rollover"]


def test_reset_gains_nothing_for_the_jump() -> None:
    whole = line(600)
    values = np.where(np.arange(600) < 300, whole, whole - whole[300])
    gained, jumps = followed(values)
    assert np.nansum(gained) == pytest.approx(whole[-1] - whole[0], abs=0.2)
    assert [(jump.kind, jump.new) for jump in jumps] == [("total-reset", 0.0)]


@pytest.mark.parametrize("polls", [1, 2, 3])
def test_transient_zero_does_not_book_the_lifetime_total(polls: int) -> None:
    values = line(600)
    blip = values.copy()
    blip[300 : 300 + polls] = 0.0
    gained, jumps = followed(blip)
    assert np.nansum(gained) == pytest.approx(values[-1] - values[0])
    assert [jump.kind for jump in jumps] == ["total-transient"]


def test_retention_loss_jumps_back_without_negative_tonnes() -> None:
    values = line(600)
    values[300:] -= 40.0
    gained, jumps = followed(values)
    assert np.nanmin(gained) >= 0.0
    assert [jump.kind for jump in jumps] == ["total-reset"]


def test_preset_upward_is_a_jump_not_mass() -> None:
    values = line(600)
    values[300:] += 5000.0
    gained, jumps = followed(values)
    assert np.nansum(gained) == pytest.approx(line(600)[-1] - values[0], abs=0.4)
    assert len(jumps) == 1


@pytest.mark.parametrize("factor", [2.0, 60.0])
def test_total_that_counts_too_often_is_mass_for_the_check_to_judge(factor: float) -> None:
    values = line(600)
    wrong = values[0] + factor * (values - values[0])
    gained, jumps = followed(wrong)
    assert np.nansum(gained) == pytest.approx(wrong[-1] - wrong[0])
    assert jumps == []


@pytest.mark.parametrize("every", [10, 30, 60, 120])
def test_total_that_is_updated_seldom_loses_nothing(every: int) -> None:
    values = line(1201)[np.arange(1201) // every * every]
    gained, jumps = followed(values)
    assert np.nansum(gained) == pytest.approx(values[-1] - values[0])
    assert jumps == []


def test_missing_readings_are_bridged() -> None:
    values = line(600)
    values[100:400] = np.nan
    gained, jumps = followed(values)
    assert np.isnan(gained[100:400]).all()
    assert np.nansum(gained) == pytest.approx(values[-1] - values[0])
    assert jumps == []


def test_coarse_digit_that_flickers_back_is_no_reset() -> None:
    values = line(200)
    values[50] -= 0.04
    _, jumps = followed(values)
    assert jumps == []


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.integers(0, 400), max_size=12),
    st.lists(st.tuples(st.integers(5, 390), st.sampled_from(["zero", "reset", "up", "back", "nan"])), max_size=4),
)
def test_chunks_do_not_matter(cuts: list[int], events: list[tuple[int, str]]) -> None:
    values = line(400)
    for row, kind in events:
        if kind == "zero":
            values[row] = 0.0
        elif kind == "nan":
            values[row : row + 7] = np.nan
        else:
            values[row:] += {"reset": -np.nan_to_num(values[row]), "up": 300.0, "back": -20.0}[kind]
    whole, whole_jumps = followed(values, rollover=1e6)
    cut, cut_jumps = followed(values, rollover=1e6, cuts=tuple(cuts))
    assert whole.tobytes() == cut.tobytes()
    assert whole_jumps == cut_jumps
