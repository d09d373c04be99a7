"""`tallywire init`: a first site file from questions, and from what the devices themselves offer."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from collector.cli.output import write_out
from config.errors import TallywireError

if TYPE_CHECKING:
    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "init",
        help="write a first site file from questions",
        description="Asks what gauge and PLC are set to and where their values are read, and writes a commented site file. Where you say "
        "yes it looks at a device: it proposes the nodes of an OPC UA server and reads the registers of a gauge once, never writes, and "
        "goes on by hand where nothing answers. `tallywire survey` then reads every tag again, with load on the belt.",
    )
    parser.add_argument("site", type=Path, nargs="?", metavar="SITE", help="site file to write (YAML); must not be there yet")
    parser.add_argument("--page", action="store_true", help="ask on a page in the browser instead; no site is needed")
    parser.add_argument("--port", default="0", metavar="PORT", help="of that page (default: any free one)")
    parser.add_argument(
        "--rate", type=float, default=2.0, metavar="N", help="most requests a second to one device (default: 2)"
    )
    parser.add_argument(
        "--wait",
        type=float,
        default=15.0,
        metavar="S",
        help="time to the second look at totals and odd values (default: 15; 0: none)",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Ask, write, and say what each loop can and cannot verify."""
    from collector.cli.init_devices import OwnConnections
    from collector.clock import SystemClock
    from collector.commissioning.coverage import summary
    from collector.commissioning.site_draft import site_text
    from collector.commissioning.walking import StoppedError, Terminal
    from collector.commissioning.wizard import interview
    from collector.replay.text import wrapped
    from config.load import load_site, parse_site

    if args.page:
        from platformdirs import user_data_path

        from collector.cli.alone import serve

        return serve("/init", args.port, folder=user_data_path("tallywire") / "drafts")
    if args.site is None:
        raise TallywireError(
            "the file to write is not named", where="SITE", fix="tallywire init site.yaml, or tallywire init --page"
        )
    if args.site.exists():
        raise TallywireError(
            "the file is there already", where=str(args.site), fix="name another, or edit it and run `tallywire validate`"
        )
    if not 0.0 < args.rate <= 50.0:
        raise TallywireError("the rate is not from above 0 to 50", where="--rate", fix="such as 2")
    person = Terminal()
    devices = OwnConnections(SystemClock(), args.rate, max(args.wait, 0.0))
    person.tell(
        "\n".join(wrapped("Questions for a site file. Enter takes what stands in brackets, or leaves a thing out.")) + "\n\n"
    )
    try:
        text = site_text(interview(person, devices))
    except (StoppedError, KeyboardInterrupt):
        person.tell("\nStopped; nothing was written.\n")
        return exits.INTERRUPTED
    parse_site(text, str(args.site))
    write_out(args.site, text.encode())
    sys.stdout.write("\n" + summary(load_site(args.site)) + f"\nNext: tallywire survey {args.site}\n")
    return exits.NO_FINDING
