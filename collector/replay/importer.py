"""A recorded file as samples: what `replay` reads."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import chain

import numpy as np
from numpy.typing import NDArray

from checks.samples import Samples
from collector.replay.columns import Columns, read_columns, site_of_columns
from collector.replay.grid import HOLD_PERIODS, LONGEST_STEP_S, SHORTEST_STEP_S, Grid, grid_step
from collector.replay.opening import Place, shown
from collector.replay.tables import Piece, Table, open_table
from collector.replay.units import measured
from config.errors import DataFileError
from config.model import RecordedTag, Site, Tag
from config.roles import ROLES, Kind
from config.units import convert

SETTING_HOLD_PERIODS = 10.0
SETTING_HOLD_S = 60.0


@dataclass(frozen=True, slots=True)
class Batch:
    """Samples of several loops that a piece of the file completed; `done` is the fraction of the file that is read."""

    samples: Mapping[str, Samples]
    done: float
    rows: int


class Recording:
    """A recorded file that is understood and ready to be read, in constant memory.

    `site` is the site as the file carries it: a tag without a column is not there, a column without a tag is read in the
    canonical unit of its role. `warnings` says what was not as declared.
    """

    def __init__(self, site: Site, path: Place, table: Table, columns: Columns) -> None:
        self.path = path
        self.columns = columns
        self.site = site_of_columns(site, columns)
        self.warnings = (*columns.warnings, *table.said)
        self.file_step_s = 0.0
        self.step_s = 0
        self._table = table
        for loop, role in columns.value:
            canonical(np.zeros(1), self._tag(loop, role), role, path)

    def of(self, loop: str) -> Recording:
        """The same recording, of one of its loops: no other column is read."""
        return Recording(self.site, self.path, self._table, self.columns.of({loop}))

    def first_time(self) -> float:
        """Time of the first row [epoch s]. Raises DataFileError where there is none."""
        first = next(self._table.pieces(self.columns.time, []), None)
        if first is None:
            raise DataFileError("the data file has no rows", where=shown(self.path), fix="export again with data")
        return float(first.time[0])

    def peek(self) -> None:
        """Look at the first rows, so that `step_s` is known. Raises DataFileError."""
        columns = self.columns
        first = next(self._table.pieces(columns.time, list(dict.fromkeys(columns.value.values()))), None)
        if first is not None:
            self._grids(first.time)

    def batches(self) -> Iterator[Batch]:
        """Read the file once, from the start.

        Raises
        ------
        DataFileError
            A value, time or step that the contract does not allow, with its line and column.
        """
        columns = self.columns
        wanted = [*columns.value.values(), *columns.quality.values(), *columns.flags.values()]
        pieces = self._table.pieces(columns.time, list(dict.fromkeys(wanted)))
        first = next(pieces, None)
        if first is None:
            raise DataFileError("the data file has no rows", where=shown(self.path), fix="export again with data")
        grids = self._grids(first.time)
        for piece in chain([first], pieces):
            parts = {loop: self._push(grid, piece) for loop, grid in grids.items()}
            yield Batch({loop: part for loop, part in parts.items() if part is not None}, piece.done, len(piece.time))
        ends = {loop: grid.finish() for loop, grid in grids.items()}
        yield Batch({loop: part for loop, part in ends.items() if part is not None}, 1.0, 0)

    def _push(self, grid: Grid, piece: Piece) -> Samples | None:
        values: dict[str, NDArray[np.float64]] = {}
        quality: dict[str, NDArray[np.float64]] = {}
        for role in self.site.loops[grid.loop].tags:
            column = piece.columns[self.columns.value[grid.loop, role]]
            values[role] = canonical(column, self._tag(grid.loop, role), role, self.path)
            if (grid.loop, role) in self.columns.quality:
                quality[role] = piece.columns[self.columns.quality[grid.loop, role]]
        flags = self.columns.flags.get(grid.loop)
        return grid.push(piece.time, values, quality, None if flags is None else piece.columns[flags])

    def _tag(self, loop: str, role: str) -> Tag:
        return measured(self.site.loops[loop].tags[role], role, self.columns.units.get((loop, role), ""))

    def _grids(self, time: NDArray[np.float64]) -> dict[str, Grid]:
        """Decide the step from the first piece, and how long each role is held."""
        steps = np.diff(time)
        self.file_step_s = step = float(np.median(steps)) if len(steps) else 1.0
        if not SHORTEST_STEP_S - 1e-3 <= step <= LONGEST_STEP_S + 1e-3:
            raise DataFileError(
                f"the rows are {step:g} s apart",
                where=f"{shown(self.path)}, column 'time'",
                fix=f"export with a step from {SHORTEST_STEP_S:g} s to {LONGEST_STEP_S:g} s",
            )
        self.step_s = grid_step(step)
        even = abs(step - self.step_s) < 1e-3 and bool((np.abs(steps / step - np.round(steps / step)) < 1e-3).all())
        bridged = step >= 1.0 - 1e-3 and not even
        gap = HOLD_PERIODS * round(step, 1) if bridged else 0.0
        return {
            loop: Grid(loop, self.step_s, gap, {role: hold_s(tag, role, step, gap) for role, tag in part.tags.items()})
            for loop, part in self.site.loops.items()
        }


def open_recording(site: Site, path: Place, column_map: Mapping[str, str] | None = None) -> Recording:
    """Open a recorded file and understand its header.

    Raises
    ------
    DataFileError
        The file cannot be read or its columns are not those of the site.
    """
    table = open_table(path)
    return Recording(site, path, table, read_columns(site, table.names, path, column_map))


def hold_s(tag: Tag, role: str, step_s: float, gap_s: float) -> float:
    """How long a reading stands for the present [s]: as long as live where the tag declares a period above the step."""
    if tag.period is None or tag.period <= step_s:
        return gap_s
    if ROLES[role].kind is Kind.SETTING:
        return max(SETTING_HOLD_PERIODS * tag.period, SETTING_HOLD_S)
    return HOLD_PERIODS * tag.period


def canonical(column: NDArray[np.float64], tag: Tag, role: str, path: Place) -> NDArray[np.float64]:
    """The file's numbers in the canonical unit of the role; scale and offset hold for recorded tags, others are physical."""
    if isinstance(tag, RecordedTag) and (tag.scale, tag.offset) != (1.0, 0.0):
        column = column * tag.scale + tag.offset
    unit = ROLES[role].unit
    if not tag.measured_in or not unit:
        return column
    try:
        return convert(column, tag.measured_in, unit)
    except ValueError as error:
        raise DataFileError(
            f"the tag {role}: {error}", where=shown(path), fix=f"declare a unit of {unit} in the site file"
        ) from error
