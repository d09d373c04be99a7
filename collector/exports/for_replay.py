"""Recorded files for replay: what keeps to the contract is read as it is, anything else as an export."""

from __future__ import annotations

import csv
import re
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from collector.exports.child import read_in_child
from collector.exports.read import Overrules
from collector.replay.columns import TIME
from collector.replay.importer import Recording, open_recording
from config.errors import DataFileError
from config.model import Site

_CONTRACT_TIME = re.compile(r"^(\d{4}-\d{2}-\d{2}[T ][\d:.,]+\s*([Zz]|[+-]\d{2}:?\d{2})|\d+(\.\d+)?)$")
LOOKED_AT = 64 * 1024


@contextmanager
def recorded(site: Site, path: Path, column_map: Mapping[str, str] | None = None) -> Iterator[tuple[Recording, list[str]]]:
    """A recording, and what was understood of the file where it did not keep to the contract.

    The columns of an export are those of the map, or those whose names are `<loop>.<role>` already; others are left out.

    Raises
    ------
    DataFileError
        The file cannot be read, or none of its columns is a tag of the site.
    """
    if keeps_contract(path, column_map or {}):
        yield open_recording(site, path, column_map), []
        return
    with tempfile.TemporaryDirectory(prefix="tallywire-") as folder:
        read = read_in_child(path, Path(folder) / "export.parquet", Overrules(zone=site.time_zone))
        unknown = [name for name in column_map or {} if name not in read.columns]
        if unknown:
            raise DataFileError(
                f"the column map names {unknown[0]!r}, which is not in the file",
                where=str(path),
                fix=f"it has {', '.join(map(repr, read.columns))}",
            )
        targets = {name: (column_map or {}).get(name, _own_name(site, name)) for name in read.columns}
        if not any(targets.values()):
            raise DataFileError(
                "no column of the file is a tag of the site",
                where=str(path),
                fix=f"map them with --map (it has {', '.join(map(repr, read.columns[:8]))}), or use `tallywire verify`",
            )
        left_out = [name for name, target in targets.items() if not target]
        notes = read.said.lines() + ([f"left out: columns {', '.join(map(repr, left_out))}"] if left_out else [])
        yield open_recording(site, read.table, read.map_to(targets)), notes


def keeps_contract(path: Path, column_map: Mapping[str, str]) -> bool:
    """Whether a file is Parquet, or UTF-8 text with a column `time` that begins as the contract has it.

    A file that cannot be opened keeps to it: the strict reader then says what is wrong.
    """
    try:
        with path.open("rb") as file:
            head = file.read(LOOKED_AT)
    except OSError:
        return True
    if head[:4] == b"PAR1" or not head.strip() or path.suffix.lower() in {".parquet", ".pq"} or head[:2] == b"\x1f\x8b":
        return True
    try:
        lines = head.decode("utf-8-sig", errors="strict" if len(head) < LOOKED_AT else "ignore").splitlines()
    except UnicodeDecodeError:
        return False
    separator = max(",;\t", key=lines[0].count)
    names, *rows = csv.reader(lines[:2], delimiter=separator)
    targets = [column_map.get(name, name.strip()) for name in names]
    if TIME not in targets:
        return False
    cell = rows[0][targets.index(TIME)] if rows and len(rows[0]) > targets.index(TIME) else ""
    return not cell or bool(_CONTRACT_TIME.match(cell.strip()))


def _own_name(site: Site, name: str) -> str:
    """The name itself where it is that of a tag of the site."""
    loop, _, role = name.partition(".")
    if loop in site.loops and role in site.loops[loop].tags:
        return name
    only = next(iter(site.loops)) if len(site.loops) == 1 else ""
    return f"{only}.{name}" if only and name in site.loops[only].tags else ""
