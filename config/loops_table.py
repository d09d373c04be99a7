"""A table of loops: one loop a row, each column a dotted path under the loop, over a common template.

    loop,  title,          gauge.range.high [t/h], plc.range.high, tags.flow.address
    TB-07, Ship loader 7,  420,                    420 t/h,        100

A unit in square brackets in the head goes with every bare number below it. An empty cell leaves what the template says.
"""

from __future__ import annotations

import copy
import csv
import io
import re
from typing import Any

from config.model import Loop, ModbusTag, OpcUaTag, RecordedTag
from config.problems import KeyPath, Place, Places, Problem, meant
from config.roles import ROLES
from config.units import known_unit
from config.validation import keys_of, model_at

_TAG_KEYS = {key for model in (ModbusTag, OpcUaTag, RecordedTag) for key in keys_of(model)}
_HEAD = re.compile(r"^\s*(?P<path>[^\[\]]*?)\s*(?:\[(?P<unit>[^\]]*)\])?\s*$")
_NUMBER = re.compile(r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")


def read_loops(
    text: str, name: str, template: object, places: Places, taken: object = None
) -> tuple[dict[str, Any], list[Problem]]:
    """Loops by id as plain mappings, in the order of the rows; notes their places; every problem names a line of `name`.

    `template` is the mapping at `loop_template`, `taken` the mapping of loops that the site file itself has.
    """
    problems: list[Problem] = []
    delimiter = ";" if ";" in text.partition("\n")[0] and "," not in text.partition("\n")[0] else ","
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    loops: dict[str, Any] = {}
    columns: list[tuple[KeyPath, str] | None] | None = None
    common = {path[1:]: place for path, place in places.known.items() if path[0] == "loop_template" and len(path) > 1}
    try:
        for row in reader:
            here = Place(name, reader.line_num)
            if not any(cell.strip() for cell in row):
                continue
            if columns is None:
                columns = _columns(row, here, problems)
                if ((), "") not in columns:
                    problems.append(Problem(here, "", "no column is called 'loop'", "the column `loop` holds the loop ids"))
                    return {}, problems
                continue
            if len(row) > len(columns):
                problems.append(
                    Problem(here, "", f"{len(row)} cells stand under {len(columns)} columns", "quote cells with commas")
                )
                continue
            cells = [(column, cell.strip()) for column, cell in zip(columns, row, strict=False) if column and cell.strip()]
            loop_id = next((cell for column, cell in cells if column == ((), "")), "")
            if not loop_id:
                problems.append(Problem(here, "", "the row has no loop id"))
            elif loop_id in loops or (isinstance(taken, dict) and loop_id in taken):
                problems.append(Problem(here, f"loops.{loop_id}", f"the loop {loop_id!r} is described twice", "keep one"))
            else:
                loops[loop_id] = _loop(loop_id, cells, template, here, places, common)
    except csv.Error as error:
        problems.append(Problem(Place(name, reader.line_num), "", f"not readable as CSV: {error}"))
    if columns is None:
        problems.append(
            Problem(Place(name, 0), "", "the table is empty", "the first line names the columns, beginning with `loop`")
        )
    return loops, problems


def _columns(row: list[str], here: Place, problems: list[Problem]) -> list[tuple[KeyPath, str] | None]:
    """Path under the loop and unit of each column; () for the ids, None for a column that is refused."""
    columns: list[tuple[KeyPath, str] | None] = []
    for cell in row:
        found = _HEAD.match(cell)
        text, unit = (found["path"], (found["unit"] or "").strip()) if found else (cell, "")
        path: KeyPath = () if text == "loop" else tuple(text.split("."))
        wrong = _unknown(path) if text != "loop" else ""
        if unit and not known_unit(unit):
            wrong = wrong or f"{unit!r} is no known unit"
        if any(column is not None and column[0] == path for column in columns):
            wrong = wrong or "the column stands here twice"
        if wrong:
            problems.append(Problem(here, text, f"column {cell.strip()!r}: {wrong}"))
        columns.append(None if wrong else (path, unit))
    return columns


def _unknown(path: KeyPath) -> str:
    """What is wrong with a column path, empty where it leads to a value."""
    if path[0] == "tags":
        if len(path) != 3:
            return "a tag column is tags.ROLE.KEY, as in tags.flow.address"
        role, key = str(path[1]), str(path[2])
        if role not in ROLES:
            return f"no role {role!r}; {meant(role, ROLES)}"
        return "" if key in _TAG_KEYS else f"a tag has no {key!r}; {meant(key, sorted(_TAG_KEYS))}"
    above = model_at(Loop, path[:-1])
    if above is None:
        return "there is no such part of a loop; " + meant(str(path[0]), keys_of(Loop))
    if path[-1] not in keys_of(above):
        return meant(str(path[-1]), keys_of(above))
    return f"is a part, not a value; name a column {'.'.join(map(str, path))}.KEY" if model_at(Loop, path) else ""


def _loop(
    loop_id: str,
    cells: list[tuple[tuple[KeyPath, str], str]],
    template: object,
    here: Place,
    places: Places,
    common: dict[KeyPath, Place],
) -> dict[str, Any]:
    loop: dict[str, Any] = copy.deepcopy(template) if isinstance(template, dict) else {}
    base: KeyPath = ("loops", loop_id)
    places.known[base] = here
    places.known.update({(*base, *path): place for path, place in common.items()})
    for (path, unit), cell in cells:
        if not path:
            continue
        part = loop
        for key in path[:-1]:
            inner = part.get(str(key))
            part[str(key)] = part = inner if isinstance(inner, dict) else {}
        part[str(path[-1])] = f"{cell} {unit}" if unit and _NUMBER.match(cell) else cell
        for length in range(1, len(path) + 1):
            places.known[(*base, *path[:length])] = here
    return loop
