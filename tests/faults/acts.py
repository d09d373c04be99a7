"""What people do at the belt while a case runs, because some causes only show in it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.faults.run import Bench

CLOSED_S, LOADED_S, CLEARED_S, SETTLES_S, OPERATED_S = 300, 300, 320, 900, 90


def close_loaded_and_empty(rig: Bench) -> None:
    """The shutter is closed for some minutes under product, and again on the empty belt (a count of what is not the beam)."""
    top = rig.draw.spec.gauge.range_high
    for feed, settles_s in ((0.6 * top, LOADED_S), (0.0, CLEARED_S)):
        rig.faulty.set("steady-load", True, feed)
        rig.advance(settles_s)
        rig.faulty.set("shutter-closed", True)
        rig.advance(CLOSED_S)
        rig.faulty.set("shutter-closed", False)
    rig.faulty.set("steady-load", False)
    rig.advance(SETTLES_S)


def operate(rig: Bench) -> None:
    """The shutter is closed for work and opened again, not all the way where that is the fault."""
    rig.faulty.set("shutter-closed", True)
    rig.advance(OPERATED_S)
    rig.faulty.set("shutter-closed", False)


ACTS: dict[str, Callable[[Bench], None]] = {
    "": lambda _rig: None,
    "closed-counts": close_loaded_and_empty,
    "shutter-operated": operate,
}
"""What happens behind the onset, by name."""
