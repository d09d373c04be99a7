"""What a recorder kept of a tag, as people say it: `flow=step:0.5 t/h:10 min`."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from checks import kept
from config.errors import TallywireError
from config.model import Loop, RecordedTag, Site
from config.roles import ROLES
from config.units import convert, parse_quantity

HOW = ("all", "step", "line")
EXAMPLE = "[LOOP.]ROLE=step|line[:DEADBAND[:LONGEST]], such as flow=step:0.5 t/h:10 min, or all"
FLOWS = ("flow", "plc_flow")
SAYS = {"step": "as steps, a value whenever it had moved", "line": "as the ends of straight lines"}


def stored(site: Site, said: Sequence[str]) -> Site:
    """The site with what was said of the recording: the tags it names are recorded ones from here on.

    Raises
    ------
    TallywireError
        No such loop or role, or a deadband or time that cannot be read.
    """
    for one in said:
        name, equals, how = one.partition("=")
        parts = [part.strip() for part in how.split(":")]
        if not equals or parts[0] not in HOW or len(parts) > 3:
            raise TallywireError(f"{one!r} does not say what was stored", where="--kept", fix=EXAMPLE)
        loop, _, role = name.strip().rpartition(".")
        loops = [loop] if loop else list(site.loops)
        if role not in ROLES or any(one not in site.loops for one in loops):
            raise TallywireError(
                f"{name.strip()!r} is no tag of the site",
                where="--kept",
                fix=f"one of {', '.join(ROLES)}, with or without LOOP.",
            )
        for one_loop in loops:
            part = site.loops[one_loop]
            tag = _recorded(part, role, parts, one)
            site = site.model_copy(
                update={"loops": {**site.loops, one_loop: part.model_copy(update={"tags": {**part.tags, role: tag}})}}
            )
    return site


def _recorded(loop: Loop, role: str, parts: Sequence[str], said: str) -> RecordedTag:
    before = loop.tags.get(role)
    known = before if isinstance(before, RecordedTag) else RecordedTag()
    if before is not None and before is not known:
        known = RecordedTag(measured_in=before.measured_in, period=before.period, independent=before.independent)
    deadband = _deadband(loop, role, known, parts[1], said) if len(parts) > 1 and parts[1] else known.deadband
    longest = known.longest
    if len(parts) > 2 and parts[2]:
        longest = _quantity(parts[2], "s", said)
        if longest <= 0.0:
            raise TallywireError(f"{parts[2]!r} is no time that a value may stand", where=f"--kept {said}", fix=EXAMPLE)
    return known.model_copy(update={"stored": parts[0], "deadband": deadband, "longest": longest})


def _deadband(loop: Loop, role: str, tag: RecordedTag, text: str, said: str) -> float:
    """In `measured_in` before scaling, as the tag has it; a percentage is of the range of the flow at its end."""
    unit = ROLES[role].unit
    if text.endswith("%") and unit != "%":
        if role not in FLOWS:
            raise TallywireError(
                f"{text!r} of what? {role} has no range here", where=f"--kept {said}", fix=f"write it in {unit}"
            )
        scale = loop.gauge.range if role == "flow" else loop.plc.range
        width = 0.01 * _quantity(text, "%", said) * abs(scale.high - scale.low)
    else:
        width = _quantity(text, unit, said) if unit else _bare(text, said)
    if width < 0.0:
        raise TallywireError(f"a deadband of {text} is below zero", where=f"--kept {said}", fix=EXAMPLE)
    if tag.measured_in and unit:
        width = abs(convert(width, unit, tag.measured_in) - convert(0.0, unit, tag.measured_in))
    return width / abs(tag.scale or 1.0)


def _quantity(text: str, unit: str, said: str) -> float:
    try:
        return parse_quantity(text, unit)
    except ValueError as error:
        raise TallywireError(str(error), where=f"--kept {said}", fix=EXAMPLE) from error


def _bare(text: str, said: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise TallywireError(f"{text!r} is no number", where=f"--kept {said}", fix=EXAMPLE)
    return number


def is_held(site: Site) -> bool:
    """Whether any tag of the site was not stored reading by reading."""
    return any(kept.changes_only(loop, role) for loop in site.loops.values() for role in loop.tags)


def lost(site: Site) -> Iterator[str]:
    """A sentence for each tag that was not stored reading by reading: what is not known because of it, and what is assumed."""
    for name, loop in site.loops.items():
        for role, tag in loop.tags.items():
            if not isinstance(tag, RecordedTag) or tag.stored == "all":
                continue
            said = f"{name}.{role} was stored {SAYS[tag.stored]}"
            width, unit = kept.deadband(loop, role), ROLES[role].unit
            if width:
                span = loop.gauge.range.high - loop.gauge.range.low
                share = f", {100.0 * kept.standard(loop, role) / span:.2g} % of span" if role in FLOWS and span else ""
                said += (
                    f"; the true value lay within {width:.3g} {unit}".rstrip()
                    + f" of it: standard uncertainty {kept.standard(loop, role):.2g} {unit}".rstrip()
                    + f"{share} (rectangular), part of U"
                )
            else:
                said += "; no deadband was stated, so U takes it for exact"
            yield said + ("" if tag.longest is None else f"; no value stands longer than {tag.longest:g} s")
