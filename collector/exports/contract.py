"""An export in the contract of replay: one Parquet file with `time` and a column a role."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from collector.exports.read import Export
from config.errors import DataFileError

ROWS = 100_000


def write_contract(export: Export, names: Mapping[str, str], path: Path) -> None:
    """Write the columns of an export under the names of the contract; columns without a name are left out.

    Parameters
    ----------
    export : Export
        As it was understood.
    names : mapping of str to str
        `<loop>.<role>` (or the role alone) for the columns that are used.
    path : Path
        The Parquet file to make.

    Raises
    ------
    DataFileError
        A column is not in the export.
    """
    missing = [name for name in names if name not in export.values]
    if missing:
        raise DataFileError(
            f"the export has no column {missing[0]!r}", where=str(path), fix=f"it has {', '.join(export.values)}"
        )
    columns: dict[str, pa.Array] = {
        "time": pa.array(np.round(export.time * 1e6).astype("datetime64[us]"), pa.timestamp("us", "UTC"))
    }
    for name, target in names.items():
        columns[target] = pa.array(export.values[name])
        columns[f"{target}.quality"] = pa.array(export.quality[name])
    pq.write_table(pa.table(columns), path, row_group_size=ROWS, compression="zstd")
