"""Every check, and how often it is asked."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass

from checks import (
    calibration,
    counts,
    current,
    decay,
    freshness,
    lateness,
    scaling,
    setup,
    speed,
    temperature,
    totals,
    truth,
    turns,
    wander,
    zero,
)
from checks.result import CheckResult, Link
from checks.window import Window


@dataclass(frozen=True, slots=True)
class Check:
    """One check: its name, the link at which a failure of the check itself is shown, the function, and how often it is
    asked. It is asked at the first block that ends in a new period of `every_s` [s] on the clock (UTC); the answer stands
    in between."""

    name: str
    link: Link
    check: Callable[[Window], list[CheckResult]]
    every_s: int = 0
    """0: at the end of every block."""
    needs: tuple[str, ...] = ()
    """What a loop must have so that the check can say anything."""
    follows: Callable[[Window], Hashable] | None = None
    """What the answer depends on: where it is the same as at the last answer, that answer stands. None: ask anew."""
    calm_s: int = 0
    """The same as `every_s` while all is calm: what else looks at what it compares sees when something moves [s]."""
    upright_s: int = 0
    """The same while no line and no total leans and nothing is told [s]."""


EMPTIES_AGE_S = 6 * 3600
"""The checks of the empty belt are asked again after so long although no empty belt was seen: tares and clocks age [s]."""


def newest_empty(window: Window) -> Hashable:
    """The newest stretch of empty belt, and the quarter of the day."""
    return (window.empties[-1].start_s if window.empties else 0, window.end_s // EMPTIES_AGE_S)


CALM_S, CALM_ZERO_S = 43_200, 86_400
"""How often lines, totals, turns and wander, and how often zero and decay are asked while all is calm [s]."""
UPRIGHT_S = 300
"""How often lines and totals are asked while none of them leans and nothing is told [s]."""

CHECKS: tuple[Check, ...] = (
    Check("freshness", Link.COMMUNICATION, freshness.check),
    Check("counts", Link.COUNTS, counts.check),
    Check("temperature", Link.COUNTS, temperature.check),
    Check("speed", Link.DRIVE, speed.check),
    Check("turns", Link.DRIVE, turns.check, 600, calm_s=CALM_S),
    Check("wander", Link.LOAD, wander.check, 300, calm_s=CALM_S),
    Check("current", Link.CURRENT, current.check),
    Check("setup", Link.SETUP, setup.check),
    Check(
        "scaling",
        Link.SCALING_BLOCK,
        scaling.check,
        30,
        ("plc_flow, loop_current or ai_raw beside flow",),
        calm_s=CALM_S,
        upright_s=UPRIGHT_S,
    ),
    Check("lateness", Link.SCALING_BLOCK, lateness.check, 300, lateness.NEEDS, calm_s=CALM_S),
    Check("totals", Link.TOTALS, totals.check, 60, calm_s=CALM_S, upright_s=UPRIGHT_S),
    Check("truth", Link.TOTALS, truth.check, 600),
    Check("calibration", Link.LOAD, calibration.check, 3600, calibration.NEEDS, calibration.follows),
    Check("zero", Link.COUNTS, zero.check, 600, zero.NEEDS, newest_empty, CALM_ZERO_S),
    Check("decay", Link.COUNTS, decay.check, 600, decay.NEEDS, newest_empty, CALM_ZERO_S),
)
"""Every check in the order of its results. The lines of `scaling` are fits over hours, so they are asked twice a minute."""
