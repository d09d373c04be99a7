"""Reading in a child process with bounded memory and time: a file from anywhere cannot take the service with it."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from collector.exports.guess import Guess
from collector.exports.held import Held
from collector.exports.read import Overrules
from collector.exports.understanding import Understanding
from collector.replay.units import split_unit
from config.errors import DataFileError

MOST_MEMORY = 6 * 1024**3
"""Address space of the child [bytes]."""
MOST_S = 600.0
"""Longest time for one file [s]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadExport:
    """An export that a child process has read: where its columns lie and what was said."""

    table: Path
    columns: tuple[str, ...]
    units: dict[str, str]
    guesses: tuple[Guess, ...]
    said: Understanding
    rows: int
    begin: float
    end: float
    step_s: float
    held: dict[str, Held] = field(default_factory=dict)

    def map_to(self, targets: Mapping[str, str]) -> dict[str, str]:
        """The column map for `collector.replay`: `<loop>.<role>` for the columns that are used, the others left out."""
        out: dict[str, str] = {}
        for place, name in enumerate(self.columns):
            column, target = column_in_table(place), targets.get(name, "")
            out[column] = target
            out[f"{column}.quality"] = f"{split_unit(target)[0]}.quality" if target else ""
        return out


def column_in_table(place: int) -> str:
    """The name of a column in the table, whatever it is called in the file."""
    return f"c{place}"


def read_in_child(path: Path, table: Path, overrules: Overrules) -> ReadExport:
    """Read a file in a process of its own; its columns go to the Parquet file `table` under their own names.

    Raises
    ------
    DataFileError
        The file cannot be read as a table of times and readings, or takes too much memory or time.
    """
    order = json.dumps({
        "path": str(path), "table": str(table), "zone": overrules.zone, "order": overrules.order, "mark": overrules.mark,
        "sheet": overrules.sheet, "between": dict(overrules.between), "longest": dict(overrules.longest),
    })  # fmt: skip
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-m", "collector.exports"],
            input=order,
            capture_output=True,
            text=True,
            timeout=MOST_S,
            check=False,
        )
    except subprocess.TimeoutExpired as error:
        raise DataFileError(
            f"the file was not read in {MOST_S:g} s", where=str(path), fix="export fewer days at once"
        ) from error
    try:
        told: dict[str, Any] = json.loads(done.stdout)
    except ValueError as error:
        raise DataFileError(
            "the file could not be read in the memory that is allowed for it", where=str(path), fix="export fewer days at once"
        ) from error
    if "error" in told:
        raise DataFileError(told["error"]["what"], where=told["error"]["where"], fix=told["error"]["fix"])
    return ReadExport(
        table=table,
        columns=tuple(told["columns"]),
        units=told["units"],
        guesses=tuple(Guess(**guess) for guess in told["guesses"]),
        said=Understanding(**told["said"]),
        rows=told["rows"],
        begin=told["begin"],
        end=told["end"],
        step_s=told["step_s"],
        held={name: Held(**found) for name, found in told["held"].items()},
    )
