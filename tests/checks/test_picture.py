"""What a picture shows: nothing of a belt that starts and stops as belts do, all that contradicts it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.build import BlockBuilder
from checks.picture import Picture
from checks.samples import Samples
from deploy.plant.site import scenario_of
from tests.checks.runs_of_terminal import BEGIN, changed, run_of, samples_by_hand, small_site, terminal

ROLES = ("flow", "plc_flow", "speed", "drive_speed", "drive_running", "count_rate")
RUNS_S, STANDS_S, ALL_S = 1200, 1800, 3000


def shift(**changed: float) -> Samples:
    """A belt that runs, stands for ten minutes and runs again; what is changed is so while it stands."""
    rng = np.random.default_rng(1)
    time = np.arange(ALL_S)
    runs = (time < RUNS_S) | (time >= STANDS_S)
    columns = {
        "flow": np.where(runs, 200.0 + rng.normal(0.0, 2.0, ALL_S), 0.0),
        "plc_flow": np.where(runs, 200.0 + rng.normal(0.0, 2.0, ALL_S), rng.normal(0.0, 0.1, ALL_S)),
        "speed": np.where(runs, 1.9, 0.0), "drive_speed": np.where(runs, 50.0, 0.0), "drive_running": runs.astype(float),
        "count_rate": rng.poisson(3000.0, ALL_S).astype(float),
    }  # fmt: skip
    for role, value in changed.items():
        columns[role] = np.where(runs, columns[role], value)
    return samples_by_hand(columns)


def changes(samples: Samples) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Seconds from the begin at which the picture changes, and at which the belt does."""
    site = small_site(ROLES)
    blocks = BlockBuilder(site, "TB-07").push(samples)
    seconds = blocks.start_s[1:] - BEGIN
    drawn, belt = (np.diff(codes, axis=0).any(axis=1) for codes in Picture(site.loops["TB-07"]).of(blocks))
    return seconds[drawn], seconds[belt]


def test_belt_that_stops_and_starts_changes_the_belt_and_not_the_picture() -> None:
    drawn, belt = changes(shift())
    assert not len(drawn)
    assert {RUNS_S, STANDS_S} <= set(belt.tolist())


@pytest.mark.parametrize(
    ("role", "value"), [("speed", 1.9), ("flow", 200.0), ("flow", 0.1 + 0.2 + 57.1), ("plc_flow", 200.0), ("count_rate", 0.0)]
)
def test_what_contradicts_a_standing_belt_is_drawn(role: str, value: float) -> None:
    drawn, _ = changes(shift(**{role: value}))
    assert RUNS_S in drawn
    assert STANDS_S in drawn


def test_speed_that_is_lost_under_a_running_drive_is_drawn() -> None:
    samples = shift()
    speed = samples.values["speed"].copy()
    speed[600:700] = 0.0
    drawn, _ = changes(samples_by_hand(dict(samples.values) | {"speed": speed}))
    assert {600, 700} <= set(drawn.tolist())


def test_belt_that_runs_down_slowly_is_no_contradiction() -> None:
    samples = shift()
    speed = samples.values["speed"].copy()
    speed[RUNS_S : RUNS_S + 12] = np.linspace(1.8, 0.1, 12)
    drawn, _ = changes(samples_by_hand(dict(samples.values) | {"speed": speed}))
    assert not len(drawn)


@pytest.mark.parametrize("seconds", [-1, 0, 1])
def test_a_drive_that_is_read_a_second_earlier_or_later_moves_no_picture_where_the_speed_changes(seconds: int) -> None:
    honest = run_of("TB-09", 2.0, seed=11, scenario=scenario_of("TB-09", 11))
    samples = changed(honest, drive_speed=lambda column: np.roll(column, seconds))
    whole, slow = (blocks_of(one) for one in (samples, changed(samples, speed=lambda column: 0.95 * column)))
    swing = whole.of("maximum", "drive_speed") - whole.of("minimum", "drive_speed")
    assert (swing > 0.05 * whole.of("mean", "drive_speed")).sum() > 20
    picture, slipping = (Picture(terminal().loops["TB-09"]).of(one)[0] for one in (whole, slow))
    assert (np.diff(picture, axis=0) != 0).any(axis=1).sum() <= 6
    assert (picture != slipping).any(axis=1).mean() > 0.5


def blocks_of(samples: Samples) -> Blocks:
    """The blocks of a run without its ends, which a shift has torn."""
    return BlockBuilder(terminal(), samples.loop).push(samples[slice(10, -10)])
