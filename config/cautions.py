"""The cautions that go with every text that sends a person to the gauge, written once."""

from __future__ import annotations

import textwrap

NOT_A_SAFETY_FUNCTION = (
    "Tallywire is neither a safety function nor a weighing instrument legal for trade: never use it to decide that a "
    "place or a machine is safe, or to settle a trade."
)

CAUTIONS: tuple[str, ...] = (
    "Isolate the conveyor and lock it out before anyone reaches into it or works near the belt.",
    "Close and lock the source shutter, and verify with a survey meter that it is closed; never trust an indicator alone.",
    "Only licensed or authorised personnel may work on the source housing, the shutter and the detector beside them.",
    "Local codes and the conditions of the radioactive materials licence govern; they hold over everything written here.",
    NOT_A_SAFETY_FUNCTION,
)


def caution_text(width: int = 100) -> str:
    """The cautions as plain text: a heading and one indented item each, wrapped at `width` characters (at least 40)."""
    width = max(width, 40)
    items = (textwrap.fill(text, width, initial_indent="  - ", subsequent_indent="    ") for text in CAUTIONS)
    return "\n".join(("Before anyone goes to the gauge:", *items))
