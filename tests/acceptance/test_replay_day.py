"""A day of 1 s data as a plant exports it, with four faults in it: `tallywire replay` finds these four and nothing else."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from deploy.plant.site_file import site_text
from deploy.plant.terminal import fresh, specs_at
from tests import FULL
from tests.acceptance.simulated import Order, samples_of
from tests.checks.runs_of_terminal import BEGIN

LOOP, SEED, HOUR = "TB-07", 11, 3600
HOURS = 24 if FULL else 8
"""The whole day with TALLYWIRE_FULL=1."""
FAULTS = {
    fault: (int(begin * HOURS * HOUR) + 200, int(end * HOURS * HOUR))
    for fault, begin, end in (
        ("zero-counts", 1 / 8, 1 / 6), ("detector-temperature", 7 / 24, 1 / 3), ("upper-range", 11 / 24, 13 / 24),
        ("total-time-base", 3 / 4, 1),
    )
}  # fmt: skip
ORDERS = [
    order
    for fault, (begin, end) in FAULTS.items()
    for order in (Order(begin, fault), *([Order(end, fault, on=False)] if end < HOURS * HOUR else []))
]


def write_day(folder: Path) -> tuple[Path, Path]:
    """Site file of one loop and its day as CSV, an empty field where there is no reading."""
    site, data = folder / "site.yaml", folder / "day.csv"
    specs = {LOOP: specs_at(fresh(BEGIN))[LOOP]}
    site.write_text(site_text(specs, {LOOP: 1502}, "opc.tcp://127.0.0.1:4840"), encoding="utf-8")
    with data.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        roles: list[str] = []
        for samples in samples_of(LOOP, BEGIN, HOURS * HOUR, SEED, ORDERS):
            if not roles:
                roles = list(samples.values)
                writer.writerow(["time", *roles])
            table = np.stack([samples.values[role] for role in roles], axis=1)
            for second, row in zip(samples.time_s.tolist(), table.tolist(), strict=True):
                time = datetime.fromtimestamp(second, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
                writer.writerow([time, *("" if np.isnan(value) else f"{value:.9g}" for value in row)])
    return site, data


@pytest.mark.timeout(900)
def test_replay_of_a_day_finds_the_four_faults_in_it_and_nothing_else(tmp_path: Path) -> None:
    print(f"seed {SEED}")
    site, data = write_day(tmp_path)
    out = tmp_path / "out.json"
    run = subprocess.run(
        [sys.executable, "-P", "-m", "collector", "replay", str(site), "--data", str(data), "--json", str(out)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert run.returncode == 1, run.stderr
    report: dict[str, Any] = json.loads(out.read_text(encoding="utf-8"))
    found = {finding["cause"]: finding for finding in report["loops"][0]["findings"]}
    assert sorted(found) == sorted(FAULTS), run.stdout
    for fault, (begin, _) in FAULTS.items():
        told = datetime.fromisoformat(found[fault]["begin"]).timestamp() - BEGIN
        assert told == pytest.approx(begin, abs=600.0), fault
