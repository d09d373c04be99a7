"""Which columns look as if a recorder had stored only what moved, and which do not."""

from __future__ import annotations

import numpy as np
import pytest

from collector.exports.held import Held, held_answer, looks_held
from tests.collector.replay.plants import flows
from tests.collector.replay.recorders import by_exception

TIME = 1_800_000_000 + np.arange(7200.0)
FLOW = flows(7200, 7200, 11)[0]


@pytest.mark.parametrize("deadband", [0.8, 4.0])
def test_recorder_by_exception_is_seen_by_events_and_in_the_rows_of_a_table(deadband: float) -> None:
    """The deadband is told a little too large rather than too small, the longest silence as it was."""
    times, values = by_exception(TIME, FLOW, deadband, 600.0)
    by_events = looks_held(times, values, rows_of_a_table=False)
    rows = values[np.searchsorted(times, TIME, side="right") - 1]
    by_rows = looks_held(TIME, rows, rows_of_a_table=True)
    empty = np.where(np.isin(TIME, times), rows, np.nan)
    by_cells = looks_held(TIME, empty, rows_of_a_table=True)
    shown = by_events if deadband < 1.0 else by_rows  # half a second apart, more than half of the rows are stored
    for found in (by_events, by_rows, by_cells) if deadband > 1.0 else (shown,):
        assert found is not None
        assert deadband <= found.deadband < 1.6 * deadband
        assert np.diff(times).max() - 30.0 <= found.longest_s <= np.diff(times).max() + 10.0


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("polled", FLOW), ("rounded", np.round(FLOW, 1)), ("smooth", 200.0 + 150.0 * np.sin(np.arange(7200) / 300.0)),
        ("standing", np.full(7200, 7.0)), ("stops", np.where(np.arange(7200) % 1800 < 900, 0.0, 1.9)),
        ("raw", np.round(FLOW / 420.0 * 27648.0)), ("nothing", np.full(7200, np.nan)), ("short", FLOW[:10]),
    ],
)  # fmt: skip
@pytest.mark.parametrize("table", [True, False])
def test_what_was_stored_reading_by_reading_is_not_taken_for_it(name: str, values: np.ndarray, table: bool) -> None:
    there = np.isfinite(values) | table
    assert looks_held(TIME[: len(values)][there], values[there], rows_of_a_table=table) is None


def test_answer_names_the_roles_that_move_with_their_units() -> None:
    held = {"F": Held(0.5, 600.0), "T": Held(0.1, 60.0), "I": Held(0.01, 120.0)}
    columns = {"F": ("flow", "kg/s"), "T": ("detector_temperature", ""), "I": ("loop_current", "")}
    assert held_answer(held, columns) == "flow=step:0.5 kg/s:600 s; loop_current=step:0.01 mA:120 s"
