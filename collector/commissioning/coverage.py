"""What a loop can and cannot verify with the tags it has, why, and what would help most: words for who writes the site file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from checks.causes import registry
from checks.causes.naming import naming, tags_of
from checks.causes.separability import REFERENCES
from checks.result import Link
from collector.commissioning.abilities import ABILITIES, meaning, missing, name
from collector.commissioning.unlock import WORDS, Unlock, unlocks
from collector.replay.text import wrapped
from config.load import LoadedSite
from config.model import Loop, Site
from config.roles import ROLES, Kind

PATH: tuple[tuple[str, str], ...] = (
    ("gauge_output", "gauge output"), ("loop_current", "wire"), ("ai_raw", "input card"), ("plc_flow", "scaling block"),
)  # fmt: skip
"""Stations on the way from the gauge to the screen: a break can be pinned to a stretch between two that are read."""
MOST_NAMED = 6
DEPENDENT = "a loop_current that something else measures than the card behind ai_raw (independent: true)"
"""What is lacking where the tag is there and says nothing of its own."""


def summary(loaded: LoadedSite) -> str:
    """The text that `validate` prints for a sound site file, at most 80 columns wide."""
    site = loaded.site
    tags = sum(len(loop.tags) for loop in site.loops.values())
    title = f" ({site.title})" if site.title else ""
    lines = [
        f"ok: {loaded.path}",
        *wrapped(f"site {site.site}{title}: {_count(len(site.loops), 'loop')}, {_count(len(site.endpoints), 'endpoint')}, "
                 f"{_count(tags, 'tag')}; time zone {site.time_zone}, shifts from {', '.join(site.shifts)}"),
        f"site file {loaded.sha256[:12]}",
    ]  # fmt: skip
    ledger = site.ledger
    entries = [(len(ledger.material_tests), "material test"), (len(ledger.tares), "tare"), (len(ledger.spans), "span run")]
    if any(number for number, _ in entries):
        lines += wrapped("ledger: " + ", ".join(_count(number, word) for number, word in entries if number))
    for warning in loaded.warnings:
        lines += wrapped(str(warning), first="warning: ", rest="         ")
    told: dict[tuple[str, ...], str] = {}
    for loop_id, loop in site.loops.items():
        said = tuple(_loop(site, loop_id))
        title = f"  {loop.title}" if loop.title else ""
        lines += ["", f"{loop_id}{title}", *([f"  as {told[said]}"] if said in told else said)]
        told.setdefault(said, loop_id)
    return "\n".join(lines) + "\n"


def _loop(site: Site, loop_id: str) -> list[str]:
    loop, has = site.loops[loop_id], tags_of(site, loop_id)
    kinds = Counter(ROLES[role].kind for role in loop.tags)
    parts = [f"{kinds[kind]} {word}" for kind, word in _KINDS.items() if kinds[kind]]
    lines = wrapped(f"{_count(len(loop.tags), 'tag')}: {', '.join(parts)}", first="  ", rest="  ")
    for question, answer in plain(loop, has):
        lines += wrapped(answer, first=f"  {question} ", rest="      ")
    lacking: list[str] = []
    for link in Link:
        said = [(ability.what, missing(ability, loop, has)) for ability in ABILITIES if ability.link is link]
        can = [what for what, needs in said if not needs]
        head = f"  {link.value:<15}"
        entries = [("verifies ", "; ".join(can))] if can else []
        for what, needs in said:
            if needs:
                lacks = [DEPENDENT if need in loop.tags else name(need) for need in needs]
                entries.append(("cannot   ", f"{what}: needs {' and '.join(lacks)}"))
                lacking += needs
        for verb, words in entries:
            lines += wrapped(words, first=head + verb, rest=" " * (len(head) + len(verb)))
            head = " " * len(head)
    lines += _meanings(lacking)
    return lines + _causes(site, loop_id) + _unlocks(unlocks(site, loop_id))


def plain(loop: Loop, has: frozenset[str]) -> list[tuple[str, str]]:
    """What people ask of a loop, each with yes, in part or no, and why; `has` are its roles as `tags_of` gives them."""
    return [
        ("Does the screen show what the gauge weighs?", _ends(has)),
        ("If not, where does it break?", _place(has)),
        ("Is the gauge's flow what its detector counts say?", _own_flow(loop, has)),
        ("Do the totals add up?", _totals(has)),
        ("Is the weight true?", _weight(has)),
    ]


def _ends(has: frozenset[str]) -> str:
    if "plc_flow" in has:
        return "Yes, that can be said."
    if "ai_raw" in has:
        return "In part: as far as the input card; what the PLC makes of it (plc_flow) is not read."
    return "No: neither plc_flow nor ai_raw is read, so nothing of the far end is known."


def _place(has: frozenset[str]) -> str:
    read = [words for role, words in PATH if role in has]
    if not read:
        return "Nothing on the way is read."
    if len(read) == len(PATH):
        return "It can be pinned to the gauge output, the wire, the input card or the scaling block."
    unread = [f"{words} ({role})" for role, words in PATH if role not in has]
    return f"It can be pinned only as finely as {_and(read)} {'is' if len(read) == 1 else 'are'} read; not read: {', '.join(unread)}."


def _own_flow(loop: Loop, has: frozenset[str]) -> str:
    ability = next(item for item in ABILITIES if item.what == "flow from counts and speed")
    lacking = missing(ability, loop, has)
    return "Yes." if not lacking else f"No: {_and([name(item) for item in lacking])} would be needed."


def _totals(has: frozenset[str]) -> str:
    sums = {"the gauge's": ("gauge_total", "flow"), "the PLC's": ("plc_total", "plc_flow")}
    can = [words for words, roles in sums.items() if set(roles) <= has]
    if len(can) == len(sums):
        return "Yes, both can be held against their flows."
    needed = [role for roles in sums.values() for role in roles if role not in has]
    return f"{f'Only {can[0]}' if can else 'No'}: not read: {', '.join(dict.fromkeys(needed))}."


def _weight(has: frozenset[str]) -> str:
    if REFERENCES in has:
        return "As far as the material tests in the ledger reach."
    return "No: a chain that agrees does not prove it, and the ledger has no material test of this loop."


def _meanings(lacking: Sequence[str]) -> list[str]:
    if not lacking:
        return []
    lines = ["  what is lacking:"]
    for item in dict.fromkeys(lacking):
        lines += wrapped(f"{name(item)}: {meaning(item)}", first="    ", rest="      ")
    return lines


def _causes(site: Site, loop_id: str) -> list[str]:
    found = naming(tags_of(site, loop_id))
    return wrapped(
        f"of {len(registry())} known causes {len(found.alone)} can be named alone, {len(found.sets)} only with others that look alike, "
        f"{len(found.missing)} not at all (`tallywire causes --site` lists them)", first="  ", rest="  ",
    )  # fmt: skip


def _unlocks(found: Sequence[Unlock]) -> list[str]:
    """What would help, the cheapest first, with what it would let verify and name."""
    if not found:
        return ["  nothing more would help that is known here"]
    lines = ["  what would help most, the cheapest first:"]
    for place, item in enumerate(found, 1):
        needs = " and ".join(f"{name(need)} ({meaning(need)})" if need in ROLES else name(need) for need in item.needs)
        lines += wrapped(f"{needs}; {WORDS[item.cost]}", first=f"  {place}. ", rest="     ")
        if item.verifies:
            lines += wrapped(f"then verifies {'; '.join(item.verifies)}", first="     ", rest="       ")
        if item.names:
            lines += wrapped(f"then names {_some(item.names)}", first="     ", rest="       ")
        if item.parts:
            told = [f"{one} from {other}" for one, other in item.parts]
            lines += wrapped(f"then tells {_some(told, 3)}", first="     ", rest="       ")
    return lines


def _some(items: Sequence[str], most: int = MOST_NAMED) -> str:
    return ", ".join(items[:most]) + (f" and {len(items) - most} more" if len(items) > most else "")


def _and(items: Sequence[str]) -> str:
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} and {items[-1]}"


_KINDS = {Kind.NUMBER: "numbers", Kind.BIT: "bits", Kind.TOTAL: "totals", Kind.SETTING: "settings"}


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
