"""`tallywire locate`: where on a device does the value lie that somebody reads on its display?"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from config.errors import TallywireError

if TYPE_CHECKING:
    from collector.commissioning.locate import Spot
    from collector.commissioning.registers import SlowReader

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

MOST_SHOWN = 12


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "locate",
        help="find the register, type and order that carry a value read on the device",
        description="Reads a stated range of registers slowly (never a write) and tries every type, order of words and bytes, and scale. "
        "With one value many places fit: read the display again when it has changed, and type the new value.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("value", metavar="VALUE", help="the value on the display, in its unit, such as 412.6")
    parser.add_argument("--endpoint", required=True, metavar="NAME", help="Modbus endpoint of the site file")
    parser.add_argument("--range", default="0-99", metavar="A-B", help="first and last address, from 0 (default: 0-99)")
    parser.add_argument("--table", choices=("input", "holding", "both"), default="both", help="which registers (default: both)")
    parser.add_argument("--unit", type=int, metavar="N", help="unit behind the endpoint (default: that of the endpoint)")
    parser.add_argument("--rate", type=float, default=2.0, metavar="N", help="most requests a second (default: 2)")
    parser.add_argument(
        "--then", action="append", default=[], metavar="VALUE", help="further values, read one after the other; else asked"
    )
    parser.add_argument(
        "--borrow", action="store_true", help="ask the running service to let go of its connections for the time"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Locate and narrow; 0 where one place or more is left, 1 where none is."""
    import asyncio

    from collector.clock import SystemClock
    from collector.commissioning.borrow import borrowed
    from collector.commissioning.registers import MOST_SCANNED, SlowReader
    from config.load import load_site
    from config.model import ModbusEndpoint

    site = load_site(args.site).site
    endpoint = site.endpoints.get(args.endpoint)
    if not isinstance(endpoint, ModbusEndpoint):
        modbus = [name for name, item in site.endpoints.items() if isinstance(item, ModbusEndpoint)]
        raise TallywireError(
            f"there is no Modbus endpoint {args.endpoint!r}", where="--endpoint", fix=f"one of {', '.join(modbus)}"
        )
    first, last = address_range(args.range, MOST_SCANNED)
    if not 0.0 < args.rate <= 50.0:
        raise TallywireError("the rate is not from above 0 to 50", where="--rate", fix="such as 2")
    values = [args.value, *args.then]
    for value in values:
        _number(value)
    tables = ("input", "holding") if args.table == "both" else (args.table,)
    reader = SlowReader(args.endpoint, endpoint, SystemClock(), args.rate)
    with borrowed(site, args.borrow):
        spots = asyncio.run(_locate(reader, tables, args.unit or endpoint.unit, first, last, values))
    sys.stdout.write(_told(spots, args.endpoint))
    return exits.NO_FINDING if spots else exits.FINDINGS


async def _locate(
    reader: SlowReader, tables: tuple[str, ...], unit: int, first: int, last: int, values: list[str]
) -> list[Spot]:
    from collector.commissioning.locate import locate, narrow, tolerance
    from collector.commissioning.registers import MOST_AT_ONCE
    from collector.sources.failure import LinkError

    async def scan() -> dict[str, dict[int, int]]:
        out: dict[str, dict[int, int]] = {}
        for table in tables:
            for start in range(first, last + 1, MOST_AT_ONCE):
                count = min(MOST_AT_ONCE, last + 1 - start)
                out.setdefault(table, {}).update(await reader.read_where_it_can(table, unit, start, count))
        return out

    try:
        spots = locate(await scan(), _number(values[0]), tolerance(_number(values[0]), values[0]))
        rest = values[1:]
        while len(spots) > 1 and (rest or sys.stdin.isatty()):
            if rest:
                value = rest.pop(0)
            else:
                sys.stdout.write(_told(spots, reader.name) + "The value on the display now (Enter: stop) > ")
                sys.stdout.flush()
                value = sys.stdin.readline().strip()
                if not value:
                    break
            spots = narrow(spots, await scan(), _number(value), tolerance(_number(value), value))
    except LinkError as error:
        raise TallywireError(
            f"{reader.name} cannot be read: {error.reason}", fix="is it on, and is no other client connected?"
        ) from error
    finally:
        reader.close()
    return spots


def _told(spots: list[Spot], endpoint: str) -> str:
    from collector.replay.text import wrapped

    if not spots:
        lines = wrapped("No place reads as this value. Another range, table or unit? Has the value changed meanwhile?")
    else:
        lines = wrapped(
            f"{len(spots)} way{'s' if len(spots) > 1 else ''} to read it, the plainest first"
            + ("; read the display again when it has changed, to narrow it down:" if len(spots) > 1 else ":")
        )
        lines += [f"  endpoint: {endpoint}, {spot.words().strip('{}')}" for spot in spots[:MOST_SHOWN]]
        if len(spots) > MOST_SHOWN:
            lines.append(f"  and {len(spots) - MOST_SHOWN} more")
    return "\n".join(lines) + "\n"


def _number(text: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise TallywireError(
            f"{text!r} is no number", where="VALUE", fix="type what the display shows, such as 412.6"
        ) from None


def address_range(text: str, most: int, option: str = "--range") -> tuple[int, int]:
    """First and last address of a range given on the command line."""
    first, _, last = text.partition("-")
    if not (first.isdigit() and last.isdigit() and int(first) <= int(last) <= 65535):
        raise TallywireError(f"{text!r} is no range of addresses", where=option, fix="such as 0-99, counted from 0")
    if int(last) - int(first) >= most:
        raise TallywireError(
            f"{text} has more than {most} registers", where=option, fix="scan a part at a time: it is slow on purpose"
        )
    return int(first), int(last)
