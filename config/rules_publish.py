"""Rules of what is published: who may reach it, and what each protocol needs for that."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterator

from config.model import Site
from config.problems import Found, KeyPath
from config.publish import ModbusPublish, OpcUaPublish
from config.rules_endpoints import login

MOST_LOOPS = 1000
"""Loops that fit into the register table."""
LONGEST_FIT_S = 3600.0


def is_loopback(host: str) -> bool:
    """Whether an address is one of this machine only; a name other than localhost is not."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def publishing_is_safe(site: Site) -> Iterator[Found]:
    """Loopback is open as the page is; anything else names its clients."""
    opcua, modbus = site.publish.opcua, site.publish.modbus
    if not 0.0 <= site.publish.fit_after <= LONGEST_FIT_S:
        yield Found(("publish", "fit_after"), f"{site.publish.fit_after:g} s is out of range", "0 s to 1 h; 60 s is usual")
    if opcua is not None:
        yield from _opcua(opcua, ("publish", "opcua"))
    if modbus is not None:
        yield from _modbus(modbus, ("publish", "modbus"), len(site.loops))
    if opcua is not None and modbus is not None and opcua.port == modbus.port != 0 and opcua.host == modbus.host:
        yield Found(("publish", "modbus", "port"), f"the port {modbus.port} is that of publish.opcua, too", "another port")
    if 0 != site.web.port in {part.port for part in (opcua, modbus) if part is not None and part.host == site.web.host}:
        yield Found(("web", "port"), f"the port {site.web.port} is published on, too", "another port for the page")


def _opcua(part: OpcUaPublish, path: KeyPath) -> Iterator[Found]:
    policies = [policy for policy in part.security if policy != "none"]
    inside = is_loopback(part.host)
    if not part.security:
        yield Found((*path, "security"), "there is no way in", "security: [Basic256Sha256], or [none] on this machine")
    elif len(set(part.security)) < len(part.security):
        yield Found((*path, "security"), "a policy is named twice", "name each policy once")
    if "none" in part.security and not inside:
        what = f"{part.host!r} is open to others, and without a policy anybody on the way could change what a controller reads"
        yield Found((*path, "security"), what, "security: [Basic256Sha256], with certificate, key and clients or users")
    elif not inside and not part.clients and not part.users:
        what = f"{part.host!r} is open to others, and nobody is asked who he is"
        yield Found((*path, "clients"), what, "clients: [plc.der] (certificates that may connect), or users")
    for key in ("certificate", "key"):
        if policies and getattr(part, key) is None:
            yield Found((*path, key), f"the policy {policies[0]} needs the {key} of this server", f"{key}: a file (PEM or DER)")
    if part.clients and "none" in part.security:
        what = "without a policy a client shows no certificate, so the list would keep nobody out"
        yield Found((*path, "security"), what, "take none out of security, or take clients out")
    if part.users and not policies:
        yield Found((*path, "users"), "the passwords would travel in clear text", "name a policy under security")
    elif part.users and "none" in part.security:
        what = "without a policy the passwords of users travel in clear text"
        yield Found((*path, "security"), what, "take none out of security")
    for name, user in part.users.items():
        yield from login(name, user.password_env, user.password_file, (*path, "users", name))


def _modbus(part: ModbusPublish, path: KeyPath, loops: int) -> Iterator[Found]:
    for index, client in enumerate(part.clients):
        try:
            ipaddress.ip_network(client)
        except ValueError:
            what = f"{client!r} is neither an address nor a network"
            yield Found((*path, "clients", index), what, "192.0.2.30, or 192.0.2.0/28")
    if not part.clients and not is_loopback(part.host):
        what = f"{part.host!r} is open to others, and Modbus asks nobody who he is"
        yield Found((*path, "clients"), what, "clients: [192.0.2.30] (the addresses that may read); others are hung up on")
    if loops > MOST_LOOPS:
        yield Found(path, f"the table has room for {MOST_LOOPS} loops, the site has {loops}", "publish over OPC UA")
