"""The states and transitions of an alarm, held against the standards' state model.

Source: ANSI/ISA-18.2, alarm state transition diagram: second-hand, three independent texts agree on the states normal (A),
unacknowledged (B), acknowledged (C), returned to normal unacknowledged (D) and on what leads between them. IEC 62682 has the
same set: from memory. The letters G (shelved), H (suppressed by design), I (out of service), and that the way out of them goes
by the process condition at that moment: from memory. The re-alarm from C to B, which the model allows, is not used here:
an episode calls for attention once.
"""

from __future__ import annotations

import pytest

from collector.alerts.lifecycle import ANNUNCIATED, Move, after
from collector.alerts.model import AlertState

LETTERS = {
    "A": AlertState.NORMAL, "B": AlertState.UNACKNOWLEDGED, "C": AlertState.ACKNOWLEDGED, "D": AlertState.RETURNED,
    "G": AlertState.SHELVED, "H": AlertState.SUPPRESSED, "I": AlertState.OUT_OF_SERVICE,
}  # fmt: skip

# second-hand: ANSI/ISA-18.2, one row a transition between A to D, as "from move to"
PUBLISHED = (
    ("A", Move.COMES, "B"), ("B", Move.ACKNOWLEDGE, "C"), ("B", Move.GOES, "D"), ("C", Move.GOES, "A"),
    ("D", Move.ACKNOWLEDGE, "A"), ("D", Move.COMES, "B"),
)  # fmt: skip
TO_SUPPRESSED = ((Move.SHELVE, "G"), (Move.SUPPRESS, "H"), (Move.REMOVE, "I"))


@pytest.mark.parametrize(("old", "move", "new"), PUBLISHED)
def test_transition_of_the_standard(old: str, move: Move, new: str) -> None:
    for active in (False, True):
        assert after(LETTERS[old], move, active=active) is LETTERS[new]


@pytest.mark.parametrize("old", "ABCD")
@pytest.mark.parametrize(("move", "new"), TO_SUPPRESSED)
def test_every_state_can_be_shelved_suppressed_and_taken_out(old: str, move: Move, new: str) -> None:
    assert after(LETTERS[old], move, active=True) is LETTERS[new]


@pytest.mark.parametrize(("old", "move"), [("G", Move.UNSHELVE), ("H", Move.UNSUPPRESS), ("I", Move.RESTORE)])
def test_way_back_goes_by_the_condition_at_that_moment(old: str, move: Move) -> None:
    # from memory: back to A where the process is normal, to B where it is not
    assert after(LETTERS[old], move, active=False) is LETTERS["A"]
    assert after(LETTERS[old], move, active=True) is LETTERS["B"]


def test_acknowledging_what_needs_none_does_nothing() -> None:
    # second-hand: ANSI/ISA-18.2, the acknowledgement acts on B and D only
    for letter in "ACGHI":
        assert after(LETTERS[letter], Move.ACKNOWLEDGE, active=True) is LETTERS[letter]


def test_annunciated_are_the_two_unacknowledged_states() -> None:
    # second-hand: ANSI/ISA-18.2, B and D are annunciated, C is silenced, A is none, G to I are suppressed
    assert set(ANNUNCIATED) == {LETTERS["B"], LETTERS["D"]}


def test_the_set_of_states_is_that_of_the_standard() -> None:
    assert set(AlertState) == set(LETTERS.values())
