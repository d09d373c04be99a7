"""`tallywire published`: where the control system finds each loop, and what each number means."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits

if TYPE_CHECKING:
    from collector.publish.interface import Field
    from config.model import Site

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

NEVER = (
    "Never wire any of it into a trip or an interlock: Tallywire is not a safety function. A fault is told after half a minute to "
    "some minutes, not at once; use it for displays, and for control that can do without the flow."
)


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "published",
        help="what the control system can read, and where",
        description="Lists the registers and nodes under which each loop of the site is published, and the meaning of each number.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the interface; 3 where the site publishes nothing."""
    from config.load import load_site

    site = load_site(args.site).site
    sys.stdout.write("\n".join(told(site)) + "\n")
    publish = site.publish
    return exits.NO_FINDING if publish.opcua is not None or publish.modbus is not None else exits.NOTHING_EVALUATED


def told(site: Site) -> Iterator[str]:
    """The lines."""
    from collector.publish.interface import NAMESPACE, NODES_LOOP, NODES_TOP, REGISTERS_HEAD, REGISTERS_LOOP, first_register
    from collector.replay.text import wrapped

    opcua, modbus = site.publish.opcua, site.publish.modbus
    if opcua is None and modbus is None:
        yield from wrapped("This site publishes nothing: its site file has no section `publish`.")
        return
    yield from wrapped(NEVER)
    if modbus is not None:
        yield ""
        yield from wrapped(
            f"Modbus TCP at {modbus.host}, port {modbus.port or 'any free one'}, unit {modbus.unit}: functions 3 and 4, the same "
            "in both; addresses from 0 as on the wire, high word first. Everything else is refused."
        )
        yield from _table(REGISTERS_HEAD)
        for number, loop in enumerate(site.loops):
            yield f"  {loop:<20s} begins at register {first_register(number)}"
        yield "Offsets from the begin of a loop:"
        yield from _table(REGISTERS_LOOP)
    if opcua is not None:
        yield ""
        yield from wrapped(
            f"OPC UA at {opcua.host}, port {opcua.port or 'any free one'}, namespace {NAMESPACE}; below Objects/Tallywire:"
        )
        yield from _table(NODES_TOP)
        yield from wrapped(f"and of each loop, with text identifiers such as {next(iter(site.loops))}/FitForControl:")
        yield from _table(NODES_LOOP)
        yield from wrapped(
            "What is Bad has no value (OPC 10000-4, 7.7.1): a client that keeps the last value must look at the StatusCode, or "
            "read FitForControlCode and the heartbeat."
        )


def _table(fields: tuple[Field, ...]) -> Iterator[str]:
    from collector.replay.text import wrapped

    wide = max(len(_where(field)) for field in fields)
    for field in fields:
        first = f"  {_where(field):<{wide}s}  {field.type:<8s}  "
        yield from wrapped(field.meaning, first=first, rest=" " * len(first))


def _where(field: Field) -> str:
    return field.name or (str(field.first) if field.first == field.last else f"{field.first}-{field.last}")
