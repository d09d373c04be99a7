"""What the plant did before now, as recorded files: healthy, one Parquet file a loop and UTC day.

Columns: `time` (epoch seconds, UTC) and `<loop>.<role>`, in the units that the site file declares for the tags.
Beside them `begin.json` says where the live run goes on.
"""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from config.errors import TallywireError
from deploy.plant.nodes import scale_of
from deploy.plant.site_file import tags_of
from deploy.plant.terminal import DAY_S, Begin, Terminal, fresh

BEGIN_FILE = "begin.json"
LONGEST_GAP_S = 600


def write_history(folder: Path, hours: float, until_s: int, seed: int) -> list[Path]:
    """Write the `hours` before `until_s`; the files, in order of loop and day."""
    folder.mkdir(parents=True, exist_ok=True)
    terminal = Terminal(fresh(until_s - round(hours * 3600.0)), seed)
    written: list[Path] = []
    begin = terminal.time_s
    for loop, faulty in terminal.loops.items():
        spec = terminal.specs[loop]
        roles = list(tags_of(spec))
        second = begin
        while second < until_s:
            end = min(until_s, (second // DAY_S + 1) * DAY_S)
            values = faulty.model.advance(end - second)
            columns = {"time": pa.array(np.arange(second, end, dtype=np.int64))}
            for role in roles:
                columns[f"{loop}.{role}"] = pa.array(values[role] / scale_of(spec, role))
            path = folder / f"{loop}-{np.datetime64(second, 's').astype('datetime64[D]')}.parquet"
            pq.write_table(pa.table(columns), path, compression="lz4", use_dictionary=False, write_statistics=False)
            written.append(path)
            second = end
    terminal.time_s = until_s
    write_begin(folder / BEGIN_FILE, terminal.begin())
    return written


def read_begin(path: Path, now_s: int) -> Begin:
    """Where a run goes on that follows a written history or an earlier run.

    A short gap before `now_s` is made up for when the run begins; a longer one is a pause in which nothing moved.
    """
    try:
        stored = json.loads(path.read_text(encoding="utf-8"))
        totals = {loop: (float(pair[0]), float(pair[1])) for loop, pair in stored["totals"].items()}
        ended, tared = int(stored["time_s"]), float(stored["tared_s"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError, IndexError) as error:
        raise TallywireError("this is not where a run of the demo plant ended", where=str(path), fix="remove it") from error
    return Begin(ended if 0 <= now_s - ended <= LONGEST_GAP_S else now_s, tared, totals)


def write_begin(path: Path, begin: Begin) -> None:
    """Keep where a later run goes on; the file is whole at any time."""
    part = path.with_name(path.name + ".part")
    part.write_text(json.dumps(asdict(begin)), encoding="utf-8")
    part.replace(path)
