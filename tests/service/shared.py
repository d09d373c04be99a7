"""Several services on one database and one gauge, as child processes; what the database says of them afterwards."""

from __future__ import annotations

import math
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import psycopg

ROOT = Path(__file__).parents[2]
LOOPS = tuple(f"TB-{number:02}" for number in range(7, 13))
VARIABLE = "TALLYWIRE_TEST_SHARED"
SITE = """
schema: 1
site: terminal
history: {{database_env: {variable}, archive: {archive}}}
endpoints:
  gauge: {{protocol: modbus, host: 127.0.0.1, port: {port}, period: 1 s, timeout: 0.3 s{more}}}
loops:
"""
LOOP = """  {loop}:
    gauge: {{range: {{low: 0 t/h, high: 420 t/h}}}}
    plc: {{range: {{low: 0 t/h, high: 420 t/h}}}}
    tags:
      flow: {{endpoint: gauge, address: {flow}, type: float32}}
      plc_flow: {{endpoint: gauge, address: {plc_flow}, type: float32}}
"""
VALUES = (200.0, 201.0) * len(LOOPS)
"""What the gauge answers: flow and PLC flow of each loop [t/h]."""
CLAIMS = """
DROP TABLE IF EXISTS claims;
CREATE TABLE claims (loop text, epoch bigint, owner text);
CREATE OR REPLACE FUNCTION note_claim() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN INSERT INTO claims VALUES (NEW."loop", NEW.epoch, NEW.owner); RETURN NEW; END $$;
CREATE OR REPLACE TRIGGER note_claim AFTER UPDATE OF epoch ON leases FOR EACH ROW WHEN (NEW.epoch <> OLD.epoch)
EXECUTE FUNCTION note_claim();
"""
"""Every change of owner, in the transaction that makes it."""
LATE = """
SELECT s.loop, s.epoch, s.ts FROM samples s JOIN claims c ON c.loop = s.loop AND c.epoch > s.epoch
WHERE pg_xact_commit_timestamp(s.xmin) > pg_xact_commit_timestamp(c.xmin)
"""
"""Rows that were committed after another collector had taken their loop over."""


def site_file(folder: Path, port: int, *, one_client: bool = False) -> Path:
    """The site file of the loops on a gauge."""
    path = folder / "site.yaml"
    more = ", one_client: true" if one_client else ""
    head = SITE.format(variable=VARIABLE, archive=folder / "archive", port=port, more=more)
    path.write_text(head + "".join(LOOP.format(loop=loop, flow=4 * n, plc_flow=4 * n + 2) for n, loop in enumerate(LOOPS)))
    return path


class Collector:
    """One service."""

    def __init__(self, site: Path, data: Path, address: str) -> None:
        environment = {**os.environ, "PYTHONPATH": str(ROOT), VARIABLE: address, "OPENBLAS_NUM_THREADS": "1"}
        with (data.parent / f"{data.name}.log").open("w") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-P", "-m", "collector", "run", str(site), "--data", str(data), "--port", "0"],
                stdout=subprocess.PIPE, stderr=log, text=True, env=environment,
            )  # fmt: skip
        self._page = ""

    @property
    def page(self) -> str:
        """The address of its page."""
        assert self.process.stdout is not None
        while not self._page:
            line = self.process.stdout.readline()
            assert line, "the service has ended; see its log"
            found = re.search(r"http://127\.0\.0\.1:\d+", line)
            self._page = found.group() if found else ""
        return self._page

    def signal(self, sign: signal.Signals) -> None:
        """Kill, stop or go on."""
        self.process.send_signal(sign)

    def end(self) -> int:
        """End it in order, or what is left of it."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGCONT)
            self.process.terminate()
        code = self.process.wait(timeout=30)
        assert self.process.stdout is not None
        self.process.stdout.close()
        return code


class Database:
    """What a test asks of the database beside the services."""

    def __init__(self, address: str) -> None:
        self.connection = psycopg.connect(address, autocommit=True)
        self.connection.execute(CLAIMS)

    def rows(self, query: str, *arguments: Any) -> list[tuple[Any, ...]]:
        """The rows of a query."""
        return self.connection.execute(query, arguments).fetchall()

    def owners(self) -> dict[str, str]:
        """Who holds each loop now; '' where nobody does."""
        found = self.rows("SELECT loop, CASE WHEN expires > clock_timestamp() THEN owner ELSE '' END FROM leases")
        return {loop: owner for loop, owner in found if loop != "@site"}

    def owned_by(self, pid: int) -> set[str]:
        """The loops of a process."""
        return {loop for loop, owner in self.owners().items() if owner.split("/")[1:2] == [str(pid)]}

    def seconds(self, loop: str) -> list[int]:
        """The stored seconds of a loop."""
        return [row[0] for row in self.rows("SELECT ts FROM samples WHERE loop = %s ORDER BY ts", loop)]

    def gaps(self) -> list[tuple[str, int, int]]:
        """Loop, last second before it and length [s] of every time without a row."""
        gaps = "SELECT loop, ts, lead(ts) OVER (PARTITION BY loop ORDER BY ts) - ts - 1 AS gap FROM samples"
        return [(loop, ts, gap) for loop, ts, gap in self.rows(f"SELECT * FROM ({gaps}) g WHERE gap > 0 ORDER BY ts")]

    def late(self) -> list[tuple[Any, ...]]:
        """Rows of a superseded epoch."""
        return self.rows(LATE)

    def close(self) -> None:
        """Close the connection."""
        self.connection.close()


LOOK_S = 0.1


def wait_until(what: Callable[[], bool], limit_s: float, why: str) -> float:
    """Wait for something; how long it took [s].

    The limit is counted in looks: where others have the processor, a look comes late, and the services are as late.
    """
    began = time.monotonic()
    for _ in range(math.ceil(limit_s / LOOK_S)):
        if what():
            return time.monotonic() - began
        time.sleep(LOOK_S)
    raise AssertionError(f"{why}: {time.monotonic() - began:.1f} s")
