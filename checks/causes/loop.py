"""Causes in the current loop."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, Signal, unlike
from checks.result import Link

CAUSES = (
    Cause(
        id="current-leak", title="current leaks past the card",
        links=(Link.CURRENT, Link.INPUT_CARD), roles=("flow",), weight=4.0, mode=FailureMode.LOW,
        signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(
            upper_range="ten minutes of empty belt: a leak is seen there, a range is not",
            output_trim="the current at both ends of the cable at the same time",
            current_offset="two loads: a leak takes a share, an offset the same at each",
            raw_span="print the raw constants of the block; or the current at the card terminals",
        ),
        checks=(
            "measure the current at both ends of the cable at once",
            "open the junction boxes and look for water and salt",
            "measure insulation with both ends lifted; check the ohms of the shunt",
        ),
    ),
    Cause(
        id="current-leak-in", title="stray current adds to a two-wire loop",
        links=(Link.CURRENT,), roles=("flow",), weight=2.0, mode=FailureMode.HIGH, signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(
            current_offset="the current with the transmitter disconnected: it must be zero; slope to 0.3 %",
            lower_range="read both lower ranges",
        ),
        checks=(
            "find out who feeds the loop",
            "open the glands and boxes and look for water",
            "measure the current with the transmitter disconnected: it must be zero",
        ),
    ),
    Cause(
        id="current-offset", title="constant offset on the current",
        links=(Link.CURRENT, Link.INPUT_CARD), roles=("flow",), weight=4.0, mode=FailureMode.ABNORMAL_READING,
        signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(
            stale_tare="the gauge flow on the empty belt: a tare error moves it, an offset on the loop does not",
            lower_range="compare near 20 mA: an offset is still there",
            current_leak_in="slope to 0.3 %, or the current with the transmitter disconnected",
        ),
        checks=(
            "measure AC volts across the input",
            "look for a second earth on shield or minus",
            "repeat the comparison with a loop isolator clipped in",
        ),
    ),
    Cause(
        id="compliance-ceiling", title="loop cannot drive the full current",
        links=(Link.CURRENT,), roles=("flow",), weight=3.0, mode=FailureMode.LOW,
        look_alikes=unlike(
            over_range="the level of the break: a range limit is 20 to 20.5 mA",
            zero_clamp="clamps of the block",
        ),
        checks=(
            "measure the voltage at the gauge terminals at high load",
            "ask what was added to the loop lately",
            "drive 20 mA from the gauge's output test and read the card",
        ), at_gauge=True,
    ),
    Cause(
        id="open-loop", title="loop open",
        links=(Link.CURRENT, Link.INPUT_CARD), roles=("flow",), weight=5.0, mode=FailureMode.NO_OUTPUT, signal=Signal.FAILURE,
        look_alikes=unlike(
            burnout_value="raw counts at the end of the scale instead of zero",
            zero_counts="the count rate: it is alive when only the loop is open",
        ),
        checks=(
            "check fuse, terminals and knife switch of the loop",
            "compare the fail direction set in the gauge with what the PLC expects",
            "tap the terminals while the raw counts are trended fast",
        ),
    ),
    Cause(
        id="output-frozen", title="output stands still",
        links=(Link.GAUGE_OUTPUT, Link.CURRENT), roles=("flow",), weight=3.0, at_gauge=True, mode=FailureMode.NO_OUTPUT,
        signal=Signal.FAILURE,
        look_alikes=unlike(
            stale_tag="raw counts: they move when only the PLC flow tag is stale",
            forced_value="the force bit or the mode of the block",
            mode_left_on="the output mode of the gauge",
            counts_frozen="the count rate: it stands still too when the detector is the cause",
        ),
        checks=(
            "read the output mode of the gauge: test, hold or fixed current",
            "trend raw counts against the gauge flow",
            "ask whether a calibration permit is still open",
        ),
    ),
)  # fmt: skip
