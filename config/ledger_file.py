"""Reads the ledger file that a site file names (`ledger: ledger.yaml`), YAML or CSV, beside the site file.

YAML holds the lists `material_tests`, `tares` and `spans`. CSV has one entry a row, with a column `kind` and a column a key:

    kind,          loop,  begin,            end,              reference [t], uncertainty [t], gauge [t]
    material_test, TB-07, 2026-05-04 06:10, 2026-05-04 09:40, 912.4,         1.8,             909.6

A unit in square brackets in the head goes with every bare number below it. Every entry is judged by itself, so that all
that is wrong is told at once.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import BaseModel

from config.ledger import ENTRIES, KINDS, MaterialTestEntry, SpanEntry, TareEntry
from config.problems import KeyPath, Place, Places, Problem, meant
from config.units import known_unit
from config.validation import check_part, keys_of
from config.yaml_tree import read_tree

KEY = "ledger"
SHAPE = f"a mapping with the lists {', '.join(ENTRIES)}"
_HEAD = re.compile(r"^\s*(?P<key>[^\[\]]*?)\s*(?:\[(?P<unit>[^\]]*)\])?\s*$")
_NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
_ALL_KEYS = sorted({key for model in ENTRIES.values() for key in keys_of(model)})


def ledger_file(name: object, folder: Path | None, places: Places) -> Path | Problem:
    """The file that the site file names, or what is wrong with the name."""
    path: KeyPath = (KEY,)
    if not isinstance(name, str) or not re.search(r"\.(ya?ml|csv)$", name, re.IGNORECASE):
        return places.problem(path, f"{name!r} is no ledger file", "the name of a .yaml or .csv file beside the site file")
    if folder is None:
        return places.problem(path, "a ledger needs a site file on disk")
    file = (folder / name).resolve()
    if not file.is_relative_to(folder.resolve()):
        return places.problem(path, f"{name!r} lies outside the folder of the site file", "put it beside the site file")
    return file


def read_ledger(text: str, name: str, site: Mapping[str, Any], places: Places) -> tuple[dict[str, Any], list[Problem]]:
    """The lists of a ledger as models, ready for `Site`, and every problem; `site` is the site file as plain data.

    Notes the places of the ledger in `places`, under the key `ledger`. Entries that are wrong are left out.
    """
    lists, problems = (_rows if name.lower().endswith(".csv") else _tree)(text, name, places)
    out: dict[str, Any] = {}
    loops = site.get("loops")
    known = list(loops) if isinstance(loops, dict) else []
    zone = _zone(site.get("time_zone", "UTC"))
    for kind, raw in lists.items():
        if kind not in ENTRIES:
            problems.append(places.problem((KEY, kind), f"unknown key {kind!r}", meant(str(kind), ENTRIES)))
            continue
        if raw is None:
            continue
        if not isinstance(raw, list):
            problems.append(places.problem((KEY, kind), "a list is needed here", "begin each entry with `- loop: ...`"))
            continue
        out[kind] = []
        for index, entry in enumerate(raw):
            path: KeyPath = (KEY, kind, index)
            part, wrong = check_part(ENTRIES[kind], entry, path, places, None)
            problems += wrong.values()
            if isinstance(part, BaseModel):
                found = list(_against(part, path, places, known, zone))
                problems += found
                if not found:
                    place = places.of(path)
                    source = getattr(part, "source", "") or f"{Path(place.file).name}:{place.line}"
                    out[kind].append(part.model_copy(update={"source": source}))
    return out, problems


def _zone(name: object) -> ZoneInfo:
    try:
        return ZoneInfo(str(name))
    except (KeyError, ValueError, OSError):
        return ZoneInfo("UTC")


def _tree(text: str, name: str, places: Places) -> tuple[dict[str, Any], list[Problem]]:
    if not text.strip():
        return {}, [Problem(Place(name, 0), KEY, "the ledger is empty", SHAPE)]
    tree = read_tree(text, name)
    places.known.update({(KEY, *path): place for path, place in tree.places.known.items()})
    problems = [
        Problem(problem.place, problem.path, problem.what, SHAPE if "schema: 1" in problem.allowed else problem.allowed)
        for problem in tree.problems
    ]
    return (tree.data if isinstance(tree.data, dict) else {}), problems


def _rows(text: str, name: str, places: Places) -> tuple[dict[str, Any], list[Problem]]:
    head = text.partition("\n")[0]
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=";" if ";" in head and "," not in head else ",", strict=True)
    lists: dict[str, Any] = {}
    problems: list[Problem] = []
    columns: list[tuple[str, str]] | None = None
    try:
        for row in reader:
            here = Place(name, reader.line_num)
            cells = [cell.strip() for cell in row]
            if not any(cells):
                continue
            if columns is None:
                columns = _columns(cells, here, problems)
                if "kind" not in {key for key, _ in columns}:
                    return {}, [*problems, Problem(here, KEY, "no column is called 'kind'", f"kind holds {', '.join(KINDS)}")]
                continue
            if len(cells) > len(columns):
                what = f"{len(cells)} cells stand under {len(columns)} columns"
                problems.append(Problem(here, KEY, what, "quote cells with commas"))
                continue
            entry = {
                key: f"{cell} {unit}" if unit and _NUMBER.match(cell) else float(cell) if _is_factor(key, cell) else cell
                for (key, unit), cell in zip(columns, cells, strict=False)
                if key and cell
            }
            kind = KINDS.get(str(entry.pop("kind", "")))
            if kind is None:
                problems.append(Problem(here, f"{KEY}.kind", "the row is of no known kind", f"allowed: {', '.join(KINDS)}"))
                continue
            index = len(lists.setdefault(kind, []))
            lists[kind].append(entry)
            places.known.update({(KEY, kind, index): here} | {(KEY, kind, index, key): here for key in entry})
    except csv.Error as error:
        problems.append(Problem(Place(name, reader.line_num), KEY, f"not readable as CSV: {error}"))
    if columns is None:
        problems.append(Problem(Place(name, 0), KEY, "the ledger is empty", "the first line names the columns: kind,loop,..."))
    return lists, problems


def _is_factor(key: str, cell: str) -> bool:
    return key in ("factor_before", "factor_after", "turns") and _NUMBER.match(cell) is not None


def _columns(cells: list[str], here: Place, problems: list[Problem]) -> list[tuple[str, str]]:
    columns: list[tuple[str, str]] = []
    for cell in cells:
        found = _HEAD.match(cell)
        key, unit = (found["key"], (found["unit"] or "").strip()) if found else (cell, "")
        wrong = "" if key == "kind" or key in _ALL_KEYS else meant(key, ["kind", *_ALL_KEYS])
        if unit and not known_unit(unit):
            wrong = wrong or f"{unit!r} is no known unit"
        if key and key in {name for name, _ in columns}:
            wrong = wrong or "the column stands here twice"
        if wrong:
            problems.append(Problem(here, f"{KEY}.{key}", f"column {cell!r}: {wrong}"))
        columns.append(("", "") if wrong else (key, unit))
    return columns


def _against(entry: BaseModel, path: KeyPath, places: Places, loops: list[str], zone: ZoneInfo) -> Iterator[Problem]:
    """What the rules have against an entry that can be read."""

    def problem(key: str, what: str, allowed: str = "") -> Problem:
        return places.problem((*path, key), what, allowed)

    assert isinstance(entry, MaterialTestEntry | TareEntry | SpanEntry)
    if entry.loop not in loops:
        yield problem("loop", f"there is no loop {entry.loop!r}", meant(entry.loop, loops))
    moments = []
    for key in ("begin", "end"):
        moment = getattr(entry, key)
        local = moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)
        if moment.tzinfo is None and local.utcoffset() != local.replace(fold=1).utcoffset():
            what = "the clock was changed at this hour, so that it is not one moment"
            yield problem(key, what, f"write it with its offset, for example {moment:%Y-%m-%dT%H:%M}Z")
        moments.append(local.timestamp())
    if moments[1] <= moments[0]:
        yield problem("end", "the end does not come after the begin", "day and time of both; a lot over midnight ends next day")
    if isinstance(entry, MaterialTestEntry):
        if entry.reference <= 0.0:
            yield problem("reference", f"{entry.reference:g} t is no lot", "the tonnes of the lot, more than zero")
        if not 0.0 <= entry.uncertainty < max(entry.reference, 1e-9):
            yield problem("uncertainty", "must lie between zero and the reference", "the expanded uncertainty (k = 2)")
        if entry.moisture is not None and not 0.0 <= entry.moisture < 100.0:
            yield problem("moisture", f"{entry.moisture:g} % is no moisture", "0 % to 100 %")
    if isinstance(entry, TareEntry) and entry.rate <= 0.0:
        yield problem("rate", f"{entry.rate:g} 1/s is no count rate of an empty belt", "more than zero")
    if isinstance(entry, SpanEntry) and entry.mass is None and entry.load is None:
        yield problem("mass", "a span run needs what is known of it", "mass: 12.5 t, or load: 38 kg/m")
