"""`tallywire survey SITE --scan FIRST-LAST`: what a range of a Modbus device holds, and what of it the site knows."""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import signal
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from collector.cli.locate import address_range
from collector.cli.output import write_out
from collector.cli.survey_progress import Show, showing, tell
from config.errors import TallywireError
from config.model import ModbusEndpoint, Site

if TYPE_CHECKING:
    from checks.commissioning.guess import Known
    from collector.commissioning.scan import Scanned
    from collector.commissioning.survey import Survey


def run(args: argparse.Namespace, site: Site) -> int:
    """Scan, print, save; 3 where nothing answered, 130 where it was stopped by hand. What was read is kept in any case."""
    from collector.clock import SystemClock
    from collector.commissioning import scan_text
    from collector.commissioning.borrow import borrowed
    from collector.commissioning.browsing import known_of
    from collector.commissioning.registers import MOST_SCANNED
    from collector.commissioning.scan import as_dict
    from collector.commissioning.scan_match import matches

    name, endpoint = _endpoint(args.endpoint, site)
    first, last = address_range(args.scan, MOST_SCANNED, "--scan")
    unit = endpoint.unit if args.unit is None else args.unit
    if not 0 <= unit <= 255:
        raise TallywireError(f"{unit} is no unit id", where="--unit", fix="0 to 255")
    clock = SystemClock()
    with borrowed(site, args.borrow, also=name) as renew, showing(f"scanning {name}") as show:
        survey, found = asyncio.run(_read(site, name, endpoint, (first, last), unit, args, renew, show))
    known: dict[str, Known] = known_of(site, survey, clock.now())
    here = {
        loop: item
        for loop, item in known.items()
        if any(getattr(tag, "endpoint", "") == name for tag in item.loop.tags.values())
    }
    fitting = matches(found, here or known)
    flows = {loop: agreed and agreed[0] for loop, agreed in survey.agreed.items() if loop in (here or known)}
    content = as_dict(found) | {
        "fits": [{"loop": m.loop, "role": m.role, "value": m.value, "because": m.because, "tag": dict(m.fields(found, endpoint.unit))} for m in fitting]
    }  # fmt: skip
    body = json.dumps(content, indent=2) + "\n"
    if str(args.json) == "-":
        sys.stdout.write(body)
    else:
        sys.stdout.write(scan_text.text(found, fitting, flows=flows, unit=endpoint.unit, rate=args.rate, raw=args.raw))
        if found.words or args.json is not None:
            out = args.json or Path(f"scan-{name}-{args.table}-{first}-{last}.json")
            write_out(out, body.encode(), "the scan")
            sys.stdout.write(f"Saved in {out}\n")
    if found.ended == STOPPED:
        return exits.INTERRUPTED
    return exits.NO_FINDING if found.words else exits.NOTHING_EVALUATED


STOPPED = "stopped by hand"


def _endpoint(wanted: str | None, site: Site) -> tuple[str, ModbusEndpoint]:
    """The endpoint that is meant: the one that is named, or the only one."""
    known = {name: item for name, item in site.endpoints.items() if isinstance(item, ModbusEndpoint)}
    if wanted is None and len(known) == 1:
        wanted = next(iter(known))
    if wanted not in known or wanted is None:
        what = "say which Modbus endpoint to scan" if wanted is None else f"there is no Modbus endpoint {wanted!r}"
        fix = f"one of {', '.join(known)}" if known else "the site file declares none: add one below `endpoints`"
        raise TallywireError(what, where="--endpoint", fix=fix)
    return wanted, known[wanted]


async def _read(
    site: Site,
    name: str,
    endpoint: ModbusEndpoint,
    span: tuple[int, int],
    unit: int,
    args: argparse.Namespace,
    renew: Callable[[], None],
    show: Show,
) -> tuple[Survey, Scanned]:
    """The tags that the site has, then the range."""
    from collector.clock import SystemClock
    from collector.commissioning.registers import SlowReader
    from collector.commissioning.scan import Scan
    from collector.commissioning.survey import survey

    def progress(done: int, total: int, left: tuple[int, int]) -> None:
        renew()
        show(done, total, f"{done} of {total}, {_time_left(left, args.rate)}")

    clock = SystemClock()
    reader = SlowReader(name, endpoint, clock, args.rate)
    with _until_interrupted() as stopped:
        found = await survey(site, clock, rate=args.rate, wait_s=0.0, tell=tell)
        try:
            scanned = await Scan(reader, args.table, unit, span, fine=args.fine, progress=progress, stopped=stopped).run()
        finally:
            reader.close()
    return found, scanned


def _time_left(requests: tuple[int, int], rate: float) -> str:
    """How long it still takes: the less the device refuses, the shorter."""
    least, most = (round(number / rate) for number in requests)
    return f"{least} s left" if least == most else f"{least} to {most} s left"


@contextlib.contextmanager
def _until_interrupted() -> Iterator[Callable[[], bool]]:
    """Gives whether somebody has asked to stop: the request on the way is still awaited; asked twice it stops at once."""
    asked = [False]
    loop = asyncio.get_running_loop()

    def ask() -> None:
        asked[0] = True
        loop.remove_signal_handler(signal.SIGINT)

    with contextlib.suppress(NotImplementedError):
        loop.add_signal_handler(signal.SIGINT, ask)
    try:
        yield lambda: asked[0]
    finally:
        with contextlib.suppress(NotImplementedError):
            loop.remove_signal_handler(signal.SIGINT)
