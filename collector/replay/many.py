"""Several files, one tag each or more, and files of which not every reading was stored: which column of which file is which tag."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from collector.exports.child import read_in_child
from collector.exports.for_replay import keeps_contract, local
from collector.exports.held import LOOKED_AT, Held, looks_held
from collector.exports.read import Overrules
from collector.exports.tidy import Between
from collector.replay.columns import QUALITY, TIME
from collector.replay.grid import grid_step
from collector.replay.importer import hold_s
from collector.replay.lanes import Lane, LaneSource
from collector.replay.opening import Place, name_of, shown
from collector.replay.storing import is_held
from collector.replay.tables import open_table
from collector.replay.units import refuse_unit, split_unit
from config.errors import DataFileError
from config.model import RecordedTag, Site
from config.roles import ROLES

HOLD_STEPS, LEAST_HOLD_S, MOST_HOLD_S = 3.0, 2.0, 900.0
"""How long a value stands where nobody says: so many of its usual distances, within these bounds [s]."""
VALUES = re.compile(r"^(value|val|reading|data)$", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lanes:
    """The site as the files carry it, where its readings lie, and what a reader must know."""

    site: Site
    source: LaneSource
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Column:
    """A column of a file with the tag that it is, the usual distance of its readings [s], and what it looks like where only
    changes seem to be stored."""

    loop: str
    lane: Lane
    usual_s: float
    held: Held | None


def lanes_of(site: Site, places: Sequence[Place], column_map: Mapping[str, str], folder: Path) -> Lanes:
    """Understand every file; what does not keep to the contract is read as an export into `folder`.

    A column is named by its header, or by the name of its file where the header says nothing but `value`. `column_map` gives
    `<loop>.<role>` for either.

    Raises
    ------
    DataFileError
        A file that cannot be read, a tag that comes twice, or a loop without `flow`.
    """
    found: list[_Column] = []
    notes: list[str] = []
    for number, place in enumerate(places):
        columns, said = _columns(site, place, column_map, folder / f"export-{number}.parquet")
        found += columns
        notes += [f"{name_of(place)}: {sentence}" for sentence in said] if len(places) > 1 else said
    _refuse_odd(found)
    loops = {}
    for loop in dict.fromkeys(column.loop for column in found):
        roles = [column.lane.role for column in found if column.loop == loop]
        tags = {role: tag for role, tag in site.loops[loop].tags.items() if role in roles}
        tags |= {role: RecordedTag() for role in roles if role not in tags}
        loops[loop] = site.loops[loop].model_copy(update={"tags": tags})
        missing = [role for role in site.loops[loop].tags if role not in roles]
        if missing:
            notes.append(f"loop {loop}: no column for {', '.join(missing)}; what needs them is not evaluated")
    notes += [f"loop {loop}: no column in the files; left out" for loop in site.loops if loop not in loops]
    assumed = [column for column in found if _stated(site, column) is None]
    if assumed:
        names = ", ".join(f"{column.loop}.{column.lane.role} {column.lane.longest_s:g} s" for column in assumed[:4])
        more = f" and {len(assumed) - 4} more" if len(assumed) > 4 else ""
        notes.append(f"assumed: a value stands at most three times its usual distance ({names}{more}); --kept says it better")
        notes += _looks_held(site, assumed)
    own_times = is_held(site.model_copy(update={"loops": loops}))  # each change has its own second
    source = LaneSource(
        lanes={loop: tuple(column.lane for column in found if column.loop == loop) for loop in loops},
        step_s=1 if own_times else grid_step(max(1.0, min(column.usual_s for column in found))),
    )
    return Lanes(site=site.model_copy(update={"loops": loops}), source=source, notes=tuple(notes))


def _columns(site: Site, place: Place, column_map: Mapping[str, str], made: Path) -> tuple[list[_Column], list[str]]:
    if keeps_contract(place, column_map):
        table = open_table(place)
        names = table.names
        values = {name: name for name in names if column_map.get(name, name.strip()) != TIME}
        qualities = {name: f"{name}.{QUALITY}" for name in values if f"{name}.{QUALITY}" in values}
        time = next((name for name in names if column_map.get(name, name.strip()) == TIME), None)
        if time is None:
            raise DataFileError("there is no time column", where=shown(place), fix="name it `time`, or map it with --map")
        path, said = place, list(table.said)
    else:
        read = read_in_child(local(place, made.parent), made, _overrules(site, column_map))
        values = {name: f"c{number}" for number, name in enumerate(read.columns)}
        qualities = {name: f"{column}.{QUALITY}" for name, column in values.items()}
        time, path, said = TIME, read.table, read.said.lines()
    targets = {
        name: target
        for name in values
        if name not in qualities.values() and (target := _target(site, name, place, values, column_map))
    }
    if not targets:
        raise DataFileError(
            f"no tag of the site by the name of {name_of(place)!r} or its columns ({', '.join(map(repr, list(values)[:5]))})",
            where=shown(place), fix="name the file or the column <loop>.<role>, or map it with --map",
        )  # fmt: skip
    left_out = [name for name in values if name not in targets and name not in qualities.values()]
    if left_out:
        said = [*said, f"left out: columns {', '.join(map(repr, left_out[:8]))}"]
    out = []
    for name, target in targets.items():
        target, unit = split_unit(target)
        unit = unit or split_unit(name)[1]
        loop, _, role = target.partition(".")
        refuse_unit(role, unit, name, place)
        usual, held = _looked_at(path, time, values[name], alone=len(targets) == 1)
        tag = site.loops[loop].tags.get(role, RecordedTag())
        column = _Column(
            loop=loop, usual_s=usual, held=held if role in LOOKED_AT else None,
            lane=Lane(
                role=role, path=path if not isinstance(path, Path) else path.resolve(), time=time, value=values[name],
                quality=qualities.get(name, ""), alone=len(targets) == 1,
                line=isinstance(tag, RecordedTag) and tag.stored == "line",
                longest_s=min(max(HOLD_STEPS * usual, LEAST_HOLD_S), MOST_HOLD_S), unit=unit,
            ),
        )  # fmt: skip
        stated = _stated(site, column)
        if stated is not None:
            column = replace(column, lane=replace(column.lane, longest_s=stated))
        out.append(column)
    return out, said


def _stated(site: Site, column: _Column) -> float | None:
    """How long a value may stand by what was said of its tag [s]; None where nothing was."""
    tag = site.loops[column.loop].tags.get(column.lane.role)
    if isinstance(tag, RecordedTag) and tag.longest is not None:
        return tag.longest
    if tag is not None and tag.period is not None and tag.period > column.usual_s:
        return hold_s(tag, column.lane.role, column.usual_s, 0.0)
    return None


def _overrules(site: Site, column_map: Mapping[str, str]) -> Overrules:
    """What was said of the tags, for the columns of an export by all names that they may have."""
    longest: dict[str, float] = {}
    between: dict[str, Between] = {}
    for loop, part in site.loops.items():
        for role, tag in part.tags.items():
            if not isinstance(tag, RecordedTag) or tag.stored == "all":
                continue
            target = f"{loop}.{role}"
            for name in [target, role, *(name for name, mapped in column_map.items() if mapped == target)]:
                between[name] = Between.LINEAR if tag.stored == "line" else Between.HOLD
                if tag.longest is not None:
                    longest[name] = tag.longest
    return Overrules(zone=site.time_zone, between=between, longest=longest)


def _target(site: Site, name: str, place: Place, values: Mapping[str, str], column_map: Mapping[str, str]) -> str:
    """`<loop>.<role>` of a column by the map, its header, or the name of its file; empty where it is none."""
    stem = name_of(place).rpartition(".")[0] or name_of(place)
    for said in (name, stem) if len(values) <= 2 else (name,):
        if said in column_map:
            return column_map[said] if _is_tag(site, column_map[said]) else _refuse_target(column_map[said], said, place)
    if own := _own(site, name):
        return own
    return _own(site, stem) if VALUES.match(split_unit(name)[0]) or len(values) <= 2 else ""


def _refuse_target(target: str, said: str, place: Place) -> str:
    if not target:
        return ""
    raise DataFileError(
        f"the map makes {said!r} to {target!r}, which is no tag of the site", where=shown(place), fix="<loop>.<role>"
    )


def _is_tag(site: Site, target: str) -> bool:
    loop, _, role = split_unit(target)[0].partition(".")
    return loop in site.loops and role in ROLES


def _own(site: Site, name: str) -> str:
    """A name that is `<loop>.<role>`, with any of . _ - and space between, or the role alone where the site has one loop; a unit
    in square brackets may follow."""
    name = split_unit(name)[0]
    for loop in site.loops:
        rest = name[len(loop) :] if name.lower().startswith(loop.lower()) else ""
        if rest and rest[0] in "._- " and rest[1:].lower() in ROLES:
            return f"{loop}.{rest[1:].lower()}"
    only = next(iter(site.loops)) if len(site.loops) == 1 else ""
    return f"{only}.{name.lower()}" if only and name.lower() in ROLES else ""


def _looked_at(path: Place, time: str, value: str, *, alone: bool) -> tuple[float, Held | None]:
    """The usual distance of the readings of a column at the begin of its file [s], and whether only changes seem to be stored."""
    piece = next(open_table(path).pieces(time, [value]), None)
    if piece is None:
        return 1.0, None
    steps = np.diff(piece.time[np.isfinite(piece.columns[value])])
    usual = float(np.median(steps)) if len(steps) else 1.0
    return usual, looks_held(piece.time, piece.columns[value], rows_of_a_table=not alone)


def _looks_held(site: Site, assumed: Sequence[_Column]) -> list[str]:
    """What to say of columns of which only changes seem to be stored, ready to be given."""
    options = []
    for column in assumed:
        if column.held is not None:
            role = column.lane.role
            tag = site.loops[column.loop].tags.get(role, RecordedTag())
            unit = column.lane.unit or tag.measured_in or ROLES[role].unit
            options.append(f"--kept {column.loop}.{role}=step:'{column.held.deadband:g} {unit}':'{column.held.longest_s:g} s'")
    return (
        [
            f"only changes seem to be stored here; if so, say it, with deadband and longest time as the recorder is set: {' '.join(options)}"
        ]
        if options
        else []
    )


def _refuse_odd(found: Sequence[_Column]) -> None:
    seen: dict[tuple[str, str], Place] = {}
    for column in found:
        key = (column.loop, column.lane.role)
        if key in seen:
            raise DataFileError(
                f"{'.'.join(key)} comes twice: in {name_of(seen[key])} and in {name_of(column.lane.path)}", where="--data",
                fix="name each tag once; files of one tag that follow each other must be put together first",
            )  # fmt: skip
        seen[key] = column.lane.path
    for loop in {column.loop for column in found}:
        if (loop, "flow") not in seen:
            raise DataFileError(
                f"loop {loop} has no flow: no file or column is '{loop}.flow'", where="--data",
                fix="add the mass flow that the gauge reports; without it no link can be compared",
            )  # fmt: skip
