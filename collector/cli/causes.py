"""`tallywire causes`: the catalogue of causes, one cause, and what the tags of a site can name."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from collector.cli import exits
from config.errors import TallywireError

if TYPE_CHECKING:
    from checks.causes.cause import Cause
    from checks.causes.naming import Naming
    from config.model import Site

    Subparsers = argparse._SubParsersAction[argparse.ArgumentParser]

MOST_EXTRA = 3
"""So many further tags are named for a loop."""


def add(subparsers: Subparsers) -> None:
    """Add the command and its options."""
    parser = subparsers.add_parser(
        "causes",
        help="list the causes that can be found, show one, or say which of them a site's tags can name",
        description="Without a site file: every cause, or one cause with what it does, what looks like it, and what to check "
        "first. With a site file: which causes the tags of each loop can name, which only as a set, which not at all, and "
        "which further tag would part most of them.",
    )
    parser.add_argument("cause", metavar="ID", nargs="?", help="id of a cause, such as upper-range")
    parser.add_argument("--site", type=Path, metavar="SITE", help="site file (YAML)")
    parser.add_argument("--loop", metavar="LOOP", help="only this loop of the site")
    parser.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print what is asked for; an unknown cause or loop leaves as `TallywireError`."""
    from checks.causes import registry
    from config.problems import meant

    known = registry()
    if args.cause is not None and args.cause not in known:
        near = meant(args.cause, known)
        fix = near if near.startswith("did you mean") else "tallywire causes lists them all"
        raise TallywireError(f"there is no cause {args.cause!r}", where="ID", fix=fix)
    cause = None if args.cause is None else known[args.cause]
    site, loops = _site(args)
    if args.json:
        _print_json(cause, site, loops)
        return exits.NO_FINDING
    parts = [*([_one(cause)] if cause is not None else []), *([_of_site(site, loops, cause)] if site is not None else [])]
    sys.stdout.write("\n".join(parts or [_list()]))
    return exits.NO_FINDING


def _site(args: argparse.Namespace) -> tuple[Site | None, list[str]]:
    if args.site is None:
        if args.loop is not None:
            raise TallywireError("a loop is named without its site", where="--loop", fix="add --site SITE.yaml")
        return None, []
    from config.load import load_site
    from config.problems import meant

    site = load_site(args.site).site
    if args.loop is not None and args.loop not in site.loops:
        raise TallywireError(f"there is no loop {args.loop!r}", where="--loop", fix=meant(args.loop, site.loops))
    return site, [args.loop] if args.loop is not None else list(site.loops)


def _print_json(cause: Cause | None, site: Site | None, loops: list[str]) -> None:
    from collector.web import cause_answers

    whole = cause_answers.catalogue(site, loops).model_dump()
    if cause is not None:
        whole["causes"] = [item for item in whole["causes"] if item["id"] == cause.id]
    sys.stdout.write(json.dumps(whole, indent=2, ensure_ascii=False) + "\n")


def _list() -> str:
    """Every cause in a line, by family."""
    from checks.causes import families
    from collector.replay.text import WIDTH, wrapped

    lines: list[str] = []
    count = 0
    for words, causes in families():
        lines += ["", f"{words[:1].upper()}{words[1:]}"]
        for cause in causes:
            note = " (no fault)" if cause.innocent else ""
            lines.append(f"  {cause.id:<24}{cause.title + note:<45.45} {cause.signal.value}  {cause.mode.value}")
            count += 1
    head = wrapped(
        f"{count} causes; behind each the status signal of NAMUR NE 107 (F failure, C function check, S out of specification, "
        "M maintenance required) and the failure mode in the vocabulary of ISO 14224."
    )
    foot = wrapped("One of them: tallywire causes upper-range. What your tags can name: tallywire causes --site SITE.yaml")
    assert all(len(line) <= WIDTH for line in lines)
    return "\n".join([*head, *lines, "", *foot]) + "\n"


def _one(cause: Cause) -> str:
    """One cause in full."""
    from checks.causes.naming import partners
    from checks.causes.signatures import letters_in
    from collector.replay.text import WIDTH, wrapped
    from collector.web.cause_answers import walks
    from config.cautions import caution_text

    def block(head: str, *texts: str) -> list[str]:
        return ["", head, *(line for text in texts for line in wrapped(text, first="  ", rest="    "))]

    def fact(name: str, text: str) -> list[str]:
        return wrapped(text, first=f"{name:<11}", rest=" " * 11)

    lines = [cause.id, *wrapped(cause.title + (" (recognised so that it is not reported)" if cause.innocent else ""))]
    lines += ["-" * WIDTH, *fact("links", ", ".join(link.value for link in cause.links))]
    lines += fact("needs tags", ", ".join(cause.roles))
    lines += fact("NE 107", f"{cause.signal.value}, {_words(cause.signal.name)}")
    lines += fact("ISO 14224", f"{cause.mode.value}, {_words(cause.mode.name)}")
    lines += block("What it looks like", cause.signature)
    letters = letters_in(cause.signature).items()
    lines += [
        "  where",
        *(line for name, means in letters for line in wrapped(f"{name}: {means}", first="    ", rest="      ")),
    ]
    others = partners(cause.id)
    if others:
        lines += block("What looks like it, and what parts the two", *(f"{other}: {words}" for other, words in others))
    lines += block("First three checks", *(f"{place}) {text}" for place, text in enumerate(cause.checks, 1)))
    if walks(cause):
        lines += ["", *caution_text(WIDTH).splitlines()]
    return "\n".join(lines) + "\n"


def _words(name: str) -> str:
    return name.replace("_", " ").lower()


def _of_site(site: Site, loops: list[str], cause: Cause | None) -> str:
    """What the tags of each loop can name; of one cause only, where one is asked for."""
    from checks.causes.naming import naming, tags_of

    lines: list[str] = []
    told: dict[tuple[str, ...], str] = {}
    for loop in loops:
        found = naming(tags_of(site, loop))
        said = tuple(_one_in_loop(found, cause.id) if cause is not None else _loop(found))
        title = site.loops[loop].title
        lines += ["", f"{loop}  {title}" if title else loop]
        lines += [f"  as {told[said]}"] if said in told else said
        told.setdefault(said, loop)
    return "\n".join(lines[0 if cause is not None else 1 :]) + "\n"


def _one_in_loop(found: Naming, cause: str) -> list[str]:
    from collector.replay.text import wrapped

    if cause in found.missing:
        return wrapped(f"cannot be named: needs {' and '.join(found.missing[cause])}", first="  ", rest="    ")
    if cause in found.sets:
        return wrapped(f"only in a set with {', '.join(found.sets[cause])}", first="  ", rest="    ")
    return ["  the tags suffice to name it"]


def _loop(found: Naming) -> list[str]:
    from collector.replay.text import wrapped

    lines = wrapped(f"told alone, {len(found.alone)}: {', '.join(found.alone)}", first="  ", rest="    ")
    if found.sets:
        lines.append(f"  only in a set, {len(found.sets)}:")
        for cause, others in found.sets.items():
            lines += wrapped(f"{cause} with {', '.join(others)}", first="    ", rest="      ")
    if found.missing:
        lines.append(f"  not at all, {len(found.missing)}:")
        for cause, roles in found.missing.items():
            lines += wrapped(f"{cause} needs {' and '.join(roles)}", first="    ", rest="      ")
    if found.extra:
        best = [
            f"{_named(role)} would part {pairs} pair{'' if pairs == 1 else 's'}" for role, pairs in found.extra[:MOST_EXTRA]
        ]
        lines += wrapped(f"one more tag: {', '.join(best)}", first="  ", rest="    ")
    return lines


def _named(role: str) -> str:
    from checks.causes.separability import REFERENCES, VARIED

    return {REFERENCES: "material tests in the ledger", VARIED: "several belt speeds"}.get(role, role)
