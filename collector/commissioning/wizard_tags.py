"""The tags of a loop asked for in a terminal: proposals of a server beside them, and registers read once to see whether they can be right."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from collector.commissioning.looking import READ_BACK, Ends, Looked, Proposal, ReadOnce, ReadTag, ends_of
from collector.commissioning.registers import RATE
from collector.commissioning.site_draft import SIDES, LoopAnswers, SiteAnswers, roles_of
from collector.commissioning.tag_words import HINTS, read_tag
from collector.commissioning.talk import INDENT, refuse, say, yes
from collector.exports.asking import Person
from collector.replay.text import WIDTH, wrapped
from config.cautions import caution_text
from config.errors import TallywireError
from config.roles import ROLES

LEAVE = "-"
ROOM = 56
"""A question that is longer leaves no room for a register behind it."""
EMPTY = (
    "no two stations of the chain show the same flow, or the belt is empty: registers cannot be told apart then. With load on the belt, "
    "run tallywire survey on the file"
)


class Devices(Protocol):
    """How devices are looked at. `rate` is the most requests a second to one of them."""

    rate: float

    def look(self, found: SiteAnswers, loop: LoopAnswers, whose: str) -> Looked | None:
        """Walk the server of a side; None where the person broke it off. TallywireError where it cannot be."""
        ...

    def read(self, found: SiteAnswers, loop: LoopAnswers) -> ReadOnce | None:
        """Read the tags that are answered; None where the person broke it off. TallywireError where it cannot be."""
        ...


def ask_tags(found: SiteAnswers, loop: LoopAnswers, whose: str, person: Person, devices: Devices) -> None:
    """Ask where each value of a side is read, with what its device offers."""
    device = loop.devices[whose]
    protocol = found.endpoints[device]["protocol"]
    say(person, f"Where the values of the {whose} of {loop.name} are read in {device}.")
    looked = _look(found, loop, whose, person, devices) if protocol == "opcua" else None
    offered = looked.proposals if looked is not None else {}
    how = (
        "Enter takes what stands in brackets, - leaves it out, another node id goes before it."
        if offered
        else "Enter: it is not read."
    )
    say(person, f"{HINTS[protocol].replace('`', '')} {how}")
    for role in roles_of(whose):
        if role in READ_BACK and (looked is not None or role != "plc_range_high"):
            continue
        if role in SIDES[whose] or role in offered:
            _tag(loop, role, device, protocol, offered.get(role), person)
    if looked is not None:
        _read_back(loop, looked, person)
        _ends(loop, whose, ends_of(looked, loop, whose), person)
    if protocol == "modbus" and whose != list(SIDES)[-1]:
        read_them(found, loop, [whose], person, devices)


def _look(found: SiteAnswers, loop: LoopAnswers, whose: str, person: Person, devices: Devices) -> Looked | None:
    device = loop.devices[whose]
    question = f"Look at what {device} has and propose its nodes? Read only, at most {_rate(devices)} requests a second"
    if not yes(person, question, default=True):
        return None
    try:
        looked = devices.look(found, loop, whose)
    except TallywireError as error:
        refuse(person, error)
        say(person, "Go on by hand; tallywire survey --browse can look later.", first=INDENT, rest=INDENT)
        return None
    if looked is None:
        say(person, "Broken off; go on by hand.", first=INDENT)
        return None
    space, count = looked.browsed.space, len(looked.proposals)
    say(
        person, f"{len(looked.browsed.offers)} variables in {space.nodes} nodes, {space.requests} requests; {count or 'none'} of them could be "
        f"values of {loop.name}. Nothing was written.", first=INDENT, rest=INDENT,
    )  # fmt: skip
    if space.cut:
        say(person, f"not walked to its end: {space.cut}", first="! ", rest=INDENT)
    if looked.flow is not None:
        say(person, f"{loop.name} carries {looked.flow:,.4g} t/h now; values were held against it.", first=INDENT, rest=INDENT)
    else:
        say(person, "No flow is known yet, or the belt is empty: names, units and ranges decide, so look at each value.",
            first=INDENT, rest=INDENT)  # fmt: skip
    return looked


def _rate(devices: Devices) -> str:
    return f"{devices.rate:g}" if devices.rate else f"{RATE:g}"


def _tag(loop: LoopAnswers, role: str, device: str, protocol: str, proposal: Proposal | None, person: Person) -> None:
    """Ask for one tag until it can be read, or is left out."""
    unit = f" [{ROLES[role].unit}]" if ROLES[role].unit else ""
    lines = wrapped(f"{role}: {ROLES[role].meaning}{unit}", first=INDENT, rest=INDENT * 2)
    if proposal is not None:
        lines += wrapped(f"[{proposal.said}  {proposal.shown}]", first=INDENT * 2, rest=INDENT * 2)
        doubt = "; only its value speaks for it: look twice" if proposal.weak else ""
        lines += wrapped(f"by {', '.join(proposal.why)}{doubt}" if proposal.why else "", first=INDENT * 2, rest=INDENT * 2)
    asked = f"{lines[0]} > " if len(lines) == 1 and len(lines[0]) < ROOM else "\n".join([*lines, f"{INDENT}> "])
    while True:
        said = person.ask(asked) or (proposal.said if proposal is not None else "")
        if said in ("", LEAVE):
            if role != "flow":
                loop.tags.pop(role, None)
                return
            say(person, "the flow is needed: nothing can be verified without it", first=INDENT, rest=INDENT)
            continue
        try:
            read_tag(said, device, protocol, role)
        except TallywireError as error:
            refuse(person, error)
            continue
        loop.tags[role] = said
        return


def _read_back(loop: LoopAnswers, looked: Looked, person: Person) -> None:
    """Range and unit that the server tells with the flow of the PLC are read as well: the check of the setup lives on them."""
    if "plc_flow" not in loop.tags:
        return
    mine = {role: item for role, item in looked.with_flow(loop.tags["plc_flow"]).items() if role in READ_BACK}
    for role, item in mine.items():
        loop.tags[role] = item.said
    shown = ", ".join(f"{role} {item.shown}" for role, item in mine.items())
    if shown:
        say(person, f"Read back with the flow, so that every change of them is seen: {shown}.", first=INDENT, rest=INDENT)


def _ends(loop: LoopAnswers, whose: str, ends: Ends | None, person: Person) -> None:
    if ends is None:
        return
    question = f"The server says the range of the {whose} is {ends.server}, you answered {ends.answered}. Take {ends.server}?"
    if yes(person, question, default=True):
        side = loop.gauge if whose == "gauge" else loop.plc
        side["low"], side["high"] = ends.low, ends.high


def read_them(found: SiteAnswers, loop: LoopAnswers, sides: Sequence[str], person: Person, devices: Devices) -> None:
    """Offer to read the tags once, show each with its verdict, and offer what would put it right; again after a change."""
    roles = [role for whose in sides for role in roles_of(whose) if role in loop.tags]
    names = list(dict.fromkeys(loop.devices[whose] for whose in sides))
    again = False
    while roles:
        head = (
            "Read them once more" if again else f"Read the {len(roles)} values of {loop.name} from {' and '.join(names)} once"
        )
        question = f"{head} and see whether they can be right? Read only, at most {_rate(devices)} requests a second"
        if not yes(person, question, default=True):
            return
        try:
            seen = devices.read(found, loop)
        except TallywireError as error:
            refuse(person, error)
            return
        if seen is None:
            say(person, "Broken off.", first=INDENT)
            return
        _show(loop, seen, person)
        changes = [
            _mend(found, loop, item, person) for item in seen.odd if item.role in roles and not _down(found, loop, item, seen)
        ]
        if not any(changes):
            return
        again = True


def _show(loop: LoopAnswers, seen: ReadOnce, person: Person) -> None:
    for name, reason in seen.failures.items():
        say(
            person, f"{name} could not be read: {reason}. Is it on, and is the address right? The file is written anyway; run tallywire survey "
            "later.", first="! ", rest=INDENT,
        )  # fmt: skip
    if len(seen.failures) == len(set(loop.devices.values())):
        return
    for item in seen.tags:
        verdict = "cannot be right" if item.odd else {0: "good", 1: "uncertain"}.get(item.quality, "bad")
        person.tell(f"{'! ' if item.odd else INDENT}{item.role:<22}{item.shown:>22}  {verdict}\n")
    if seen.agreed is None:
        say(person, EMPTY + ".", first="! ", rest=INDENT)
    else:
        say(
            person,
            f"{loop.name} carries {seen.agreed[0]:,.4g} t/h now, by {', '.join(seen.agreed[1])}.",
            first=INDENT,
            rest=INDENT,
        )
    if any(item.now for item in seen.odd):
        person.tell(f"\n{caution_text(WIDTH)}\n")
    if not seen.odd:
        say(person, "Nothing speaks against any value that was read.", first=INDENT)


def _down(found: SiteAnswers, loop: LoopAnswers, item: ReadTag, seen: ReadOnce) -> bool:
    """Whether the device of a tag did not answer at all, which is no fault of the tag."""
    return any(loop.devices[whose] in seen.failures for whose in loop.devices if item.role in roles_of(whose))


def _mend(found: SiteAnswers, loop: LoopAnswers, item: ReadTag, person: Person) -> bool:
    """Offer what would put a value right, or ask for another place; whether something was changed."""
    say(person, f"{item.role}: {item.odd}", first="! ", rest=INDENT)
    for better in item.better:
        if yes(person, f"{INDENT}{better.words} gives {better.shown}. Take it?", default=True):
            loop.tags[item.role] = better.said
            return True
    if item.now:
        say(person, f"{item.now}.".replace("`", ""), first=INDENT * 2, rest=INDENT * 2)
    whose = next(side for side in loop.devices if item.role in roles_of(side))
    device = loop.devices[whose]
    before = loop.tags[item.role]
    _tag(loop, item.role, device, found.endpoints[device]["protocol"], Proposal(said=before, shown="as it is"), person)
    return loop.tags.get(item.role) != before
