"""Causes in belt speed."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, Signal, unlike
from checks.result import Link

HERE = (Link.DRIVE,)

CAUSES = (
    Cause(
        id="belt-slip", title="slip, pulley cake or wrong pulses per metre",
        links=HERE, roles=("speed", "drive_speed"), weight=2.0, signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(
            tach_extra_pulses="the sign against the drive",
            calibration_factor="belt speed against the drive, or the time of one turn",
        ),
        checks=("take the belt speed with a hand tachometer", "look at the pulley", "read pulses per metre in the gauge"),
    ),
    Cause(
        id="fixed-speed", title="fixed speed while the drive varies",
        links=HERE, roles=("speed", "drive_speed"), weight=1.5,
        look_alikes=unlike(belt_slip="a step of the drive: slip keeps its ratio"),
        checks=(
            "read the source of the speed in the gauge",
            "change the drive speed at constant feed and watch the flow",
            "look at the scatter of the speed tag",
        ),
    ),
    Cause(
        id="speed-held", title="speed held while the belt stands",
        links=HERE, roles=("speed", "drive_running"), weight=2.0, mode=FailureMode.HIGH,
        look_alikes=unlike(
            hold_on_stop="the speed tag: zero when the flow alone is held",
            output_frozen="the gauge flow against its output",
        ),
        checks=(
            "compare run feedback and belt",
            "look at the pulses of the speed sensor",
            "take the tonnes back in the ledger, with a note",
        ),
    ),
    Cause(
        id="tach-lost", title="speed signal lost while the belt runs",
        links=HERE, roles=("speed", "drive_running"), weight=3.0, mode=FailureMode.NO_OUTPUT, signal=Signal.FAILURE,
        look_alikes=unlike(low_cutoff="the speed tag: zero when the sensor is lost"),
        checks=(
            "look at pulses or wheel contact of the speed sensor",
            "check supply and cable of the sensor",
            "ask whether the gauge may fall back to a fixed speed, and who is told",
        ),
    ),
    Cause(
        id="tach-extra-pulses", title="too many speed pulses",
        links=HERE, roles=("speed", "drive_speed"), weight=1.0, mode=FailureMode.HIGH,
        look_alikes=unlike(belt_slip="the sign and the size: a few per cent or a factor"),
        checks=("check screen and earth of the sensor", "count which edges are used", "take the speed with a hand tachometer"),
    ),
    Cause(
        id="hold-on-stop", title="flow held at belt stop",
        links=HERE, roles=("flow", "drive_running"), weight=1.5, mode=FailureMode.HIGH,
        look_alikes=unlike(speed_held="the speed tag: not zero when speed is held"),
        checks=(
            "read what the gauge is set to do at belt stop",
            "find out which bit ends the hold",
            "read the gate of the total",
        ),
    ),
)  # fmt: skip
