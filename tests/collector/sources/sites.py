"""Small sites for the tests of the sources: one loop, one endpoint."""

from __future__ import annotations

from typing import Any

from config.model import Site

LOOP = "TB-07"


def site_of(endpoint: dict[str, Any], tags: dict[str, dict[str, Any]], *, name: str = "gauge") -> Site:
    """One loop with these tags at one endpoint; the tags need not name it."""
    return Site.model_validate(
        {
            "schema": 1,
            "site": "terminal",
            "endpoints": {name: endpoint},
            "loops": {
                LOOP: {
                    "gauge": {"range": {"high": 500.0}},
                    "plc": {"range": {"high": 500.0}},
                    "tags": {role: {"endpoint": name, **tag} for role, tag in tags.items()},
                }
            },
        }
    )


def modbus_site(port: int | None, tags: dict[str, dict[str, Any]], **endpoint: Any) -> Site:
    """A Modbus TCP endpoint on the loopback that is read every 50 ms with a time-out of 150 ms."""
    base: dict[str, Any] = {"protocol": "modbus", "host": "127.0.0.1", "port": port, "period": 0.05, "timeout": 0.15}
    return site_of({**base, **endpoint}, tags)


def opcua_site(url: str, tags: dict[str, dict[str, Any]], **endpoint: Any) -> Site:
    """An OPC UA endpoint that is read every 50 ms."""
    base: dict[str, Any] = {"protocol": "opcua", "url": url, "period": 0.05, "timeout": 1.0}
    return site_of({**base, **endpoint}, tags, name="plc")
