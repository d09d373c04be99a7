"""The states of an alert and what leads from one to the other: IEC 62682, as one table.

Source: state model of ANSI/ISA-18.2 (second-hand, three texts agree); IEC 62682 has the same set (from memory). Leaving
shelved, suppressed or out of service goes by the process condition at that moment (from memory).
"""

from __future__ import annotations

from enum import StrEnum

from collector.alerts.model import AlertState


class Move(StrEnum):
    """What happens to an alert."""

    COMES = "condition comes"
    GOES = "condition goes"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress by design"
    UNSUPPRESS = "end suppression"
    REMOVE = "out of service"
    RESTORE = "back in service"


_N, _U, _A, _R = AlertState.NORMAL, AlertState.UNACKNOWLEDGED, AlertState.ACKNOWLEDGED, AlertState.RETURNED
_SH, _SU, _OOS = AlertState.SHELVED, AlertState.SUPPRESSED, AlertState.OUT_OF_SERVICE

ANNUNCIATED = (_U, _R)
"""States that ask for attention."""

TABLE: dict[tuple[AlertState, Move], AlertState] = {
    (_N, Move.COMES): _U,
    (_U, Move.GOES): _R,
    (_U, Move.ACKNOWLEDGE): _A,
    (_A, Move.GOES): _N,
    (_R, Move.ACKNOWLEDGE): _N,
    (_R, Move.COMES): _U,
    **{(state, Move.SHELVE): _SH for state in (_N, _U, _A, _R)},
    **{(state, Move.SUPPRESS): _SU for state in (_N, _U, _A, _R)},
    **{(state, Move.REMOVE): _OOS for state in (_N, _U, _A, _R, _SH, _SU)},
}
"""State and move to state; moves out of the three suppressed states go by the condition, see `after`."""

LEAVES = {Move.UNSHELVE: _SH, Move.UNSUPPRESS: _SU, Move.RESTORE: _OOS}


def after(state: AlertState, move: Move, *, active: bool) -> AlertState:
    """The state after a move; the same state where the move means nothing in it. `active` is the condition at this moment."""
    if LEAVES.get(move) is state:
        return _U if active else _N
    return TABLE.get((state, move), state)
