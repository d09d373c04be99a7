"""Causes in the mapping of digital tags."""

from __future__ import annotations

from checks.causes.cause import Cause, FailureMode, Signal, unlike
from checks.result import Link

HERE = (Link.COMMUNICATION,)

CAUSES = (
    Cause(
        id="word-order", title="words or bytes in the wrong order",
        links=HERE, roles=("flow",), weight=2.0, mode=FailureMode.ABNORMAL_READING, signal=Signal.FAILURE,
        look_alikes=unlike(register_offset="try the four orders and both neighbouring addresses; keep what moves like the PLC"),
        checks=(
            "read a register whose value is known",
            "look up the order of words in the register list of the device",
            "let the survey show the value in all four orders",
        ),
    ),
    Cause(
        id="register-offset", title="register off by one",
        links=HERE, roles=("flow",), weight=2.0, mode=FailureMode.ABNORMAL_READING, signal=Signal.FAILURE,
        look_alikes=unlike(
            word_order="try the four orders and both neighbouring addresses; keep what moves like the PLC",
            time_base="the ratio to the PLC: a neighbour is another quantity",
        ),
        checks=(
            "find out whether the register list counts from zero or from one",
            "check the table: holding or input registers",
            "read a block around the address and look at all values",
        ),
    ),
    Cause(
        id="wrong-type", title="wrong type, sign or scale of a tag",
        links=HERE, roles=("flow",), weight=2.0, mode=FailureMode.ABNORMAL_READING, signal=Signal.FAILURE,
        look_alikes=unlike(
            time_base="the current: it is right when only the digital value is off",
            total_discontinuity="read both words in one request: torn reads go away",
        ),
        checks=(
            "read both words of a value in one request",
            "test increments against 1.2 times the range",
            "map the invalid markers of the device to bad quality",
        ),
    ),
)  # fmt: skip
