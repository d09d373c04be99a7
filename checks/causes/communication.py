"""Causes in communication and time."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, Signal, unlike
from checks.result import Link

HERE = (Link.COMMUNICATION,)

CAUSES = (
    Cause(
        id="stale-tag", title="tag stands still",
        links=HERE, roles=("flow",), weight=4.0, signal=Signal.FAILURE, mode=FailureMode.NO_OUTPUT,
        look_alikes=unlike(
            counts_frozen="the other tags of the device: they move when the detector is the cause",
            output_frozen="raw counts: they stand still too when the output is frozen",
            forced_value="the total: it goes on with the flow when only the tag is stale",
        ),
        checks=(
            "look at the heartbeat of the device",
            "read the tag once directly, around any cache or gateway",
            "set the deadband of flow and counts to zero",
        ),
    ),
    Cause(
        id="gateway-zeros", title="gateway writes zeros",
        links=HERE, roles=("count_rate", "detector_temperature"), weight=2.0, signal=Signal.FAILURE, mode=FailureMode.NO_OUTPUT,
        look_alikes=unlike(zero_counts="the detector temperature: alive when the detector is dead, zero when the link is lost"),
        checks=(
            "look at the link status word of the gateway",
            "check that the temperature is exactly zero too",
            "set the gateway to bad quality on loss, not to zero",
        ),
    ),
    Cause(
        id="clock-shift", title="clock, zone or daylight saving",
        links=HERE, roles=("flow", "plc_flow"), weight=1.5, mode=FailureMode.MINOR, signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(extra_filter="the lag: whole hours mean a zone, seconds a skew or a filter"),
        checks=("keep UTC everywhere and the zone on the screen only", "look at the time server", "read the shift boundary"),
    ),
    Cause(
        id="controller-switch", title="redundant controller took over with old data",
        links=(Link.TOTALS, Link.SCALING_BLOCK), roles=("plc_flow",), weight=0.7, mode=FailureMode.ERRATIC,
        look_alikes=unlike(total_discontinuity="the role bit of the controller", undocumented_change="the role bit"),
        checks=(
            "read the log of controller roles",
            "check that retained data are kept in step",
            "compare the data of both controllers",
        ),
    ),
)  # fmt: skip
