"""Recorded plants for the tests of replay: two loops, of which one has its PLC range changed on the way (seed 7)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from checks.samples import Samples
from collector.replay.doing import Job
from collector.replay.importer import open_recording
from collector.replay.places import FileSource
from config.load import LoadedSite, load_site

T0 = 1_800_000_000
LOOPS = ("TB-07", "TB-08")
SITE = "schema: 1\nsite: terminal\nloops:\n" + "".join(
    f"  {loop}:\n    gauge: {{range: {{high: 420 t/h}}}}\n    plc: {{range: {{high: 420 t/h}}}}\n"
    "    tags: {flow: {}, plc_flow: {}}\n"
    for loop in LOOPS
)


def flows(rows: int, changed_at: int, seed: int, ratio: float = 1.12) -> tuple[np.ndarray, np.ndarray]:
    """Flow through the range [t/h], and what the PLC shows: `ratio` times as much from a row on."""
    random = np.random.default_rng(seed)
    flow = 210.0 + 150.0 * np.sin(np.arange(rows) / 200.0) + random.normal(0.0, 1.0, rows)
    return flow, flow * np.where(np.arange(rows) < changed_at, 1.0, ratio)


def write_plant(folder: Path, rows: int = 2400) -> tuple[Path, Path]:
    """Site file and one Parquet file of both loops; TB-07 is wrong from the middle on, TB-08 never."""
    site, data = folder / "site.yaml", folder / "both.parquet"
    site.write_text(SITE)
    columns: dict[str, object] = {"time": T0 + np.arange(rows, dtype=np.float64)}
    for number, loop in enumerate(LOOPS):
        flow, shown = flows(rows, rows // 2 if number == 0 else rows, 7 + number)
        columns |= {f"{loop}.flow": flow, f"{loop}.plc_flow": shown}
    pd.DataFrame(columns).to_parquet(data)
    return site, data


def job_of(folder: Path, rows: int = 2400) -> Job:
    """The job of that plant."""
    site, data = write_plant(folder, rows)
    loaded: LoadedSite = load_site(site)
    return Job(
        site=loaded.site,
        site_sha256=loaded.sha256,
        source=FileSource(path=data, site=loaded.site, columns=open_recording(loaded.site, data).columns),
        data=(str(data),),
    )


def day_of_samples(loop: str, begin: int, rows: int, seed: int, changed_at: int) -> Samples:
    """Samples at 1 s, all good."""
    flow, shown = flows(rows, changed_at, seed)
    values = {"flow": flow, "plc_flow": shown}
    return Samples(
        loop=loop, time_s=np.arange(begin, begin + rows, dtype=np.int64), values=values,
        quality={role: np.zeros(rows, np.uint8) for role in values}, flags=np.zeros(rows, np.uint8),
    )  # fmt: skip
