"""Causes in the ranges of both ends."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, unlike
from checks.result import Link

CAUSES = (
    Cause(
        id="upper-range", title="upper range differs",
        links=(Link.GAUGE_OUTPUT, Link.SCALING_BLOCK), roles=("flow",), weight=10.0,
        look_alikes=unlike(
            output_trim="read both ranges; or one mA reading at the gauge terminals at a known flow",
            ton_unit="read both ranges; a unit factor crosses at 0 t/h, a range at the 4 mA flow",
            lower_range="ten minutes of empty belt: an upper range agrees there, a lower range does not",
            current_leak="ten minutes of empty belt: leakage is seen there, an upper range is not",
            raw_span="print the raw constants of the scaling block",
        ),
        checks=(
            "read the flow at 20 mA in the gauge and in the scaling block, side by side",
            "ask when each of the two was last changed, and under which note",
            "inject 12 mA at the cabinet: the PLC must show the middle of the agreed range",
        ),
    ),
    Cause(
        id="lower-range", title="lower range differs",
        links=(Link.GAUGE_OUTPUT, Link.SCALING_BLOCK), roles=("flow",), weight=4.0,
        look_alikes=unlike(
            live_zero_mix="inject 4.000 mA: a card in the wrong mode is off by exactly a fifth of the span",
            current_offset="compare at a high load: an offset is the same there, a lower range vanishes at 20 mA",
            stale_tare="look at the gauge flow on the empty belt: a stale tare moves it, a range does not",
        ),
        checks=(
            "read the flow at 4 mA in the gauge and in the scaling block",
            "inject 4.000 mA at the cabinet and note the PLC flow",
            "compare both flows on the empty belt",
        ),
    ),
    Cause(
        id="wrong-variable", title="output carries another variable",
        links=(Link.GAUGE_OUTPUT,), roles=("flow", "speed"), at_gauge=True, weight=1.0, mode=FailureMode.ABNORMAL_READING,
        look_alikes=unlike(
            upper_range="a change of belt speed: a range keeps its ratio, belt load does not",
            extra_filter="slope after averaging: a filter only delays",
        ),
        checks=(
            "look up which variable is assigned to the current output",
            "step the flow in the gauge's simulation and watch the current",
            "correlate the PLC flow with flow, belt load and the slower averages of the gauge",
        ),
    ),
    Cause(
        id="over-range", title="load beyond the range",
        links=(Link.GAUGE_OUTPUT, Link.SCALING_BLOCK), roles=("flow", "plc_flow"), weight=3.0, mode=FailureMode.LOW,
        look_alikes=unlike(
            compliance_ceiling="where the line breaks: a supply limit lies below 20 mA and moves with the supply",
        ),
        checks=(
            "note the share of time at or above 20 mA",
            "look at the over-range bit of the gauge",
            "re-range both ends under one change note, not one of them",
        ),
    ),
    Cause(
        id="output-trim", title="output trimmed or aged",
        links=(Link.CURRENT,), roles=("flow",), at_gauge=True, weight=2.0,
        look_alikes=unlike(
            upper_range="read both ranges: a trim leaves them equal",
            current_leak="one independent mA reading on the empty belt",
            raw_span="one mA reading at the gauge terminals",
        ),
        checks=(
            "measure the current at the gauge terminals with 4, 12 and 20 mA forced",
            "look into the trim log of the output",
            "prove the input card on a calibrator",
        ),
    ),
    Cause(
        id="digital-analogue-differ", title="bus value and current are different variables",
        links=(Link.GAUGE_OUTPUT,), roles=("flow", "plc_flow"), at_gauge=True, weight=0.7,
        mode=FailureMode.ABNORMAL_READING,
        look_alikes=unlike(
            wrong_variable="variable mapping of both outputs",
            output_frozen="loop-current mode: fixed in multi-drop operation",
            extra_filter="damping of each output",
        ),
        checks=(
            "compare the variable mapping of the bus and of the current output",
            "check that the loop current is not held fixed for multi-drop use",
            "compare damping and cut-off of the two",
        ),
    ),
)  # fmt: skip
