"""Causes in the totalizers."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, unlike
from checks.result import Link

HERE = (Link.TOTALS,)

CAUSES = (
    Cause(
        id="total-time-base", title="timer of the total loses time",
        links=HERE, roles=("plc_total",), weight=4.0, mode=FailureMode.LOW,
        look_alikes=unlike(
            total_gating="split by state: a gate only counts in some states",
            total_precision="the size of the total: steps at powers of two",
            upper_range="the flows: they agree when only the total is off",
        ),
        checks=(
            "compare the period of the task with the step of the total",
            "read the divisor of the total",
            "compare the integral of the PLC flow with the total over an hour",
        ),
    ),
    Cause(
        id="total-precision", title="single precision swallows small steps",
        links=HERE, roles=("plc_total",), weight=2.0,
        look_alikes=unlike(
            total_time_base="divide the total by two after a reset: precision depends on its size",
            total_gating="the states in which it stalls",
        ),
        checks=(
            "read the data type of the total",
            "note its size against powers of two",
            "keep integer and remainder, or double precision",
        ),
    ),
    Cause(
        id="total-discontinuity", title="total jumped",
        links=HERE, roles=("plc_total",), weight=2.0, mode=FailureMode.ERRATIC,
        look_alikes=unlike(wrong_type="what comes next: a torn read returns to the old line"),
        checks=(
            "look into the event log of the PLC at that minute",
            "compare the register width with the last value",
            "find out who can reset the total",
        ),
    ),
    Cause(
        id="total-gating", title="totals gated differently",
        links=HERE, roles=("plc_total",), weight=3.0,
        look_alikes=unlike(
            total_time_base="split by state: a time base is off in all of them",
            low_cutoff="the PLC flow in the gated state",
        ),
        checks=(
            "list the conditions under which each total counts",
            "list the outages of the period",
            "agree on one rule in writing",
        ),
    ),
    Cause(
        id="counted-twice", title="counted twice",
        links=HERE, roles=("plc_total",), weight=1.5, mode=FailureMode.HIGH,
        look_alikes=unlike(total_time_base="the ratio: exactly two", ton_unit="the flows: they agree"),
        checks=(
            "look up how often the block of the total is called",
            "check the debounce of a pulse input",
            "check that reverse running is not counted forward",
        ),
    ),
)  # fmt: skip
