"""Readings that were not all kept: what a recording that stores only changes leaves unknown.

Between two stored values the true one lay anywhere within the deadband of what the record shows, on a step as on a line drawn
by a compressing recorder. That is a rectangular distribution of half width d, with a standard uncertainty of d/sqrt(3) (JCGM
100:2008, 4.3.7). It does not average out: while a value stands, its error stands.
"""

from __future__ import annotations

import math
from functools import lru_cache

from config.model import Loop, RecordedTag
from config.roles import ROLES
from config.units import convert


def changes_only(loop: Loop, role: str) -> bool:
    """Whether a role comes from a recording that stores only changes; that a value repeats says nothing then."""
    tag = loop.tags.get(role)
    return isinstance(tag, RecordedTag) and tag.stored != "all"


def deadband(loop: Loop, role: str) -> float:
    """How far the true value may have lain from the recorded one [canonical unit of the role]; 0 where every reading was kept."""
    tag = loop.tags.get(role)
    if not isinstance(tag, RecordedTag) or tag.stored == "all" or tag.deadband == 0.0:
        return 0.0
    return _canonical(tag.deadband * abs(tag.scale), tag.measured_in, ROLES[role].unit)


def standard(loop: Loop, role: str) -> float:
    """Standard uncertainty that the deadband of a role leaves [canonical unit of the role]."""
    return deadband(loop, role) / math.sqrt(3.0)


@lru_cache(maxsize=256)
def _canonical(width: float, measured_in: str, unit: str) -> float:
    return width if not measured_in or not unit else abs(convert(width, measured_in, unit) - convert(0.0, measured_in, unit))
