"""The first site file, from questions in a terminal: what gauge and PLC are set to, and where their values are read."""

from __future__ import annotations

import re

from collector.commissioning.addresses import ADDRESS, addressed, shown, split_host
from collector.commissioning.questions import DEVICE, DRIVE, GAUGE, LOOP, PLC, PROTOCOL, SITE, Ask, like_gauge, matches
from collector.commissioning.site_draft import SIDES, LoopAnswers, SiteAnswers, usual_device
from collector.commissioning.talk import every, new, one, say, yes
from collector.commissioning.wizard_tags import Devices, ask_tags, read_them
from collector.exports.asking import Person


def interview(person: Person, devices: Devices, found: SiteAnswers | None = None) -> SiteAnswers:
    """Ask for everything, with what the devices themselves offer; wrong answers are asked again.

    Parameters
    ----------
    person : Person
        Who is asked.
    devices : Devices
        How devices are looked at, where the person wants it.
    found : SiteAnswers, optional
        Takes the answers as they come, so that they are there when somebody stops.
    """
    found = SiteAnswers() if found is None else found
    found.site.update(every(SITE, person))
    person.tell("\n")
    say(
        person,
        "Where the values are read: every device once, with its address. A gauge with Modbus and a PLC with OPC UA is usual. "
        "Tallywire only reads.",
    )
    while True:
        _endpoint(found, person)
        if not yes(person, "Another device?", default=len(found.endpoints) < 2):
            break
    while True:
        _loop(found, person, devices)
        if not yes(person, "Another loop?", default=False):
            return found


def _endpoint(found: SiteAnswers, person: Person) -> None:
    name = new(DEVICE, found.endpoints, person)
    protocol = one(PROTOCOL, person)
    said: dict[str, str] = {}
    for ask in ADDRESS[protocol]:
        if ask.key == "port" and (port := split_host(said["host"])[1]):
            say(person, f"port {port}, from the host", first="  ")
            continue
        said[ask.key] = one(ask, person)
    found.endpoints[name] = {"protocol": protocol, **addressed(said, port_said="port" in said)}
    say(person, f"{name}: {shown(found.endpoints[name])}", first="  ")


def _loop(found: SiteAnswers, person: Person, devices: Devices) -> None:
    loop = LoopAnswers(new(LOOP, [loop.name for loop in found.loops], person))
    person.tell("\nWhat the gauge is set to:\n")
    loop.gauge = every(GAUGE, person)
    person.tell("\nWhat the PLC is set to:\n")
    loop.plc = every([like_gauge(ask, loop.gauge) for ask in PLC], person)
    person.tell("\nThe drive of the belt:\n")
    loop.drive = every(DRIVE, person)
    found.loops.append(loop)
    for whose in SIDES:
        loop.devices[whose] = _device(found, person, whose)
        ask_tags(found, loop, whose, person, devices)
    read_them(found, loop, list(SIDES), person, devices)


def _device(found: SiteAnswers, person: Person, whose: str) -> str:
    names = list(found.endpoints)
    person.tell("\n")
    if len(names) == 1:
        return names[0]
    which = f"From which device are the values of the {whose} read: {', '.join(names)}?"
    return one(
        Ask("device", which, names[0], _likely(found, whose), matches("|".join(map(re.escape, names)), "device"), ""), person
    )


def _likely(found: SiteAnswers, whose: str) -> str:
    """The device that no other loop has for its gauge yet; for the PLC the one that the loop before had."""
    before = [loop.devices[whose] for loop in found.loops if whose in loop.devices]
    if whose == "PLC" and before:
        return before[-1]
    free = SiteAnswers(endpoints={name: item for name, item in found.endpoints.items() if name not in before})
    return usual_device(free if free.endpoints else found, whose)
