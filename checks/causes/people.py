"""Causes in modes, forces and bypasses."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, Signal, unlike
from checks.result import Link

CAUSES = (
    Cause(
        id="forced-value", title="value forced or substituted",
        links=(Link.SCALING_BLOCK, Link.INPUT_CARD), roles=("plc_flow",), weight=3.0,
        signal=Signal.FUNCTION_CHECK, mode=FailureMode.NO_OUTPUT,
        look_alikes=unlike(
            output_frozen="raw counts: they move behind a force",
            stale_tag="the PLC total: constant steps behind a force, steps like the flow behind a stale tag",
        ),
        checks=(
            "read the force table of the controller",
            "read the mode of the block: automatic, manual or simulated",
            "find the note under which it was set",
        ),
    ),
    Cause(
        id="mode-left-on", title="test, calibration or bypass left on",
        links=(Link.GAUGE_OUTPUT, Link.SETUP), roles=("flow",), weight=3.0, at_gauge=True,
        signal=Signal.FUNCTION_CHECK, mode=FailureMode.NO_OUTPUT,
        look_alikes=unlike(output_frozen="the output mode of the gauge", forced_value="the force table of the controller"),
        checks=(
            "look how long the mode has been on",
            "ask the holder of the permit",
            "mark the interval as not measured in the ledger",
        ),
    ),
)  # fmt: skip
