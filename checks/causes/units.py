"""Causes in units and what a tonne is."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, unlike
from checks.result import Link

CAUSES = (
    Cause(
        id="ton-unit", title="short or long ton against tonne",
        links=(Link.SCALING_BLOCK, Link.GAUGE_OUTPUT, Link.TOTALS), roles=("flow",), weight=4.0,
        look_alikes=unlike(
            upper_range="read both ranges; with a range that does not start at 0 the crossing tells",
            calibration_factor="the gauge flow itself moves with a calibration factor",
        ),
        checks=(
            "read the unit of the variable on the current output and of the PLC flow",
            "read the unit of the totals: it may differ from that of the flow",
            "compare the label on the screen with the unit in the ledger export",
        ),
    ),
    Cause(
        id="time-base", title="time or magnitude base differs",
        links=(Link.SCALING_BLOCK, Link.GAUGE_OUTPUT), roles=("flow",), weight=2.0,
        look_alikes=unlike(
            wrong_type="compare the current: an integer with a hidden decimal only touches the digital path",
            total_time_base="compare the flows: they agree when only the total is off",
        ),
        checks=(
            "read the unit of time and magnitude in the scaling block",
            "work out load times speed by hand for one moment",
            "compare both totals over one timed hour",
        ),
    ),
    Cause(
        id="wet-dry-basis", title="wet against dry tonnes",
        links=(Link.TOTALS,), roles=("flow", "moisture"), weight=1.0, mode=FailureMode.MINOR,
        look_alikes=unlike(calibration_factor="lots with laboratory moisture: a basis follows moisture, a factor does not"),
        checks=(
            "read the definition of the tonne in the contract",
            "find the point where the laboratory sample is drawn",
            "check that nobody takes moisture off twice",
        ),
    ),
    Cause(
        id="double-scaling", title="value scaled twice",
        links=(Link.SCALING_BLOCK,), roles=("plc_flow",), weight=1.5,
        look_alikes=unlike(
            live_zero_mix="read the tag of the block itself: if it is right, the second scaling sits behind it",
            upper_range="read the tag of the block itself",
        ),
        checks=(
            "read the output of the scaling block itself, not the screen tag",
            "read the scaling of the screen or archive tag",
            "find out which of the two tags feeds the total",
        ),
    ),
)  # fmt: skip
