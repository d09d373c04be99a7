"""`tallywire sources`: the inventory of the sources with today's activity and what is due."""

from __future__ import annotations

import argparse
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from collector.cli.days import day_of

if TYPE_CHECKING:
    from checks.commissioning.inventory import SourceLine

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "sources",
        help="inventory of the radiation sources, today's activity, what is due",
        description="The sources as the site file declares them (gauge.source): activity on the papers and today, next shutter check and "
        "leak test. Reminders only: the licence and the radiation safety officer decide.",
    )
    parser.add_argument("site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--date", metavar="DAY", help="as of this day, such as 2027-03-01 (default: today)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the inventory; 1 where something is overdue, 3 where no source is declared."""
    from checks.commissioning.inventory import inventory
    from collector.clock import SystemClock
    from collector.replay.text import wrapped
    from config.cautions import caution_text
    from config.load import load_site

    site = load_site(args.site).site
    today = datetime.fromtimestamp(SystemClock().now(), UTC).date()
    day = today if args.date is None else day_of(args.date, "--date")
    lines, without = inventory(site.loops, day)
    out = [f"Sources of {site.site}, {day.isoformat()}", "", *caution_text(80).splitlines(), ""]
    for line in lines:
        out += _line(line)
    if without:
        out += wrapped(f"No source is declared for {', '.join(without)}: write gauge.source with activity and activity_date.")
    sys.stdout.write("\n".join(out).rstrip() + "\n")
    if not lines:
        return exits.NOTHING_EVALUATED
    return exits.FINDINGS if any(due.overdue for line in lines for due in line.dues) else exits.NO_FINDING


def _line(line: SourceLine) -> list[str]:
    from checks.commissioning.inventory import activity_words
    from collector.replay.text import wrapped

    identity = f" {line.identity}" if line.identity else ""
    then, today = activity_words(line.activity), activity_words(line.today)
    said = [
        f"{line.loop}  {line.nuclide}{identity}: {then} on {line.activity_date.isoformat()}, {today} today ({100 * line.left:.1f} %)",
        *(
            f"{'! ' if due.overdue else '  '}{due.what}: {due.day.isoformat() + ', ' if due.day is not None else ''}{due.words}"
            for due in line.dues
        ),
    ]
    return [part for text in said for part in wrapped(text, rest="    ")] + [""]
