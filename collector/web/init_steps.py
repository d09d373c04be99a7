"""The steps of a first site file: which can be gone to, what they ask, and how a form is taken into the answers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from collector.commissioning.addresses import ADDRESS, USUAL_PORT, addressed
from collector.commissioning.questions import (
    BOTH,
    DEVICE,
    DRIVE,
    GAUGE,
    LOOP,
    PLC,
    PROTOCOL,
    SITE,
    Ask,
    belonging,
    like_gauge,
    taken,
)
from collector.commissioning.site_draft import SIDES, LoopAnswers, SiteAnswers, roles_of, usual_device
from collector.commissioning.tag_words import read_tag
from config.errors import TallywireError

MOST_DEVICES, MOST_LOOPS = 50, 50
STEPS = {
    "site": "The site", "devices": "Devices", "gauge": "Gauge", "plc": "PLC and drive", "tags": "Tags", "loops": "Loops", "result": "The file",
}  # fmt: skip

Take = Callable[[SiteAnswers, int, Mapping[str, str], dict[str, TallywireError]], str]
"""Takes the form of a step into the answers, tells what is wrong, and says where to go on."""


def number_of(text: str) -> int:
    """A loop by its place, 0 where the text is no such number."""
    return int(text) if text.isascii() and text.isdigit() and len(text) < 4 else 0


def reached(found: SiteAnswers) -> set[str]:
    """Steps that can be gone to."""
    out = {"site"}
    if found.site.get("site"):
        out.add("devices")
    if found.endpoints:
        out |= {"gauge", "loops"}
    if found.loops:
        out |= {"plc", "tags", "result"}
    return out if found.loops else out - {"loops"}


def possible(found: SiteAnswers, step: str, number: int) -> tuple[str, int]:
    """The step that was asked for, or the last that can be gone to before it; the loop, or a new one for its first step."""
    can = reached(found)
    names = list(STEPS)
    at = names.index(step) if step in STEPS else 0
    step = next(name for name in names[at::-1] if name in can)
    most = len(found.loops) if step == "gauge" else len(found.loops) - 1
    return step, max(0, min(number, most))


def step_of(path: str, found: SiteAnswers) -> str:
    """The query of the step in which a problem can be mended, by its dotted path in the file."""
    for number, loop in enumerate(found.loops):
        place = f"loops.{loop.name}."
        if path.startswith(place):
            part = path.removeprefix(place).partition(".")[0]
            step = {"gauge": "gauge", "plc": "plc", "drive": "plc", "tags": "tags"}.get(part, "gauge")
            return f"step={step}&loop={number}"
    return "step=devices" if path.startswith("endpoints") else "step=loops" if path.startswith("loops") else "step=site"


def asks_of(step: str, loop: LoopAnswers) -> Sequence[tuple[str, Sequence[Ask]]]:
    """The questions of a step under their headings."""
    if step == "site":
        return [("", SITE)]
    if step == "gauge":
        return [("", (LOOP,)), ("What the gauge is set to", GAUGE)]
    if step == "plc":
        return [("What the PLC is set to", [like_gauge(ask, loop.gauge) for ask in PLC]), ("The drive of the belt", DRIVE)]
    return []


def said_before(found: SiteAnswers, loop: LoopAnswers, step: str) -> dict[str, str]:
    """What was answered in this step, by the names of its fields."""
    if step == "site":
        return dict(found.site)
    if step == "gauge":
        return {"name": loop.name, **loop.gauge} if loop.name else {}
    if step == "plc":
        return {**loop.plc, **loop.drive}
    if step == "tags":
        return {**loop.tags, **{f"device-{whose}": name for whose, name in loop.devices.items()}}
    return {}


def _answered(asks: Sequence[Ask], form: Mapping[str, str], wrong: dict[str, TallywireError]) -> dict[str, str]:
    out: dict[str, str] = {}
    for ask in asks:
        try:
            answer = taken(belonging(ask, out) or ask, form.get(ask.key, ""))
        except TallywireError as problem:
            wrong[ask.key] = problem
            continue
        if answer and ask.after and ask.after not in out:
            wrong.setdefault(ask.after, TallywireError("this and the answer behind it belong together", fix=BOTH))
        if answer:
            out[ask.key] = answer
    return out


def _site(found: SiteAnswers, _: int, form: Mapping[str, str], wrong: dict[str, TallywireError]) -> str:
    said = _answered(SITE, form, wrong)
    if not wrong:
        found.site = said
    return "step=devices"


def _devices(found: SiteAnswers, _: int, form: Mapping[str, str], wrong: dict[str, TallywireError]) -> str:
    if form.get("remove"):
        found.endpoints.pop(form["remove"], None)
        return "step=devices"
    if form.get("do") == "on":
        if not found.endpoints:
            wrong["devices"] = TallywireError("no device is there yet", fix="add the gauge first")
        return "step=gauge&loop=0"
    protocol = form.get("protocol", "")
    named = _answered((DEVICE, PROTOCOL), form, wrong)
    said = _answered(ADDRESS.get(protocol, ()), form, wrong)
    if named.get("name") in found.endpoints:
        wrong["name"] = TallywireError(f"{named['name']} is there already", fix="name another, or remove it first")
    if len(found.endpoints) >= MOST_DEVICES:
        wrong["name"] = TallywireError(f"more than {MOST_DEVICES} devices", fix="add the others in the file")
    try:
        said = addressed(said, port_said=form.get("port", "") not in ("", USUAL_PORT))
    except TallywireError as problem:
        wrong.setdefault("host", problem)
    if not wrong:
        found.endpoints[named["name"]] = {"protocol": protocol, **said}
    return "step=devices"


def _gauge(found: SiteAnswers, number: int, form: Mapping[str, str], wrong: dict[str, TallywireError]) -> str:
    named, said = _answered((LOOP,), form, wrong), _answered(GAUGE, form, wrong)
    others = [loop.name for at, loop in enumerate(found.loops) if at != number]
    if named.get("name") in others:
        wrong["name"] = TallywireError(f"{named['name']} is there already", fix="name another")
    if wrong:
        return ""
    if number == len(found.loops):
        if number >= MOST_LOOPS:
            wrong["name"] = TallywireError(f"more than {MOST_LOOPS} loops", fix="add the others in the file")
            return ""
        found.loops.append(LoopAnswers())
    loop = found.loops[number]
    loop.name, loop.gauge = named["name"], said
    return f"step=plc&loop={number}"


def _plc(found: SiteAnswers, number: int, form: Mapping[str, str], wrong: dict[str, TallywireError]) -> str:
    loop = found.loops[number]
    plc, drive = _answered([like_gauge(ask, loop.gauge) for ask in PLC], form, wrong), _answered(DRIVE, form, wrong)
    if not wrong:
        loop.plc, loop.drive = plc, drive
    return f"step=tags&loop={number}"


def _tags(found: SiteAnswers, number: int, form: Mapping[str, str], wrong: dict[str, TallywireError]) -> str:
    tags_so_far(found, number, form, wrong)
    if not form.get("flow", "").strip():
        wrong["flow"] = TallywireError("the flow is needed", fix="nothing can be verified without it")
    loop = found.loops[number]
    for whose, side in (("gauge", loop.gauge), ("PLC", loop.plc)):
        low, _, high = form.get(f"ends-{whose}", "").partition(" to ")
        ends = _answered([ask for ask in GAUGE if ask.key in ("low", "high")], {"low": low, "high": high}, {}) if high else {}
        if not wrong and len(ends) == 2:
            side.update(ends)
    return "step=loops"


def tags_so_far(found: SiteAnswers, number: int, form: Mapping[str, str], wrong: dict[str, TallywireError]) -> None:
    """Take the tags of a form; the flow may still be missing."""
    devices = {whose: form.get(f"device-{whose}", "") or usual_device(found, whose) for whose in SIDES}
    for whose, device in devices.items():
        if device not in found.endpoints:
            wrong[f"device-{whose}"] = TallywireError("this device is not there", fix="choose one of the list")
    if wrong:
        return
    tags = tags_of(found, form, form, wrong)
    if not wrong:
        loop = found.loops[number]
        loop.devices, loop.tags = devices, tags


def tags_of(
    found: SiteAnswers, values: Mapping[str, str], form: Mapping[str, str], wrong: dict[str, TallywireError] | None = None
) -> dict[str, str]:
    """The tags among values by role that can be read from the devices that a form names; why others cannot goes to `wrong`."""
    tags = {}
    for whose in SIDES:
        device = form.get(f"device-{whose}", "") or usual_device(found, whose)
        protocol = found.endpoints.get(device, {}).get("protocol", "")
        for role in roles_of(whose):
            said = values.get(role, "").strip()
            if not said or not protocol:
                continue
            try:
                read_tag(said, device, protocol, role)
            except TallywireError as problem:
                if wrong is not None:
                    wrong[role] = problem
            else:
                tags[role] = said
    return tags


def _loops(found: SiteAnswers, _: int, form: Mapping[str, str], __: dict[str, TallywireError]) -> str:
    if form.get("remove"):
        found.loops = [loop for loop in found.loops if loop.name != form["remove"]]
        return "step=loops"
    return f"step=gauge&loop={len(found.loops)}" if form.get("do") == "another" else "step=result"


def _result(*_: object) -> str:
    return "step=result"


TAKE: Mapping[str, Take] = {
    "site": _site, "devices": _devices, "gauge": _gauge, "plc": _plc, "tags": _tags, "loops": _loops, "result": _result,
}  # fmt: skip
