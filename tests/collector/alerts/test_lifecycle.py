from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.alerts.lifecycle import ANNUNCIATED, Move, after
from collector.alerts.model import AlertState

N, U, A, R = AlertState.NORMAL, AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED, AlertState.RETURNED
SH, SU, OO = AlertState.SHELVED, AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE

# One line a state in the order of MOVES; "condition" stands for unacknowledged where active, else normal. The sources of
# every entry are named in tests/reference/test_alarm_states.py; taking out what is shelved or suppressed is our own choice.
MOVES = (
    Move.COMES, Move.GOES, Move.ACKNOWLEDGE, Move.SHELVE, Move.UNSHELVE, Move.SUPPRESS, Move.UNSUPPRESS, Move.REMOVE,
    Move.RESTORE,
)  # fmt: skip
EXPECTED: dict[AlertState, tuple[AlertState | None, ...]] = {
    N: (U, N, N, SH, N, SU, N, OO, N),
    U: (U, R, A, SH, U, SU, U, OO, U),
    A: (A, N, A, SH, A, SU, A, OO, A),
    R: (U, R, N, SH, R, SU, R, OO, R),
    SH: (SH, SH, SH, SH, None, SH, SH, OO, SH),
    SU: (SU, SU, SU, SU, SU, SU, None, OO, SU),
    OO: (OO, OO, OO, OO, OO, OO, OO, OO, None),
}


def test_expected_table_is_complete() -> None:
    assert set(EXPECTED) == set(AlertState)
    assert sorted(MOVES) == sorted(Move)
    assert {len(row) for row in EXPECTED.values()} == {len(MOVES)}


@pytest.mark.parametrize("active", [False, True])
@pytest.mark.parametrize("move", MOVES)
@pytest.mark.parametrize("state", AlertState)
def test_every_move_in_every_state(state: AlertState, move: Move, active: bool) -> None:
    expected = EXPECTED[state][MOVES.index(move)]
    assert after(state, move, active=active) is (expected or (U if active else N))


@given(st.lists(st.sampled_from(MOVES), max_size=60))
def test_any_walk_keeps_the_state_true_to_the_condition(moves: list[Move]) -> None:
    state, active = N, False
    for move in moves:
        before = state
        active = {Move.COMES: True, Move.GOES: False}.get(move, active)
        state = after(state, move, active=active)
        if state in (U, A):
            assert active
        if state in (N, R):
            assert not active
        if before in (SH, SU, OO) and state not in (SH, SU, OO):
            assert move in (Move.UNSHELVE, Move.UNSUPPRESS, Move.RESTORE)
        if state is A and before is not A:
            assert move is Move.ACKNOWLEDGE
        if before in ANNUNCIATED and state not in ANNUNCIATED:
            assert move in (Move.ACKNOWLEDGE, Move.SHELVE, Move.SUPPRESS, Move.REMOVE)
        assert after(state, Move.ACKNOWLEDGE, active=active) not in ANNUNCIATED
