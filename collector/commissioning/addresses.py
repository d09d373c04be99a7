"""How a device is reached, as it is asked for and as it is kept: a host with its port in one text is taken apart."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from ipaddress import AddressValueError, IPv6Address

from collector.commissioning.questions import Ask, matches, whole
from config.errors import TallywireError

_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9._-]{0,251}[A-Za-z0-9])?")
USUAL_PORT = "502"


def split_host(text: str) -> tuple[str, str]:
    """Host and port of `host`, `host:port`, an IPv6 address, or one in brackets with its port; the port is '' where none is said.

    Raises
    ------
    TallywireError
        It is no host.
    """
    inside = re.fullmatch(r"\[([^\]]*)\](?::(.*))?", text)
    host, port = (inside[1], inside[2] or "") if inside else (text, "")
    if inside is None and text.count(":") == 1:
        host, _, port = text.partition(":")
    fine = _is_ipv6(host) if inside or ":" in host else bool(_HOST.fullmatch(host))
    if not fine:
        raise TallywireError(f"{text!r} is no host", fix="a name or an address, such as 192.0.2.17 or [2001:db8::17]:502")
    if port or text.endswith(":"):
        _PORT.check(port)
    return host, port


def _is_ipv6(text: str) -> bool:
    try:
        IPv6Address(text)
    except AddressValueError:
        return False
    return True


def _host(text: str) -> None:
    split_host(text)


_PORT = Ask("port", "Its port?", USUAL_PORT, USUAL_PORT, whole(1, 65535, "port"), "")
ADDRESS: Mapping[str, Sequence[Ask]] = {
    "modbus": (
        Ask("host", "Its host?", "192.0.2.17", None, _host, "", needed=True),
        _PORT,
        Ask("unit", "Its unit id?", "1", "1", whole(0, 255, "unit id"), ""),
    ),
    "opcua": (
        Ask(
            "url",
            "Its address?",
            "opc.tcp://192.0.2.30:4840",
            None,
            matches(r"opc\.tcp://\S+", "address of OPC UA"),
            "",
            needed=True,
        ),
    ),
}
"""How a device is reached, by its protocol."""


def addressed(said: Mapping[str, str], *, port_said: bool) -> dict[str, str]:
    """An address with host and port apart; `port_said` where somebody gave a port of its own besides.

    Raises
    ------
    TallywireError
        The host carries another port than the one that was given.
    """
    out = dict(said)
    if "host" not in said:
        return out
    out["host"], port = split_host(said["host"])
    if port and port_said and said.get("port", port) != port:
        raise TallywireError(
            f"the host says port {port}, the port says {said['port']}",
            fix=f"write {out['host']} as the host, and its port beside it",
        )
    return out | ({"port": port} if port else {})


def shown(item: Mapping[str, str]) -> str:
    """An address on one line."""
    if item.get("protocol") == "opcua":
        return item.get("url", "")
    host = item.get("host", "")
    return f"{f'[{host}]' if ':' in host else host}:{item.get('port', USUAL_PORT)}, unit {item.get('unit', '1')}"
