"""Causes in the input card and the scaling block."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, Signal, unlike
from checks.result import Link

CARD, BLOCK = Link.INPUT_CARD, Link.SCALING_BLOCK

CAUSES = (
    Cause(
        id="live-zero-mix", title="0-20 mA against 4-20 mA",
        links=(CARD, BLOCK), roles=("flow",), weight=4.0,
        look_alikes=unlike(
            lower_range="inject 4.000 mA: a mixed live zero is off by exactly a fifth of the span",
            raw_span="raw counts at 4.000 and 20.000 mA",
        ),
        checks=(
            "read the mode of the channel and its hardware coding",
            "note raw counts at 4.000 and 20.000 mA",
            "read the raw span constants of the block",
        ),
    ),
    Cause(
        id="raw-span", title="raw span constants wrong",
        links=(BLOCK,), roles=("plc_flow",), weight=2.0,
        look_alikes=unlike(
            upper_range="read the ranges of the block: if they are right, the raw constants are not",
            lower_range="read the ranges of the block",
            live_zero_mix="the mode of the channel",
            ton_unit="raw constants and unit of the block",
            current_leak="the current at the card terminals against raw counts",
        ),
        checks=(
            "print the parameters of the scaling block",
            "inject two points and compare raw counts with the card's data sheet",
            "look at a histogram of the PLC flow: missing values mean integer arithmetic",
        ),
    ),
    Cause(
        id="square-root", title="square root on a linear signal",
        links=(BLOCK, Link.GAUGE_OUTPUT), roles=("flow",), weight=1.5,
        look_alikes=unlike(dead_time="three loads: a root bends far more", raw_span="three loads: a wrong span stays straight"),
        checks=(
            "read the transfer function at both ends",
            "inject 8 mA: it must read 25 %",
            "ask whether the block was copied from a pressure flow loop",
        ),
    ),
    Cause(
        id="zero-clamp", title="clamp at zero rectifies noise",
        links=(BLOCK,), roles=("flow", "plc_flow"), weight=2.0, mode=FailureMode.HIGH, signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(
            stale_tare="mean of the gauge flow on the empty belt: not zero with a stale tare",
            current_offset="median of the PLC flow on the empty belt: not zero with an offset",
        ),
        checks=(
            "find out whether the total is fed before or after the clamp",
            "ask whether the gauge total may count backwards",
            "gate the total by belt loaded instead",
        ),
    ),
    Cause(
        id="low-cutoff", title="low-flow cut-off at one end",
        links=(BLOCK, Link.TOTALS), roles=("flow", "plc_flow"), weight=2.0, mode=FailureMode.LOW,
        signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(
            zero_clamp="the sign: a clamp adds on the empty belt, a cut-off loses in trickle",
            total_gating="flows: a gate leaves the PLC flow alone",
        ),
        checks=(
            "read the cut-off in the gauge and in the PLC",
            "work out the tonnes below the cut-off in the last month",
            "set the same value at both ends",
        ),
    ),
    Cause(
        id="extra-filter", title="filter that is not declared",
        links=(BLOCK,), roles=("flow", "plc_flow"), weight=3.0, mode=FailureMode.MINOR, signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(
            averaging_differs="the end of a step: a moving average ends hard, a filter has a tail",
            upper_range="slope behind the lag: a filter leaves it at one",
        ),
        checks=(
            "add up card filter, block filter and screen smoothing",
            "read the period of the task",
            "compare with the damping set on the current output",
        ),
    ),
    Cause(
        id="averaging-differs", title="moving average at one end",
        links=(BLOCK,), roles=("flow", "plc_flow"), weight=1.0, mode=FailureMode.MINOR, signal=Signal.MAINTENANCE_REQUIRED,
        look_alikes=unlike(extra_filter="the end of a step: a moving average ends hard, a filter has a tail"),
        checks=("read the type of filter at both ends", "read its length", "step the value by simulation and watch both"),
    ),
    Cause(
        id="wrong-channel", title="wrong channel",
        links=(CARD, Link.CURRENT, BLOCK), roles=("flow", "plc_flow"), weight=1.5, mode=FailureMode.ABNORMAL_READING,
        signal=Signal.FAILURE,
        look_alikes=unlike(
            output_frozen="correlate with the twin belt: a swapped channel follows it",
            stale_tag="source time of the tag",
        ),
        checks=(
            "correlate all flows of the site with all channels",
            "compare wire numbers with the drawing",
            "swap test at the terminal",
        ),
    ),
    Cause(
        id="burnout-value", title="card answers a wire break with a value",
        links=(CARD,), roles=("ai_raw",), weight=2.0, mode=FailureMode.ABNORMAL_READING, signal=Signal.FAILURE,
        look_alikes=unlike(
            open_loop="raw counts near zero instead of the end of the scale",
            zero_counts="the count rate: zero when the detector is dead",
            over_range="raw counts exactly at the end of the scale",
        ),
        checks=(
            "read the diagnosis bit of the channel",
            "read what the card is set to do on a wire break",
            "pull one wire and watch the PLC flow and its quality",
        ),
    ),
    Cause(
        id="raw-overflow", title="signed and unsigned raw counts mixed",
        links=(CARD,), roles=("ai_raw", "plc_flow"), weight=1.0, mode=FailureMode.ERRATIC,
        look_alikes=unlike(
            wrong_type="place: the gauge side or the card",
            open_loop="spikes upward only on the empty belt mean overflow",
        ),
        checks=(
            "read the data type of the raw word",
            "watch the PLC flow at 3.9 mA",
            "look at a histogram of raw counts near 65535",
        ),
    ),
)  # fmt: skip
