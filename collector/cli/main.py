"""The command line: one module a command, exit codes, one clear message for whatever goes wrong."""

from __future__ import annotations

import argparse
import logging
import os
import sys
from collections.abc import Sequence
from importlib import import_module

from collector.cli import exits
from config.errors import TallywireError

COMMANDS = (
    "run",
    "init",
    "validate",
    "survey",
    "locate",
    "loop_check",
    "verify",
    "replay",
    "plan",
    "calibration",
    "sources",
    "report",
    "fleet",
    "records",
    "history",
    "published",
    "backup",
    "restore",
    "alerts",
    "notify",
    "account",
    "audit",
    "causes",
    "demo",
)
"""Modules of this folder in the order of the help; each has `add(subparsers)` and `run(args) -> int`."""


class _Version(argparse.Action):
    """Print the version; the lookup costs more than all the rest of a start, so only when asked."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from importlib.metadata import version

        sys.stdout.write(f"tallywire {version('tallywire')}\n")
        parser.exit()


def parser() -> argparse.ArgumentParser:
    """The parser with every command."""
    top = argparse.ArgumentParser(
        prog="tallywire",
        description="Verifies the signal chain of radiometric belt weighers from the control side: reads gauge, drive and PLC "
        "tags (never writes), and says whether the chain agrees, where it breaks, why, since when and for how many tonnes.",
        epilog="Exit codes: 0 no finding, 1 findings, 2 bad input, 3 nothing could be evaluated, 70 internal error, "
        "130 interrupted.",
    )
    top.add_argument("--version", action=_Version, nargs=0, help="print the version and leave")
    subparsers = top.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for name in COMMANDS:
        import_module(f"collector.cli.{name}").add(subparsers)
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; nothing but `SystemExit` of the parser leaves here as an exception."""
    args = parser().parse_args(arguments)
    try:
        code: int = args.run(args)
        sys.stdout.flush()
    except TallywireError as error:
        _say(str(error))
        return exits.BAD_INPUT
    except KeyboardInterrupt:
        _say("interrupted")
        return exits.INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return exits.INTERRUPTED
    except Exception as error:
        log = _crash_log()
        logging.getLogger("tallywire").exception("internal error")
        _say(f"internal error: {type(error).__name__}: {' '.join(str(error).split())[:200]} (traceback in {log})")
        return exits.INTERNAL_ERROR
    return code


def _say(text: str) -> None:
    sys.stderr.write(f"tallywire: {text}\n")


def _crash_log() -> str:
    """Make sure that the traceback has a log to go to, and name it: the service's own, else a file of the user."""
    logger = logging.getLogger("tallywire")
    if logger.hasHandlers():
        return "the log above"
    import tempfile
    from pathlib import Path

    from platformdirs import user_log_path

    for folder in (user_log_path("tallywire"), Path(tempfile.gettempdir())):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            handler = logging.FileHandler(folder / "tallywire.log", encoding="utf-8")
        except OSError:
            continue
        handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
        logger.addHandler(handler)
        logger.propagate = False
        return str(folder / "tallywire.log")
    return "no log: no folder can be written"
