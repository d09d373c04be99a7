"""Which roles of a loop can be drawn over time, in which unit, and what they are."""

from __future__ import annotations

from checks.derived import EXPECTED, can_expect
from config.model import Loop
from config.roles import ROLES, Kind


def roles_of(loop: Loop) -> tuple[str, ...]:
    """The roles of a loop that can be drawn, in the order of the chain."""
    drawn = tuple(role for role, entry in ROLES.items() if role in loop.tags and entry.kind in (Kind.NUMBER, Kind.TOTAL))
    return (*drawn, EXPECTED) if can_expect(loop) else drawn


def unit_of(role: str) -> str:
    """Unit a role is drawn in."""
    return "t/h" if role == EXPECTED else ROLES[role].unit


def meaning_of(role: str) -> str:
    """What a role is, in words."""
    return "flow that counts, speed and decay demand" if role == EXPECTED else ROLES[role].meaning


def name_of(role: str) -> str:
    """A role as people write it."""
    return role.replace("_", " ").replace("plc", "PLC").replace("ai raw", "raw counts")
