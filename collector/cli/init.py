"""`tallywire init`: a first site file from questions, and from what the devices themselves offer."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from collector.cli.output import write_out
from collector.cli.pace import add_pace
from config.errors import TallywireError

if TYPE_CHECKING:
    from collector.commissioning.site_draft import SiteAnswers

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
    add_pace(parser)
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Ask, write, and say what each loop can and cannot verify."""
    from collector.cli.init_devices import OwnConnections
    from collector.clock import SystemClock
    from collector.commissioning.coverage import summary
    from collector.commissioning.site_draft import SiteAnswers, site_text
    from collector.commissioning.walking import StoppedError, Terminal
    from collector.commissioning.wizard import interview
    from collector.replay.text import wrapped
    from config.load import load_site

    if args.page:
        from collector.cli.alone import serve

        return serve("/init", args.port, folder=_drafts())
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
    said = "Questions for a site file. Enter takes what stands in brackets, or leaves a thing out. Ctrl-C stops; what was answered is kept."
    person.tell("\n".join(wrapped(said)) + "\n\n")
    found = SiteAnswers()
    try:
        text = site_text(interview(person, devices, found))
    except (StoppedError, KeyboardInterrupt):
        person.tell("\n" + "\n".join(wrapped(f"Stopped; {args.site} was not written.{_kept(found)}")) + "\n")
        return exits.INTERRUPTED
    write_out(args.site, text.encode())
    try:
        loaded = load_site(args.site)
    except TallywireError:
        person.tell("\n" + "\n".join(wrapped(f"{args.site} is written, but cannot be used before it is mended:")) + "\n")
        raise
    sys.stdout.write("\n" + summary(loaded) + f"\nNext: tallywire survey {args.site}\n")
    return exits.NO_FINDING


def _drafts() -> Path:
    """Where answers are kept that are no file yet."""
    from platformdirs import user_data_path

    return user_data_path("tallywire") / "drafts"


def _kept(found: SiteAnswers) -> str:
    """Keep what was answered as a draft of the page, and say how to go on."""
    from collector.clock import SystemClock
    from collector.commissioning.drafts import Drafts

    if not found.site:
        return ""
    drafts = Drafts(SystemClock(), _drafts())
    try:
        draft = drafts.begin()
        draft.answers = found
        drafts.keep(draft)
    except TallywireError as error:
        return f" {error}"
    return f" What was answered is kept: go on with `tallywire init --page`, where it is called {draft.name}."
