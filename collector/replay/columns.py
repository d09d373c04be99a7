"""Which column of a recorded file is which tag."""

from __future__ import annotations

import csv
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path

from collector.replay.opening import Place, shown
from collector.replay.units import refuse_unit, split_unit
from config.errors import DataFileError
from config.model import Loop, RecordedTag, Site
from config.roles import ROLES

TIME = "time"
QUALITY = "quality"
FLAGS = "flags"


@dataclass(frozen=True, slots=True)
class Columns:
    """What the columns of a file mean: `value`, `quality` by (loop, role), `flags` by loop; and what is said about them.

    `units` by (loop, role) are those that the names of the columns say.
    """

    time: str
    value: Mapping[tuple[str, str], str]
    quality: Mapping[tuple[str, str], str]
    flags: Mapping[str, str]
    warnings: tuple[str, ...]
    units: Mapping[tuple[str, str], str] = field(default_factory=dict)

    def loops(self) -> list[str]:
        """Loops that the file has columns of, in the order of the file."""
        return list(dict.fromkeys(loop for loop, _ in self.value))

    def of(self, loops: Collection[str]) -> Columns:
        """The columns of some loops, without what is said of the file."""
        return Columns(
            self.time,
            {key: name for key, name in self.value.items() if key[0] in loops},
            {key: name for key, name in self.quality.items() if key[0] in loops},
            {loop: name for loop, name in self.flags.items() if loop in loops},
            (),
            {key: unit for key, unit in self.units.items() if key[0] in loops},
        )

    def roles(self, loop: str) -> list[str]:
        """Roles of a loop in the file."""
        return [role for name, role in self.value if name == loop]


def read_columns(site: Site, names: Sequence[str], path: Place, column_map: Mapping[str, str] | None = None) -> Columns:
    """Understand the header of a recorded file.

    A name is `time`, `<loop>.<role>`, `<loop>.<role>.quality`, `<loop>.flags`, or the same without the loop where the site
    has one; behind it may stand a unit in square brackets. `column_map` gives such a name for other names; a column mapped to
    an empty name is left out.

    Raises
    ------
    DataFileError
        No time, a name twice, an unknown loop or role, a unit that does not fit, or a loop without `flow`.
    """
    said = _renamed(names, column_map or {}, path)
    renamed = {name: split_unit(target)[0] for name, target in said.items()}
    wanted = {target: name for name, target in renamed.items()}
    if len(wanted) < len(renamed):
        double = next(target for target in wanted if list(renamed.values()).count(target) > 1)
        raise DataFileError(
            f"the column {double!r} is there more than once",
            where=f"{shown(path)}, line 1",
            fix="keep one, remove or rename the others",
        )
    if TIME not in wanted:
        near = [name for name in names if name.strip().lower() in {"time", "timestamp", "datetime", "date", "ts", "t", "utc"}]
        hint = f"name the column {near[0]!r} `time`" if near else "add a column `time` (ISO 8601 with zone, or epoch seconds)"
        raise DataFileError("there is no time column", where=f"{shown(path)}, line 1", fix=f"{hint}, or map it with --map")
    value: dict[tuple[str, str], str] = {}
    quality: dict[tuple[str, str], str] = {}
    flags: dict[str, str] = {}
    units: dict[tuple[str, str], str] = {}
    for target, name in wanted.items():
        if target == TIME:
            continue
        loop, role, kind = _parts(site, target, name, path)
        if role == FLAGS:
            flags[loop] = name
        elif kind == QUALITY:
            quality[loop, role] = name
        else:
            value[loop, role] = name
            if unit := split_unit(said[name])[1]:
                refuse_unit(role, unit, name, path)
                units[loop, role] = unit
    columns = Columns(wanted[TIME], value, quality, flags, tuple(_warnings(site, value, units)), units)
    _refuse_without_flow(columns, quality, path)
    return columns


def _renamed(names: Sequence[str], column_map: Mapping[str, str], path: Place) -> dict[str, str]:
    """Column name -> contract name, the columns that are left out removed."""
    twice = {name for name in names if list(names).count(name) > 1}
    if twice:
        raise DataFileError(
            f"the column {sorted(twice)[0]!r} is there more than once",
            where=f"{shown(path)}, line 1",
            fix="keep one, remove the others",
        )
    unused = [name for name in column_map if name not in names]
    if unused:
        near = get_close_matches(unused[0], names, n=1)
        meant = f"did you mean {near[0]!r}?" if near else f"the file has: {_listed(names)}"
        raise DataFileError(f"the column map names {unused[0]!r}, which is not in the file", where=shown(path), fix=meant)
    renamed = {name: column_map.get(name, name.strip()) for name in names}
    return {name: target for name, target in renamed.items() if target}


def _parts(site: Site, target: str, name: str, path: Place) -> tuple[str, str, str]:
    """Loop, role (or `flags`) and "quality" or ""."""
    pieces = target.split(".")
    bare = "." not in target and len(site.loops) == 1
    kind = ""
    if len(pieces) > 1 and pieces[-1] == QUALITY:
        kind = QUALITY
        pieces = pieces[:-1]
    if len(pieces) == 1 and len(site.loops) == 1:
        pieces = [next(iter(site.loops)), *pieces]
    if len(pieces) == 2 and pieces[0] in site.loops and (pieces[1] in ROLES or (pieces[1] == FLAGS and not kind)):
        return pieces[0], pieces[1], kind
    known = list(ROLES) if bare else [f"{loop}.{role}" for loop in site.loops for role in ROLES]
    near = get_close_matches(target if bare else ".".join(pieces), known, n=1, cutoff=0.5)
    if len(pieces) == 1 and pieces[0] in ROLES:
        fix = f"the site has {len(site.loops)} loops, say which: {next(iter(site.loops))}.{pieces[0]}"
    elif len(pieces) == 2 and pieces[1] in ROLES:
        fix = f"the site file has no loop {pieces[0]!r}; it has {_listed(list(site.loops))}"
    elif near:
        fix = f"did you mean {near[0]!r}? Other columns can be mapped or left out with --map"
    else:
        fix = "name it <loop>.<role>, or map it or leave it out with --map"
    raise DataFileError(f"the column {name!r} is neither time nor a tag of the site", where=f"{shown(path)}, line 1", fix=fix)


def _refuse_without_flow(columns: Columns, quality: Mapping[tuple[str, str], str], path: Place) -> None:
    alone = [key for key in quality if key not in columns.value]
    if alone:
        raise DataFileError(
            f"the column {quality[alone[0]]!r} has no column of values beside it",
            where=f"{shown(path)}, line 1",
            fix=f"add the column {'.'.join(alone[0])!r}",
        )
    for loop in columns.loops():
        if (loop, "flow") not in columns.value:
            raise DataFileError(
                f"loop {loop} has no flow: there is no column '{loop}.flow'",
                where=f"{shown(path)}, line 1",
                fix="add the mass flow that the gauge reports; without it no link can be compared",
            )
    if not columns.value:
        raise DataFileError(
            "there is no flow: the file has no column but time",
            where=f"{shown(path)}, line 1",
            fix="add at least the column <loop>.flow",
        )


def _warnings(site: Site, value: Mapping[tuple[str, str], str], units: Mapping[tuple[str, str], str]) -> list[str]:
    said = []
    for (loop, role), name in value.items():
        if role not in site.loops[loop].tags:
            unit = units.get((loop, role), "") or ROLES[role].unit or "bare number"
            said.append(f"column {name!r}: the site file has no tag for it; read as {unit}")
    there = {loop for loop, _ in value}
    for loop_id, part in site.loops.items():
        if loop_id not in there:
            said.append(f"loop {loop_id}: no column in the file; left out")
            continue
        missing = [role for role in part.tags if (loop_id, role) not in value]
        if missing:
            said.append(f"loop {loop_id}: no column for {', '.join(missing)}; what needs them is not evaluated")
    return said


def site_of_columns(site: Site, columns: Columns) -> Site:
    """The site as the file carries it: the loops and tags it has columns of, a tag that is not declared in its own unit."""
    loops: dict[str, Loop] = {}
    for loop_id in columns.loops():
        loop = site.loops[loop_id]
        declared = [role for role in loop.tags if (loop_id, role) in columns.value]
        others = [role for role in columns.roles(loop_id) if role not in loop.tags]
        tags = {role: loop.tags[role] for role in declared} | {role: RecordedTag() for role in others}
        loops[loop_id] = loop.model_copy(update={"tags": tags})
    return site.model_copy(update={"loops": loops})


def read_map(path: Path) -> dict[str, str]:
    """Read a column map: a CSV of two columns without header, the name in the data and the name it stands for.

    An empty second column leaves the column out. Lines that start with # are comments.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            text = [line for line in file if line.strip() and not line.startswith("#")]
    except (OSError, UnicodeDecodeError) as error:
        raise DataFileError("the column map cannot be read", where=str(path), fix=str(error)) from error
    found: dict[str, str] = {}
    separator = ";" if text and ";" in text[0] and "," not in text[0] else ","
    for number, row in enumerate(csv.reader(text, delimiter=separator), 1):
        if len(row) != 2 or not row[0].strip():
            raise DataFileError(
                f"entry {number} of the column map has not two columns: {separator.join(row)!r}",
                where=str(path),
                fix="one line a column: name in the data,<loop>.<role>",
            )
        found[row[0].strip()] = row[1].strip()
    return found


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(repr(name) for name in names[:6])
    return shown if len(names) <= 6 else f"{shown} and {len(names) - 6} more"
