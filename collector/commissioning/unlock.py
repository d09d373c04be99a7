"""Which further tag is worth most for a loop: what each would let verify, which causes it would let name, and how little it costs."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

from checks.causes import registry
from checks.causes.naming import Naming, mates, naming, tags_of
from checks.causes.separability import REFERENCES, VARIED
from collector.commissioning.abilities import ABILITIES, missing
from config.model import RecordedTag, Site
from config.roles import ROLES, Side

INSTRUMENTS = frozenset({"loop_current", "loop_supply_voltage", "cabinet_temperature", "ambient_temperature", "moisture"})
"""Roles that seldom lie in a device already: something must be mounted and wired. Common practice, no source."""
MOST_TOGETHER = 2
MOST_FREE = 3
PER_ABILITY, PER_CAUSE, PER_PAIR = 3, 2, 1
"""Weights of what a tag unlocks; own estimate."""


class Cost(IntEnum):
    """What it takes to have a tag, the cheapest first. Common practice, no source."""

    FREE = 0
    """The loop is read from that device already: one more line in the site file."""
    LINE = 1
    """A line of the site file about the plant, with nothing to read."""
    CONNECTION = 2
    """A device that the loop is not read from yet."""
    WORK = 3
    """Material tests: people and a reference weight, no wiring."""
    INSTRUMENT = 4
    """Something to mount and to wire."""


WORDS = {
    Cost.FREE: "free: one more line, the device is read already",
    Cost.LINE: "free: a line of the site file, nothing to read",
    Cost.CONNECTION: "a connection to a device that this loop is not read from yet",
    Cost.WORK: "work: lots that something else weighs, typed into the ledger",
    Cost.INSTRUMENT: "something to mount and wire, unless a device has it already",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlock:
    """What a loop would gain by something that it lacks: what could be verified, causes that could be named, pairs that could be told apart."""

    needs: tuple[str, ...]
    cost: Cost
    verifies: tuple[str, ...]
    names: tuple[str, ...]
    parts: tuple[tuple[str, str], ...]

    @property
    def worth(self) -> int:
        """The more the better."""
        return PER_ABILITY * len(self.verifies) + PER_CAUSE * len(self.names) + PER_PAIR * len(self.parts)


def unlocks(site: Site, loop_id: str) -> list[Unlock]:
    """What would help, the cheapest first, of those the most worth first. One thing, or two where one alone gives less than both."""
    loop = site.loops[loop_id]
    has = tags_of(site, loop_id)
    now = naming(has)
    wanted: list[tuple[str, ...]] = [(role,) for role in (*ROLES, REFERENCES) if role not in has]
    lacking = [missing(ability, loop, has) for ability in ABILITIES]
    wanted += [tuple(items) for items in lacking if items and (len(items) == MOST_TOGETHER or items[0] not in ROLES)]
    wanted += [roles for roles in now.missing.values() if len(roles) == MOST_TOGETHER]
    found: dict[tuple[str, ...], Unlock] = {}
    for needs in wanted:
        key = tuple(sorted(needs))
        if key not in found and VARIED not in key and len(key) <= MOST_TOGETHER:
            found[key] = _unlock(site, loop_id, needs, has, now)
    single = {item.needs[0]: item.worth for item in found.values() if len(item.needs) == 1}
    useful = [
        item
        for item in found.values()
        if item.worth and (len(item.needs) == 1 or item.worth > sum(single.get(need, 0) for need in item.needs))
    ]
    return _covering(sorted(useful, key=lambda item: (item.cost, -item.worth, len(item.needs))))


def _covering(useful: list[Unlock]) -> list[Unlock]:
    """Of several that need the same role only the first is told; of what costs something only the best of each kind."""
    out: list[Unlock] = []
    for item in useful:
        alike = sum(other.cost is item.cost for other in out)
        known = any(set(item.needs) & set(other.needs) for other in out)
        if not known and alike < (MOST_FREE if item.cost <= Cost.LINE else 1):
            out.append(item)
    return out


def _unlock(site: Site, loop_id: str, needs: tuple[str, ...], has: frozenset[str], now: Naming) -> Unlock:
    loop = site.loops[loop_id]
    then = has | set(needs)
    after = naming(then)
    verifies = tuple(
        ability.what for ability in ABILITIES if (lacking := set(missing(ability, loop, has))) and not lacking - set(needs)
    )
    names = tuple(cause for cause in now.missing if cause not in after.missing)
    parts = tuple(
        (one, other)
        for one, others in now.sets.items()
        if one in registry()
        for other in others
        if one < other and other in now.sets and other not in mates(one, then)
    )
    return Unlock(
        needs=needs, cost=max(_cost(site, loop_id, need) for need in needs), verifies=verifies, names=names, parts=parts
    )


def _cost(site: Site, loop_id: str, need: str) -> Cost:
    if need == REFERENCES:
        return Cost.WORK
    if need not in ROLES:
        return Cost.LINE
    if need in INSTRUMENTS:
        return Cost.INSTRUMENT
    tags = site.loops[loop_id].tags
    if all(isinstance(tag, RecordedTag) for tag in tags.values()):
        return Cost.CONNECTION
    plc_sides = {Side.PLC, Side.DRIVE, Side.PLANT}
    side = {Side.GAUGE} if ROLES[need].side is Side.GAUGE else plc_sides
    return (
        Cost.FREE
        if any(ROLES[role].side in side for role, tag in tags.items() if not isinstance(tag, RecordedTag))
        else Cost.CONNECTION
    )
