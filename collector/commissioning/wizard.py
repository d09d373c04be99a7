"""The first site file, from questions in a terminal: what gauge and PLC are set to, and where their values are read."""

from __future__ import annotations

import re
from collections.abc import Collection, Sequence

from collector.commissioning.questions import (
    ADDRESS,
    DEVICE,
    DRIVE,
    GAUGE,
    HINTS,
    LOOP,
    PLC,
    PROTOCOL,
    SITE,
    Ask,
    like_gauge,
    matches,
    tag_line,
    taken,
)
from collector.commissioning.site_draft import SIDES, LoopAnswers, SiteAnswers, usual_device
from collector.exports.asking import Person
from config.errors import TallywireError
from config.roles import ROLES


def interview(person: Person) -> SiteAnswers:
    """Ask for everything; wrong answers are asked again."""
    found = SiteAnswers(site=_all(SITE, person))
    person.tell("\nWhere the values are read. A gauge with Modbus, a PLC with OPC UA is usual; Tallywire only reads.\n")
    while True:
        _endpoint(found, person)
        if not _yes(person, "Another device?", default=len(found.endpoints) < 2):
            break
    while True:
        found.loops.append(_loop(found, person))
        if not _yes(person, "Another loop?", default=False):
            return found


def _all(asks: Sequence[Ask], person: Person) -> dict[str, str]:
    out = {}
    for ask in asks:
        answer = _one(ask, person)
        if answer:
            out[ask.key] = answer
    return out


def _one(ask: Ask, person: Person) -> str:
    while True:
        shown = f" [{ask.usual}]" if ask.usual is not None else f" (such as {ask.example})"
        try:
            return taken(ask, person.ask(f"{ask.asks}{shown}\n> "))
        except TallywireError as error:
            person.tell(f"  {error.what}{'; ' + error.fix if error.fix else ''}\n")


def _yes(person: Person, question: str, *, default: bool) -> bool:
    said = person.ask(f"{question} [{'Y/n' if default else 'y/N'}] > ").lower()
    return default if not said else said.startswith("y")


def _endpoint(found: SiteAnswers, person: Person) -> None:
    name = _new(DEVICE, found.endpoints, person)
    protocol = _one(PROTOCOL, person)
    found.endpoints[name] = {"protocol": protocol, **_all(ADDRESS[protocol], person)}


def _new(ask: Ask, known: Collection[str], person: Person) -> str:
    """A name that is not taken yet."""
    while True:
        name = _one(ask, person)
        if name not in known:
            return name
        person.tell(f"  {name} is there already; name another\n")


def _loop(found: SiteAnswers, person: Person) -> LoopAnswers:
    name = _new(LOOP, [loop.name for loop in found.loops], person)
    person.tell("\nWhat the gauge is set to:\n")
    loop = LoopAnswers(name, gauge=_all(GAUGE, person))
    person.tell("\nWhat the PLC is set to:\n")
    loop.plc = _all([like_gauge(ask, loop.gauge) for ask in PLC], person)
    loop.drive = _all(DRIVE, person)
    for whose, roles in SIDES.items():
        loop.devices[whose] = device = _device(found, person, whose)
        _tags(loop, roles, device, found.endpoints[device]["protocol"], person)
    return loop


def _device(found: SiteAnswers, person: Person, whose: str) -> str:
    names = list(found.endpoints)
    if len(names) == 1:
        return names[0]
    usual = usual_device(found, whose)
    return _one(
        Ask(
            "device",
            f"From which device are the values of the {whose} read?",
            names[0],
            usual,
            matches("|".join(map(re.escape, names)), "device"),
            "",
        ),
        person,
    )


def _tags(loop: LoopAnswers, roles: Sequence[str], device: str, protocol: str, person: Person) -> None:
    person.tell(f"{HINTS[protocol]} Enter: it is not read.\n")
    for role in roles:
        unit = f" [{ROLES[role].unit}]" if ROLES[role].unit else ""
        while True:
            said = person.ask(f"  {role}: {ROLES[role].meaning}{unit} > ")
            if not said:
                if role == "flow":
                    person.tell("  the flow is needed: nothing can be verified without it\n")
                    continue
                break
            if tag_line(said, device, protocol) is None:
                person.tell(f"  {said!r} cannot be read as {'a register' if protocol == 'modbus' else 'a node id'}\n")
                continue
            loop.tags[role] = said
            break
