"""Causes in calibration and in the shape of the load."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, Signal, unlike
from checks.result import Link

HERE = (Link.LOAD,)

CAUSES = (
    Cause(
        id="calibration-factor", title="calibration factor or grade wrong",
        links=HERE, roles=("flow",), weight=3.0,
        look_alikes=unlike(
            belt_slip="belt speed against the drive",
            load_shape="reference lots at two loads",
            wet_dry_basis="laboratory moisture of ten lots",
        ),
        checks=(
            "compare the certificate of the reference mass and the belt length used",
            "look up the grade code at that time",
            "repeat three material tests",
        ),
    ),
    Cause(
        id="load-shape", title="load shape differs from the calibration",
        links=HERE, roles=("flow",), weight=2.0, signal=Signal.MAINTENANCE_REQUIRED, at_gauge=True,
        look_alikes=unlike(
            calibration_factor="reference lots at two loads: shape is worse at high load",
            belt_wander="period of one turn of the belt",
        ),
        checks=("look at the liner of the chute", "look at the tracking of the belt", "ask with which shape it was calibrated"),
    ),
    Cause(
        id="factor-twice", title="correction applied at both ends",
        links=(Link.LOAD, Link.SCALING_BLOCK), roles=("flow", "plc_flow"), weight=1.5,
        look_alikes=unlike(
            calibration_factor="the size: the square of the last correction",
            undocumented_change="the calibration record",
        ),
        checks=(
            "compare old and new factor at both ends",
            "compare the dates of both entries",
            "repeat one material test",
        ),
    ),
    Cause(
        id="undocumented-change", title="setting changed without a note",
        links=(Link.SETUP,), roles=("flow",), weight=2.0, mode=FailureMode.PARAMETER_DEVIATION,
        look_alikes=unlike(upper_range="the range itself is the what; this is the when"),
        checks=(
            "compare parameter snapshots before and after",
            "look up work orders of the day before and after",
            "check the age of the backup that was restored",
        ),
    ),
)  # fmt: skip
