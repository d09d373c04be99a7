"""A tag as somebody types it: a register or a node id, and behind a comma the keys that a site file has for it."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from collector.commissioning.paste import scalar
from collector.sources.opcua_names import parse
from config.errors import TallywireError
from config.model import ByteOrder, WireType
from config.roles import ROLES
from config.units import convert, known_unit, parse_quantity

HINTS: Mapping[str, str] = {
    "modbus": "Address from 0, as on the wire, with type and order: `input 0 float32 CDAB`. What a manual calls 30001 is `input 0`, 40001 "
    "is `holding 0`. More behind a comma: `input 12 uint32, scale: 0.1, measured_in: kg`.",
    "opcua": "Node id: `ns=2;s=TB-07/Flow`. In another unit: `ns=2;s=TB-08/Flow, measured_in: kg/s`.",
}
"""How a tag is written, by the protocol of its device."""
_REGISTER = re.compile(
    r"(?:(input|holding|coil|discrete)\s+)?(\d{1,5})(?:\s+([a-z]+\d+))?(?:\s+(abcd|cdab|badc|dcba))?", re.IGNORECASE
)
_NODE = re.compile(r"((ns=\d+|nsu=[^;]+);)?[isgb]=.{1,200}")
Value = str | int | float | bool


def _number(text: str) -> float:
    return float(text)


def _bit(text: str) -> int:
    number = int(text)
    if not 0 <= number <= 63:
        raise ValueError
    return number


def _unit_id(text: str) -> int:
    number = int(text)
    if not 0 <= number <= 255:
        raise ValueError
    return number


def _measured_in(text: str) -> str:
    if not known_unit(text):
        raise ValueError
    return text


def _period(text: str) -> str:
    parse_quantity(text, "s")
    return text


def _inverted(text: str) -> bool:
    return {"true": True, "false": False}[text]


def _property(text: str) -> str:
    if text not in ("EURange.low", "EURange.high", "EngineeringUnits"):
        raise ValueError
    return text


_READ: Mapping[str, Callable[[str], Value]] = {
    "measured_in": _measured_in, "scale": _number, "offset": _number, "bit": _bit, "unit": _unit_id, "inverted": _inverted,
    "property": _property, "period": _period,
}  # fmt: skip
OF: Mapping[str, tuple[str, ...]] = {
    "modbus": ("measured_in", "scale", "offset", "bit", "unit", "inverted", "period"),
    "opcua": ("property", "measured_in", "scale", "offset", "bit", "inverted", "period"),
}
"""Keys that can stand behind the comma, by protocol."""
_MORE = re.compile(rf"((?:,\s*(?:{'|'.join(_READ)}):[^,]*)*)\s*$")


def read_tag(said: str, device: str, protocol: str, role: str = "") -> dict[str, Value]:
    """The keys of a tag in the site file, from what was typed.

    Raises
    ------
    TallywireError
        It is neither a register nor a node id of this protocol, or one of its keys cannot be.
    """
    more = _MORE.search(said)
    assert more is not None
    place = said[: more.start()].strip()
    fields = _register(place) if protocol == "modbus" else _node(place)
    if fields is None:
        kind = "a register" if protocol == "modbus" else "a node id"
        raise TallywireError(f"{said!r} cannot be read as {kind} of {device}", fix=HINTS[protocol].replace("`", ""))
    out: dict[str, Value] = {"endpoint": device, **fields}
    for piece in filter(None, (part.strip() for part in more[1].split(","))):
        key, _, text = (part.strip() for part in piece.partition(":"))
        if key not in OF[protocol]:
            raise TallywireError(f"a tag of {device} has no {key!r}", fix=f"one of {', '.join(OF[protocol])}")
        try:
            out[key] = _READ[key](text)
            if key == "measured_in" and role:
                _of_role(text, role)
        except TallywireError:
            raise
        except (ValueError, KeyError):
            raise TallywireError(f"{text!r} cannot be the {key} of a tag", fix=HINTS[protocol].replace("`", "")) from None
    return out


def _of_role(unit: str, role: str) -> None:
    wanted = ROLES[role].unit
    try:
        convert(0.0, unit, wanted or unit)
    except ValueError as error:
        raise TallywireError(str(error)) from error
    if not wanted:
        raise TallywireError(f"{role} has no unit", fix="leave measured_in out")


def _register(place: str) -> dict[str, Value] | None:
    match = _REGISTER.fullmatch(place)
    if match is None or int(match[2]) > 65535:
        return None
    table, address, kind, order = match.groups()
    if kind and kind.lower() not in {item.value for item in WireType}:
        return None
    out: dict[str, Value] = {"table": (table or "holding").lower(), "address": int(address)}
    out |= {"type": kind.lower()} if kind else {}
    return out | ({"order": ByteOrder(order.upper()).value} if order else {})


def _node(place: str) -> dict[str, Value] | None:
    if not place.isprintable() or not _NODE.fullmatch(place):
        return None
    try:
        parse(place)
    except ValueError:
        return None
    return {"node": place}


def said_of(fields: Mapping[str, Value]) -> str:
    """The keys of a tag as somebody would type them: the other way round."""
    if "node" in fields:
        place, known = str(fields["node"]), {"endpoint", "node"}
    else:
        parts = (fields.get(key) for key in ("table", "address", "type", "order"))
        place, known = (
            " ".join(str(part) for part in parts if part is not None),
            {"endpoint", "table", "address", "type", "order"},
        )
    return ", ".join([place, *(f"{key}: {scalar(value)}" for key, value in fields.items() if key not in known)])


def changed(said: str, protocol: str, keys: Mapping[str, str]) -> str:
    """What was typed, with some keys of the tag put otherwise."""
    fields = read_tag(said, "", protocol)
    for key, text in keys.items():
        fields[key] = int(text) if key == "address" else text
    return said_of(fields)
