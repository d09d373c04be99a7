"""Recorded files for replay: what keeps to the contract is read as it is, anything else as an export."""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping
from pathlib import Path

from collector.exports.child import read_in_child
from collector.exports.read import Overrules
from collector.replay.columns import TIME
from collector.replay.opening import Place, fetch, is_url, open_binary, shown, suffix_of
from collector.replay.units import split_unit
from config.errors import DataFileError
from config.model import Site

_CONTRACT_TIME = re.compile(r"^(\d{4}-\d{2}-\d{2}[T ][\d:.,]+\s*([Zz]|[+-]\d{2}:?\d{2})|\d+(\.\d+)?)$")
LOOKED_AT = 64 * 1024


def in_contract(
    site: Site, path: Place, column_map: Mapping[str, str] | None, folder: Path
) -> tuple[Place, Mapping[str, str] | None, list[str]]:
    """The file that keeps to the contract (itself, or one made in `folder`), its column map, and what was understood.

    The columns of an export are those of the map, or those whose names are `<loop>.<role>` already; others are left out.

    Raises
    ------
    DataFileError
        The file cannot be read, or none of its columns is a tag of the site.
    """
    if keeps_contract(path, column_map or {}):
        return path, column_map, []
    read = read_in_child(local(path, folder), folder / "export.parquet", Overrules(zone=site.time_zone))
    unknown = [name for name in column_map or {} if name not in read.columns]
    if unknown:
        raise DataFileError(
            f"the column map names {unknown[0]!r}, which is not in the file",
            where=shown(path),
            fix=f"it has {', '.join(map(repr, read.columns))}",
        )
    targets = {name: (column_map or {}).get(name, _own_name(site, name)) for name in read.columns}
    if not any(targets.values()):
        raise DataFileError(
            "no column of the file is a tag of the site",
            where=shown(path),
            fix=f"map them with --map (it has {', '.join(map(repr, read.columns[:8]))}), or use `tallywire verify`",
        )
    left_out = [name for name, target in targets.items() if not target]
    notes = read.said.lines() + ([f"left out: columns {', '.join(map(repr, left_out))}"] if left_out else [])
    return read.table, read.map_to(targets), notes


def local(path: Place, folder: Path) -> Path:
    """A file that programs can open by path: itself, or a copy in `folder` of what a URL names. Raises DataFileError."""
    if not is_url(path):
        return Path(path)
    copy = folder / f"copy{suffix_of(path)}"
    try:
        fetch(str(path), copy)
    except OSError as error:
        raise DataFileError(
            f"the data file cannot be read ({error.strerror or error})",
            where=shown(path),
            fix="check the address and the rights",
        ) from error
    return copy


def keeps_contract(path: Place, column_map: Mapping[str, str]) -> bool:
    """Whether a file is Parquet, or UTF-8 text with a column `time` that begins as the contract has it.

    A file that cannot be opened keeps to it: the strict reader then says what is wrong.
    """
    try:
        with open_binary(path) as file:
            head = file.read(LOOKED_AT)
    except OSError:
        return True
    if head[:4] == b"PAR1" or not head.strip() or suffix_of(path) in {".parquet", ".pq"} or head[:2] == b"\x1f\x8b":
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
    bare, unit = split_unit(name)
    measured = f" [{unit}]" if unit else ""
    loop, _, role = bare.partition(".")
    if loop in site.loops and role in site.loops[loop].tags:
        return bare + measured
    only = next(iter(site.loops)) if len(site.loops) == 1 else ""
    return f"{only}.{bare}{measured}" if only and bare in site.loops[only].tags else ""
