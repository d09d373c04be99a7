"""The states of a loop's time."""

from __future__ import annotations

from dataclasses import fields
from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from checks.blocks import ARRAYS, STATES, Blocks
from checks.ne107 import Status
from checks.reliability.rates import tally
from checks.reliability.timeline import OF_STATUS, Annotation, Interval, LoopState, Outage, clipped, timeline

BEGIN = 1_772_409_600
"""2026-03-02 00:00 UTC."""


def blocks(rows: list[tuple[int, str, float]], length: int = 60) -> Blocks:
    """Blocks of one state each: index, state, share of the time with a usable flow."""
    count = len(rows)
    arrays: dict[str, Any] = {name: np.zeros(count) for name in ARRAYS}
    state_s = np.zeros((count, len(STATES)))
    for row, (_, state, _) in enumerate(rows):
        state_s[row, STATES.index("loaded" if state == "maintenance" else state)] = length
        if state == "maintenance":
            state_s[row, STATES.index("maintenance")] = length
    measured = np.array([share * length for _, _, share in rows])
    arrays |= {
        "start_s": np.array([BEGIN + index * length for index, _, _ in rows], dtype=np.int64),
        "covered_s": np.full(count, float(length)),
        "state_s": state_s,
        "measured_s": measured,
        "plc_measured_s": measured,
    }
    rest: dict[str, Any] = {"loop": "TB-07", "length_s": length, "step_s": 1, "roles": ("flow", "plc_flow"), "pairs": ()}
    assert set(arrays) | set(rest) == {item.name for item in fields(Blocks)}
    return Blocks(**arrays, **rest)


def outage(begin: int, end: int | None, state: LoopState = LoopState.NOT_MEASURING) -> Outage:
    status = Status.FAILURE if state is LoopState.NOT_MEASURING else Status.OUT_OF_SPECIFICATION
    return Outage(
        loop="TB-07", cause="zero-counts", title="zero counts", begin=BEGIN + begin, detected=BEGIN + begin + 30,
        end=None if end is None else BEGIN + end, state=state, status=status, tonnes=4.0,
    )  # fmt: skip


def said(begin: int, end: int, state: LoopState, made: float = 0.0) -> Annotation:
    return Annotation(
        loop="TB-07", begin=BEGIN + begin, end=BEGIN + end, state=state, by="R. Ortega", reason="belt test", made=made
    )


def shown(found: tuple[Interval, ...]) -> list[tuple[int, int, LoopState]]:
    return [(item.begin - BEGIN, item.end - BEGIN, item.state) for item in found]


def test_every_ne107_status_has_its_state() -> None:
    assert set(OF_STATUS) == {*Status, None}


def test_belt_states_become_required_idle_and_unknown_time() -> None:
    rows = [(0, "loaded", 1.0), (1, "empty", 1.0), (2, "stopped", 1.0), (3, "loaded", 0.0), (5, "maintenance", 1.0)]
    found = timeline([blocks(rows)], [], [], BEGIN, BEGIN + 420)
    assert shown(found) == [
        (0, 60, LoopState.TRUE),
        (60, 180, LoopState.NOT_REQUIRED),
        (180, 240, LoopState.NOT_MEASURING),
        (240, 300, LoopState.NO_DATA),
        (300, 360, LoopState.MAINTENANCE),
        (360, 420, LoopState.NO_DATA),
    ]


def test_a_finding_changes_required_time_only_and_a_failure_hides_a_deviation() -> None:
    rows = [(0, "loaded", 1.0), (1, "stopped", 1.0), (2, "loaded", 1.0)]
    faults = [outage(30, 160), outage(0, None, LoopState.DEGRADED)]
    found = timeline([blocks(rows)], faults, [], BEGIN, BEGIN + 180)
    assert shown(found) == [
        (0, 30, LoopState.DEGRADED),
        (30, 60, LoopState.NOT_MEASURING),
        (60, 120, LoopState.NOT_REQUIRED),
        (120, 160, LoopState.NOT_MEASURING),
        (160, 180, LoopState.DEGRADED),
    ]


def test_the_latest_correction_holds() -> None:
    corrections = [said(0, 60, LoopState.NOT_REQUIRED, made=2.0), said(0, 120, LoopState.TRUE, made=1.0)]
    found = timeline([blocks([(0, "loaded", 1.0)])], [outage(0, 60)], corrections, BEGIN, BEGIN + 120)
    assert shown(found) == [(0, 60, LoopState.NOT_REQUIRED), (60, 120, LoopState.TRUE)]
    assert tally(found).required == 60


ROWS = st.lists(
    st.tuples(
        st.integers(0, 39),
        st.sampled_from(["loaded", "empty", "stopped", "unknown", "maintenance"]),
        st.sampled_from([0.0, 1.0]),
    ),
    unique_by=lambda row: row[0],
).map(sorted)
SPANS = st.tuples(st.integers(0, 2400), st.integers(1, 600))
FAULTS = st.lists(st.tuples(SPANS, st.sampled_from([LoopState.NOT_MEASURING, LoopState.DEGRADED])), max_size=4)
SAID = st.lists(st.tuples(SPANS, st.sampled_from(list(LoopState))), max_size=3)


@given(rows=ROWS, faults=FAULTS, corrections=SAID, cuts=st.lists(st.integers(1, 2399), max_size=4))
def test_states_part_the_time_and_parts_add_up_to_the_whole(
    rows: list[tuple[int, str, float]],
    faults: list[tuple[tuple[int, int], LoopState]],
    corrections: list[tuple[tuple[int, int], LoopState]],
    cuts: list[int],
) -> None:
    outages = [outage(begin, begin + length, state) for (begin, length), state in faults]
    notes = [said(begin, begin + length, state, float(at)) for at, ((begin, length), state) in enumerate(corrections)]
    found = timeline([blocks(rows)], outages, notes, BEGIN, BEGIN + 2400)
    assert found == timeline([blocks(rows)], outages, notes, BEGIN, BEGIN + 2400)
    assert (found[0].begin, found[-1].end) == (BEGIN, BEGIN + 2400)
    assert all(one.end == other.begin for one, other in pairwise(found))
    assert all(item.begin < item.end for item in found)
    whole = tally(found)
    assert whole.calendar == 2400
    assert whole.availability is None or 0.0 <= whole.true_share <= whole.availability <= 1.0  # type: ignore[operator]
    edges = [0, *sorted(set(cuts)), 2400]
    parts = [tally(clipped(found, BEGIN + one, BEGIN + other)) for one, other in pairwise(edges)]
    added = parts[0]
    for part in parts[1:]:
        added = added + part
    assert {key: value for key, value in added.required_s.items() if value} == whole.required_s
    assert (added.idle_s, added.no_data_s) == (whole.idle_s, whole.no_data_s)
