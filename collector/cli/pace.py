"""The options of a command that looks at devices: how fast, and when it looks again."""

from __future__ import annotations

import argparse


def add_pace(parser: argparse.ArgumentParser) -> None:
    """Add `--rate` and `--wait`."""
    parser.add_argument(
        "--rate", type=float, default=2.0, metavar="N", help="most requests a second to one device (default: 2)"
    )
    parser.add_argument(
        "--wait",
        type=float,
        default=15.0,
        metavar="S",
        help="time to the second look at totals and odd tags (default: 15; 0: none)",
    )
