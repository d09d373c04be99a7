"""What the tags of a loop can name: which causes alone, which only as a set, which not at all, and which tag would help most."""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from dataclasses import dataclass

from checks.causes import registry
from checks.causes.separability import DECLARED, REFERENCES, VARIED, pairs
from config.model import Loop, Site
from config.roles import ROLES


@dataclass(frozen=True, slots=True, kw_only=True)
class Naming:
    """Ids of causes: `alone` with what stays beside nobody, `sets` with those that stay beside it, `missing` with the roles that
    would be needed. `extra` is what each further tag would part: role and number of pairs, the best first."""

    alone: tuple[str, ...]
    sets: dict[str, tuple[str, ...]]
    missing: dict[str, tuple[str, ...]]
    extra: tuple[tuple[str, int], ...]


def tags_of(site: Site, loop_id: str) -> frozenset[str]:
    """The roles that a loop has for telling causes apart."""
    loop: Loop = site.loops[loop_id]
    found = {role for role, tag in loop.tags.items() if role != "loop_current" or tag.independent}
    if any(entry.loop == loop_id for entry in site.ledger.material_tests):
        found.add(REFERENCES)
    if any(entry.loop == loop_id and entry.moisture is not None for entry in site.ledger.material_tests):
        found.add("moisture")
    if loop.drive.variable:
        found.add(VARIED)
    return frozenset(found)


def mates(cause: str, tags: AbstractSet[str]) -> tuple[str, ...]:
    """The causes that stay beside one because no tag of `tags` parts the two, in the order of the catalogue."""
    table = pairs()
    found = ((other, table.get(frozenset((cause, other)))) for other in registry())
    return tuple(other for other, by in found if by is not None and not any(roles <= tags for roles in by))


def cheapest(one: str, other: str, tags: AbstractSet[str]) -> tuple[str, ...]:
    """The fewest roles beyond `tags` that would part two causes, in the order of the table; empty where none would, or none is needed."""
    ways = [tuple(sorted(roles - tags)) for roles in pairs().get(frozenset((one, other)), ())]
    return min(ways, key=len, default=())


def naming(tags: AbstractSet[str]) -> Naming:
    """What these roles can name. A cause stays in a set while a cause that looks like it is not parted from it by any tag."""
    known = registry()
    alone: list[str] = []
    sets: dict[str, tuple[str, ...]] = {}
    missing: dict[str, tuple[str, ...]] = {}
    for cause in known.values():
        lacking = tuple(role for role in cause.roles if role not in tags)
        if lacking:
            missing[cause.id] = lacking
            continue
        beside = mates(cause.id, tags)
        if beside:
            sets[cause.id] = beside
        else:
            alone.append(cause.id)
    return Naming(alone=tuple(alone), sets=sets, missing=missing, extra=extra_tags(tags))


def extra_tags(tags: AbstractSet[str]) -> tuple[tuple[str, int], ...]:
    """Each role that is not there, with the number of pairs it would part by itself, among causes that can be named now.

    Roles that part none are left out.
    """
    able = {cause.id for cause in registry().values() if set(cause.roles) <= tags}
    open_pairs = [by for pair, by in pairs().items() if pair <= able and by and not any(roles <= tags for roles in by)]
    found = []
    for role in (*ROLES, *DECLARED):
        if role in tags:
            continue
        parted = sum(any(roles <= tags | {role} for roles in by) for by in open_pairs)
        if parted:
            found.append((role, parted))
    return tuple(sorted(found, key=lambda item: -item[1]))


def partners(cause: str) -> tuple[tuple[str, str], ...]:
    """The causes that look like this one, each with the measurement that parts the two; from both sides of the catalogue."""
    known = registry()
    out = {item.cause: item.separated_by for item in known[cause].look_alikes}
    for other in known.values():
        words = other.separated_from(cause)
        if words:
            out.setdefault(other.id, words)
    return tuple(out.items())
