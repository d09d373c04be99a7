"""Causes in the compensation of source decay."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, Signal, unlike
from checks.result import Link

HERE = (Link.COUNTS,)

CAUSES = (
    Cause(
        id="decay-off", title="decay not compensated",
        links=HERE, roles=("count_rate",), weight=1.5, mode=FailureMode.HIGH,
        look_alikes=unlike(
            detector_drift="slope of the empties over six to eight weeks",
            build_up="slope of the empties over six to eight weeks",
        ),
        checks=(
            "check that the compensation is switched on",
            "check reference date and half-life",
            "compare the rates of the last tares with the decay law",
        ),
    ),
    Cause(
        id="decay-double", title="decay compensated twice",
        links=HERE, roles=("count_rate",), weight=1.0, mode=FailureMode.LOW,
        look_alikes=unlike(stale_tare="smooth over months: belt wear comes in steps"),
        checks=(
            "search the PLC program for an exponential",
            "compare counts and flow with and without decay",
            "find out who asked for the second compensation",
        ),
    ),
    Cause(
        id="nuclide-or-clock", title="nuclide, reference date or clock wrong",
        links=HERE, roles=("count_rate",), weight=2.0,
        look_alikes=unlike(decay_off="the slope names the pair of half-lives; a step with a power dip names the clock"),
        checks=(
            "compare nuclide and date with the certificate (radiation safety officer)",
            "compare the date of the device with the calendar",
            "look at the battery of the clock",
        ),
    ),
    Cause(
        id="decay-in-steps", title="decay compensated in steps",
        links=HERE, roles=("count_rate",), weight=1.0, innocent=True, mode=FailureMode.MINOR,
        signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(decay_off="it comes back with the calendar"),
        checks=(
            "read the interval of the compensation",
            "compare the height of the steps with the decay of one interval",
            "leave it as it is",
        ),
    ),
)  # fmt: skip
