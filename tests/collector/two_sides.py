"""A site of one loop whose gauge is read over Modbus and whose PLC over OPC UA."""

from __future__ import annotations

from collections.abc import Mapping

from config.model import Site


def two_sides(tags: Mapping[str, object]) -> Site:
    """TB-07, 0 to 500 t/h, with these tags."""
    ends = {"gauge": {"range": {"high": 500.0}}, "plc": {"range": {"high": 500.0}}}
    endpoints = {"gauge": {"protocol": "modbus", "host": "127.0.0.1"}, "plc": {"protocol": "opcua", "url": "opc.tcp://h:1"}}
    return Site.model_validate(
        {"schema": 1, "site": "terminal", "endpoints": endpoints, "loops": {"TB-07": {**ends, "tags": tags}}}
    )
