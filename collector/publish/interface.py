"""What can be read where, as tables: the interface of version 1. A later version keeps what stands here and adds behind it."""

from __future__ import annotations

from dataclasses import dataclass

NAMESPACE = "urn:tallywire:published"
"""Namespace of the address space; identifiers are texts such as `TB-07/FitForControl`."""
MAP_VERSION = 1
"""Version of the register map and of the address space."""
HEAD, PER_LOOP = 16, 64
"""Registers before the first loop, and of each loop."""
TEXT_AT, CAUSE_AT = 16, 36

VERDICT = "0 not evaluated, 1 agrees, 2 doubtful, 3 differs"
NE107 = "0 none, 1 good, 2 maintenance required, 3 out of specification, 4 function check, 5 failure"
LINK = (
    "first link that deviates: 0 none, 1 counts, 2 load, 3 drive, 4 gauge output, 5 current, 6 input card, 7 scaling block, "
    "8 totals, 9 communication, 10 setup"
)
RATE = "deviation of that link, else of the scaling block [t/h]"
SPAN = "the same [% of the span of the PLC]"
CAUSE = "id of the cause in the catalogue, empty where none is known"


@dataclass(frozen=True, slots=True)
class Field:
    """A value: where it stands (registers from `first` to `last`, or the name of a node), its type and meaning."""

    first: int
    last: int
    type: str
    meaning: str
    name: str = ""


REGISTERS_HEAD = (
    Field(0, 0, "uint16", "version of this map, 1"),
    Field(1, 1, "uint16", "heartbeat: one more each second, 0 after 65535; it stands still while the service is silent"),
    Field(2, 2, "uint16", "1 while the service speaks, 0 when it has been silent for longer than 5 s"),
    Field(3, 3, "uint16", "number of loops"),
    Field(4, 4, "uint16", "registers of a loop, 64"),
    Field(5, 5, "uint16", "first register of the first loop, 16"),
    Field(6, 7, "uint32", "time of the service [s since 1970 UTC]"),
    Field(8, 15, "", "0, for later versions"),
)
"""Before the first loop; holding and input registers show the same, high word first (ABCD), addresses from 0 as on the wire."""

REGISTERS_LOOP = (
    Field(0, 0, "uint16", "fit for control: 1 only where nothing is in doubt"),
    Field(1, 1, "uint16", "quality: 0 good, 1 uncertain, 2 bad; with 2 nothing else in the loop means anything"),
    Field(2, 2, "uint16", f"verdict: {VERDICT}"),
    Field(3, 3, "uint16", f"NE 107: {NE107}"),
    Field(4, 4, "uint16", LINK),
    Field(5, 5, "uint16", "age of the evaluation [s], 65535 where there is none or it is older"),
    Field(6, 7, "float32", f"{RATE}, NaN where the data say nothing"),
    Field(8, 9, "float32", SPAN),
    Field(10, 11, "uint32", "agrees since [s since 1970 UTC], 0 where it does not agree"),
    Field(12, 13, "uint32", "end of what was evaluated [s since 1970 UTC], 0 where nothing was"),
    Field(14, 15, "", "0, for later versions"),
    Field(16, 35, "text", "id of the loop, two characters a register, filled up with 0"),
    Field(36, 63, "text", CAUSE),
)
"""Of each loop, in the order of the site file; offsets from its first register."""

NODES_TOP = (
    Field(0, 0, "UInt16", "version of this address space, 1", "InterfaceVersion"),
    Field(0, 0, "UInt32", "one more each second; Bad, and standing still, while the service is silent", "Heartbeat"),
)
"""Below the object `Tallywire`."""

NODES_LOOP = (
    Field(0, 0, "Boolean", "true and Good only where nothing is in doubt, else Bad", "FitForControl"),
    Field(
        0, 0, "UInt16", "the same for clients that cannot look at a status: 1 and Good, else 0 and Uncertain, never Bad",
        "FitForControlCode",
    ),
    Field(0, 0, "UInt32", VERDICT, "Verdict"),
    Field(0, 0, "UInt32", NE107, "Ne107Status"),
    Field(0, 0, "UInt32", LINK, "DeviatingLink"),
    Field(0, 0, "String", CAUSE, "Cause"),
    Field(0, 0, "String", "why the flow is not fit for control, in words", "Reason"),
    Field(0, 0, "Double", RATE, "DeviationRate"),
    Field(0, 0, "Double", SPAN, "DeviationSpan"),
    Field(0, 0, "DateTime", "since when it agrees; Bad where it does not", "AgreesSince"),
)  # fmt: skip
"""Of the object of each loop."""


def first_register(number: int) -> int:
    """Where the loop of this number (from 0, in the order of the site file) begins."""
    return HEAD + PER_LOOP * number
