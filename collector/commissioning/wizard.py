"""The first site file, from questions: what the gauge and the PLC are set to, and where their values are read."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from zoneinfo import available_timezones

from collector.exports.asking import Person
from config.errors import TallywireError
from config.nuclides import nuclide
from config.roles import ROLES
from config.units import parse_quantity

Check = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Ask:
    """One question: the key that is written, what is asked, an example, what an empty answer means (None: leave the key out,
    unless it is needed), how an answer is checked, and the comment beside the key."""

    key: str
    asks: str
    example: str
    usual: str | None
    check: Check
    comment: str
    needed: bool = False


@dataclass(slots=True)
class LoopAnswers:
    """What was answered for one loop."""

    name: str
    gauge: dict[str, str] = field(default_factory=dict)
    plc: dict[str, str] = field(default_factory=dict)
    drive: dict[str, str] = field(default_factory=dict)
    tags: dict[str, str] = field(default_factory=dict)


@dataclass(slots=True)
class SiteAnswers:
    """What was answered for the site; `endpoints` are lines of YAML by name."""

    site: dict[str, str] = field(default_factory=dict)
    endpoints: dict[str, dict[str, str]] = field(default_factory=dict)
    loops: list[LoopAnswers] = field(default_factory=list)


def _quantity(unit: str) -> Check:
    def check(text: str) -> None:
        try:
            parse_quantity(text, unit)
        except ValueError as error:
            raise TallywireError(str(error), fix=f"with its unit, such as in {unit}") from error

    return check


def _matches(pattern: str, what: str) -> Check:
    def check(text: str) -> None:
        if not re.fullmatch(pattern, text):
            raise TallywireError(f"{text!r} is no {what}", fix="see the example")

    return check


def _zone(text: str) -> None:
    if text not in available_timezones():
        raise TallywireError(f"{text!r} is no time zone", fix="an IANA name, such as UTC or Atlantic/Reykjavik")


def _day(text: str) -> None:
    try:
        date.fromisoformat(text)
    except ValueError:
        raise TallywireError(f"{text!r} is no day", fix="write it as 2027-03-01") from None


def _nuclide(text: str) -> None:
    try:
        nuclide(text)
    except ValueError as error:
        raise TallywireError(str(error)) from error


def _anything(text: str) -> None:
    if "\n" in text or len(text) > 200:
        raise TallywireError("this is too long for one line", fix="shorten it")


_NAME = _matches(r"[A-Za-z0-9_-]{1,40}", "name of letters, digits, - and _")
SITE: Sequence[Ask] = (
    Ask("site", "A short name of the site?", "north-terminal", None, _NAME, "", needed=True),
    Ask("title", "Its title, as people say it?", "Potash export terminal", None, _anything, ""),
    Ask("time_zone", "Its time zone?", "Atlantic/Reykjavik", "UTC", _zone, "shifts and months begin by it"),
)
GAUGE: Sequence[Ask] = (
    Ask("low", "Flow that the gauge sends as 4 mA?", "0 t/h", "0 t/h", _quantity("t/h"), "", needed=True),
    Ask("high", "Flow that the gauge sends as 20 mA?", "420 t/h", None, _quantity("t/h"), "", needed=True),
    Ask("damping", "Damping set in the gauge?", "10 s", "10 s", _quantity("s"), "time constant of the output"),
    Ask("nuclide", "Nuclide of the source?", "Cs-137", "Cs-137", _nuclide, ""),
    Ask(
        "empty_belt_rate",
        "Count rate of the empty belt at the last tare? (Enter: not known)",
        "5200 1/s",
        None,
        _quantity("1/s"),
        "gross",
    ),
    Ask("reference_date", "Day of that tare?", "2026-05-14", None, _day, "the day of that rate"),
    Ask(
        "background",
        "Background count rate set in the gauge?",
        "60 1/s",
        "0 1/s",
        _quantity("1/s"),
        "zero where it was never read",
    ),
    Ask(
        "load_per_attenuation",
        "Factor: load per unit of attenuation? (Enter: not known)",
        "153.85 kg/m",
        None,
        _quantity("kg/m"),
        "",
    ),
    Ask("belt_length", "Length of the whole belt? (Enter: not known)", "240 m", None, _quantity("m"), "for whole turns"),
)
PLC: Sequence[Ask] = (
    Ask("low", "Flow that the PLC shows at 4 mA?", "0 t/h", "0 t/h", _quantity("t/h"), "", needed=True),
    Ask("high", "Flow that the PLC shows at 20 mA?", "420 t/h", None, _quantity("t/h"), "", needed=True),
    Ask("raw_low", "Raw counts of the input card at 4 mA?", "0", "0", _matches(r"-?\d+(\.\d+)?", "number"), ""),
    Ask("raw_high", "Raw counts at 20 mA?", "27648", "27648", _matches(r"-?\d+(\.\d+)?", "number"), ""),
    Ask("filter", "Filter of card and block together?", "0 s", "0 s", _quantity("s"), ""),
)
DRIVE: Sequence[Ask] = (
    Ask("speed_at_nominal", "Belt speed at nominal frequency? (Enter: not known)", "1.9 m/s", None, _quantity("m/s"), ""),
    Ask("nominal_frequency", "Nominal frequency of the drive?", "50 Hz", "50 Hz", _quantity("Hz"), ""),
)
GAUGE_TAGS = ("flow", "load", "speed", "count_rate", "detector_temperature", "gauge_output", "gauge_total", "gauge_range_high")
PLC_TAGS = ("loop_current", "ai_raw", "plc_flow", "plc_range_high", "plc_total", "drive_running", "drive_speed", "maintenance")
_REGISTER = re.compile(r"^(?:(input|holding|coil|discrete)\s+)?(\d{1,5})(?:\s+([a-z]+\d*))?(?:\s+(ABCD|CDAB|BADC|DCBA))?$")


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
        said = person.ask(f"{ask.asks}{shown}\n> ") or (ask.usual or "")
        if not said and not ask.needed:
            return ""
        try:
            if not said:
                raise TallywireError("this is needed", fix=f"such as {ask.example}")
            ask.check(said)
        except TallywireError as error:
            person.tell(f"  {error.what}{'; ' + error.fix if error.fix else ''}\n")
            continue
        return said


def _yes(person: Person, question: str, *, default: bool) -> bool:
    said = person.ask(f"{question} [{'Y/n' if default else 'y/N'}] > ").lower()
    return default if not said else said.startswith("y")


def _endpoint(found: SiteAnswers, person: Person) -> None:
    name = _one(Ask("name", "Name of a device?", "gauge-07", None, _NAME, "", needed=True), person)
    protocol = _one(
        Ask("protocol", "modbus or opcua?", "modbus", "modbus", _matches("modbus|opcua", "protocol: modbus or opcua"), ""),
        person,
    )
    if protocol == "opcua":
        url = Ask(
            "url",
            "Its address?",
            "opc.tcp://192.0.2.30:4840",
            None,
            _matches(r"opc\.tcp://\S+", "address of OPC UA"),
            "",
            needed=True,
        )
        found.endpoints[name] = {"protocol": protocol, "url": _one(url, person)}
        return
    host = Ask("host", "Its host?", "192.0.2.17", None, _matches(r"[A-Za-z0-9.:_-]+", "host"), "", needed=True)
    port = Ask("port", "Its port?", "502", "502", _matches(r"\d{1,5}", "port"), "")
    unit = Ask("unit", "Its unit id?", "1", "1", _matches(r"\d{1,3}", "unit id"), "")
    found.endpoints[name] = {
        "protocol": protocol,
        "host": _one(host, person),
        "port": _one(port, person),
        "unit": _one(unit, person),
    }


def _loop(found: SiteAnswers, person: Person) -> LoopAnswers:
    name = _one(Ask("name", "Name of a loop?", "TB-07", None, _NAME, "", needed=True), person)
    person.tell("\nWhat the gauge is set to:\n")
    loop = LoopAnswers(name, gauge=_all(GAUGE, person))
    person.tell("\nWhat the PLC is set to:\n")
    loop.plc = _all([_like_gauge(ask, loop.gauge) for ask in PLC], person)
    loop.drive = _all(DRIVE, person)
    for roles, whose in ((GAUGE_TAGS, "gauge"), (PLC_TAGS, "PLC")):
        device = _device(found, person, whose)
        if device:
            _tags(loop, roles, device, found.endpoints[device]["protocol"], person)
    return loop


def _like_gauge(ask: Ask, gauge: Mapping[str, str]) -> Ask:
    """The ranges of the PLC are usually those of the gauge: they are offered, and have to be confirmed."""
    if ask.key not in ("low", "high"):
        return ask
    return Ask(ask.key, ask.asks, ask.example, gauge.get(ask.key), ask.check, ask.comment, ask.needed)


def _device(found: SiteAnswers, person: Person, whose: str) -> str:
    names = list(found.endpoints)
    if len(names) == 1:
        return names[0]
    usual = next(
        (name for name, item in found.endpoints.items() if (item["protocol"] == "opcua") == (whose == "PLC")), names[0]
    )
    return _one(
        Ask(
            "device",
            f"From which device are the values of the {whose} read?",
            names[0],
            usual,
            _matches("|".join(map(re.escape, names)), "device"),
            "",
        ),
        person,
    )


def _tags(loop: LoopAnswers, roles: Sequence[str], device: str, protocol: str, person: Person) -> None:
    if protocol == "modbus":
        person.tell("Address from 0, as on the wire, with type and order: `input 0 float32 CDAB`. Enter: it is not read.\n")
    else:
        person.tell("Node id: `ns=2;s=TB-07/Flow`. Enter: it is not read.\n")
    for role in roles:
        unit = f" [{ROLES[role].unit}]" if ROLES[role].unit else ""
        while True:
            said = person.ask(f"  {role}: {ROLES[role].meaning}{unit} > ")
            if not said:
                if role == "flow":
                    person.tell("  the flow is needed: nothing can be verified without it\n")
                    continue
                break
            line = _tag_line(said, device, protocol)
            if line is None:
                person.tell(f"  {said!r} cannot be read as {'a register' if protocol == 'modbus' else 'a node id'}\n")
                continue
            loop.tags[role] = line
            break


def _tag_line(said: str, device: str, protocol: str) -> str | None:
    if protocol == "opcua":
        return f"{{endpoint: {device}, node: {said}}}" if re.fullmatch(r"(ns=\d+;)?[isgb]=\S+", said) else None
    match = _REGISTER.match(said)
    if match is None or int(match[2]) > 65535:
        return None
    table, address, kind, order = match.groups()
    parts = [f"endpoint: {device}", f"table: {table or 'holding'}", f"address: {address}"]
    parts += [f"type: {kind}"] if kind else []
    parts += [f"order: {order}"] if order else []
    return "{" + ", ".join(parts) + "}"


def site_text(found: SiteAnswers) -> str:
    """The commented site file of the answers."""
    lines = [
        "# Site file, begun by `tallywire init`. Next: tallywire validate, then tallywire survey with load on the belt.",
        "# A quantity is one text with number and unit. Passwords never stand here. Tallywire only reads.",
        "",
        "schema: 1",
        *_keys(SITE, found.site, ""),
        "# ledger: ledger.yaml                 # material tests, tares and span runs by hand: only they can prove the weight",
        "",
        "endpoints:",
    ]
    for name, item in found.endpoints.items():
        lines += [f"  {name}:", *(f"    {key}: {value}" for key, value in item.items())]
    lines += ["", "loops:"]
    for loop in found.loops:
        gauge, plc = dict(loop.gauge), dict(loop.plc)
        lines += [
            f"  {loop.name}:",
            "    gauge:",
            f"      range: {{low: {gauge.pop('low', '0 t/h')}, high: {gauge.pop('high')}}}   # at 4 mA and at 20 mA",
        ]
        lines += _keys(GAUGE, gauge, "      ")
        lines += [
            "    plc:",
            f"      range: {{low: {plc.pop('low', '0 t/h')}, high: {plc.pop('high')}}}   # at 4 mA and at 20 mA",
        ]
        lines.append(f"      raw_span: {{low: {plc.pop('raw_low', '0')}, high: {plc.pop('raw_high', '27648')}}}")
        lines += _keys(PLC, plc, "      ")
        lines += ["    drive:", *_keys(DRIVE, loop.drive, "      ")] if loop.drive else []
        lines += ["    tags:", *(f"      {role}: {line}" for role, line in loop.tags.items())]
    return "\n".join(lines) + "\n"


def _keys(asks: Sequence[Ask], said: Mapping[str, str], indent: str) -> list[str]:
    comments = {ask.key: ask.comment for ask in asks}
    out = []
    for key, value in said.items():
        comment = comments.get(key, "")
        text = value if re.fullmatch(r"[A-Za-z0-9 ./+-]+", value) else "'" + value.replace("'", "''") + "'"
        out.append(f"{indent}{key}: {text}{f'   # {comment}' if comment else ''}")
    return out
