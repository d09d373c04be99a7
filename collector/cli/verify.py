"""`tallywire verify`: an export of any usual kind, six answers, and the verdict; no site file and no network needed."""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli.output import write_out
from config.errors import TallywireError

if TYPE_CHECKING:
    from collector.exports.answers import Answers, Column
    from collector.exports.asking import Asked
    from collector.exports.child import ReadExport
    from collector.exports.read import Overrules
    from collector.exports.tidy import Between
    from collector.replay.report import Outcome
    from config.model import Site

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "verify",
        help="verify an export of a historian or logger by six answers",
        description="Reads an export as it comes (CSV with any usual separator and decimal mark, XLSX, one column a tag or one row a "
        "reading), says what was understood, asks six questions, and verifies it. Nothing leaves this machine.",
    )
    parser.add_argument("export", type=Path, nargs="?", metavar="EXPORT", help="the exported file")
    parser.add_argument("--page", action="store_true", help="on a page in the browser instead; no site is needed")
    parser.add_argument("--port", default="0", metavar="PORT", help="of that page (default: any free one)")
    parser.add_argument(
        "--answers", type=Path, metavar="FILE", help="answers from a file instead of questions (YAML; see --questions)"
    )
    parser.add_argument(
        "--questions", action="store_true", help="print the questions as a file of answers to fill in, and leave"
    )
    parser.add_argument("--save", type=Path, metavar="SITE", help="write the answers as a site file, for `replay`")
    parser.add_argument("--sheet", default="", metavar="NAME", help="sheet of a workbook (default: the first)")
    parser.add_argument(
        "--linear", action="append", default=[], metavar="COLUMN", help="on a line between readings, instead of held"
    )
    parser.add_argument(
        "--json", type=Path, metavar="OUT", help="also write the report as one JSON object (`-`: stdout, no text)"
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Read, ask, verify; or print the questions for this file."""
    from collector.exports.asking import ask, from_file, questions_text
    from collector.exports.child import read_in_child
    from collector.exports.read import Overrules
    from collector.exports.tidy import Between

    if args.page:
        from collector.cli.alone import serve

        return serve("/verify", args.port)
    if args.export is None:
        raise TallywireError("the file is not named", where="EXPORT", fix="tallywire verify EXPORT, or tallywire verify --page")
    quiet = args.json is not None and str(args.json) == "-"
    between = dict.fromkeys(args.linear, Between.LINEAR)
    with tempfile.TemporaryDirectory(prefix="tallywire-") as folder:
        table = Path(folder) / "export.parquet"
        read = read_in_child(args.export, table, Overrules(sheet=args.sheet, between=between))
        if not quiet and not args.questions:
            _show(read)
        if args.questions:
            sys.stdout.write(questions_text(read))
            return 0
        if args.answers is not None:
            asked = from_file(args.answers, read)
        elif sys.stdin.isatty():
            asked = ask(read, _Terminal())
        else:
            raise TallywireError(
                "there is nobody to answer: stdin is no terminal",
                fix="tallywire verify EXPORT --questions > answers.yaml, fill it in, then --answers answers.yaml",
            )
        if asked.reread(read):
            overrules = _overrules(asked, args.sheet, between)
            read = read_in_child(args.export, table, overrules)
        return _verdict(args, read, asked.answers)


def _show(read: ReadExport) -> None:
    from collector.replay.text import wrapped

    lines = [line for sentence in read.said.lines() for line in wrapped(sentence, rest="  ")]
    sys.stdout.write("\n".join(lines) + "\n\n")
    sys.stdout.flush()


class _Terminal:
    """The person at the keyboard."""

    def ask(self, text: str) -> str:
        self.tell(text)
        line = sys.stdin.readline()
        if not line:
            raise TallywireError("the answers ended before the questions", fix="start again, or use --answers FILE")
        return line.strip()

    def tell(self, text: str) -> None:
        sys.stdout.write(text)
        sys.stdout.flush()


def _verdict(args: argparse.Namespace, read: ReadExport, answers: Answers) -> int:
    from collector.exports.answers import site_of, site_text
    from collector.replay.report import to_bytes
    from collector.replay.run import exit_code
    from collector.replay.text import text, wrapped

    outcome, notes, step_s = _outcome(site_of(answers), read, _targets(answers.columns, answers.loop))
    if args.save is not None:
        write_out(args.save, site_text(answers).encode())
    if args.json is not None and str(args.json) == "-":
        sys.stdout.buffer.write(to_bytes(outcome))
        return exit_code(outcome)
    if args.json is not None:
        write_out(args.json, to_bytes(outcome))
    from collector.exports.asking import still_needed

    sys.stdout.write(text(outcome, source=f"export {args.export.name}", warnings=notes, step_s=step_s))
    for sentence in still_needed(answers):
        sys.stdout.write("\n".join(wrapped(sentence, rest="  ")) + "\n")
    return exit_code(outcome)


def _outcome(site: Site, read: ReadExport, targets: Mapping[str, str]) -> tuple[Outcome, Sequence[str], int]:
    """What is found, what a reader must know, and the step of the samples [s]."""
    from collector.replay.importer import open_recording
    from collector.replay.many import lanes_of
    from collector.replay.run import replay, replay_lanes
    from collector.replay.storing import is_held, lost

    if is_held(site):
        found = lanes_of(site, [read.table], read.map_to(targets), read.table.parent)
        return replay_lanes(found), (*found.notes, *lost(found.site)), found.source.step_s
    recording = open_recording(site, read.table, read.map_to(targets))
    return replay(recording), recording.warnings, recording.step_s


def _overrules(asked: Asked, sheet: str, between: Mapping[str, Between]) -> Overrules:
    """How the file is read again behind the answers."""
    from collector.exports.answers import site_of
    from collector.exports.read import Overrules
    from collector.exports.tidy import Between
    from config.model import RecordedTag

    longest: dict[str, float] = {}
    between = dict(between)
    loop = site_of(asked.answers).loops[asked.answers.loop]
    for name, column in asked.answers.columns.items():
        tag = loop.tags[column.role]
        if isinstance(tag, RecordedTag) and tag.stored != "all":
            between[name] = Between.LINEAR if tag.stored == "line" else Between.HOLD
            if tag.longest is not None:
                longest[name] = tag.longest
    return Overrules(zone=asked.answers.zone, order=asked.order, sheet=sheet, between=between, longest=longest)


def _targets(columns: Mapping[str, Column], loop: str) -> dict[str, str]:
    return {name: f"{loop}.{column.role}" for name, column in columns.items()}
