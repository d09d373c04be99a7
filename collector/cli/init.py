"""`tallywire init`: a first site file from questions."""

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
        description="Asks what gauge and PLC are set to and where their values are read, and writes a commented site file. It connects to "
        "nothing; `tallywire survey` then reads every tag and says which lines are wrong.",
    )
    parser.add_argument("site", type=Path, nargs="?", metavar="SITE", help="site file to write (YAML); must not be there yet")
    parser.add_argument("--page", action="store_true", help="ask on a page in the browser instead; no site is needed")
    parser.add_argument("--port", default="0", metavar="PORT", help="of that page (default: any free one)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Ask, write, and say what each loop can and cannot verify."""
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
    person = Terminal()
    person.tell(
        "\n".join(wrapped("Questions for a site file. Enter takes what stands in brackets, or leaves a thing out.")) + "\n\n"
    )
    try:
        text = site_text(interview(person))
    except (StoppedError, KeyboardInterrupt):
        person.tell("\nStopped; nothing was written.\n")
        return exits.INTERRUPTED
    parse_site(text, str(args.site))
    write_out(args.site, text.encode())
    sys.stdout.write("\n" + summary(load_site(args.site)) + f"\nNext: tallywire survey {args.site}\n")
    return exits.NO_FINDING
