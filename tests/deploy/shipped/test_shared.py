"""`deploy/shared`: two collectors on this machine; one is killed, the other has all loops within 10 s; nothing stays behind."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil
import psycopg
import pytest

ROOT = Path(__file__).parents[3]
OWNERS = "SELECT \"loop\", split_part(owner, '/', 2)::int FROM leases WHERE expires > clock_timestamp() AND \"loop\" <> '@site'"
LOOPS = {"TB-07", "TB-08", "TB-09"}


@pytest.fixture
def folder() -> Iterator[Path]:
    """A folder that the user of the server can reach."""
    made = Path(tempfile.mkdtemp(prefix="tallywire-", dir="/tmp"))
    yield made
    shutil.rmtree(made)


@pytest.fixture
def running(folder: Path, tmp_path: Path) -> Iterator[tuple[subprocess.Popen[str], Path]]:
    """The script in a folder, and what it says in a file."""
    said = tmp_path / "said"
    environment = {**os.environ, "TALLYWIRE_VENV": sys.prefix, "OPENBLAS_NUM_THREADS": "1"}
    with said.open("w") as file:
        process = subprocess.Popen(
            [str(ROOT / "deploy" / "shared"), str(folder)], stdin=subprocess.DEVNULL, stdout=file,
            stderr=subprocess.STDOUT, text=True, env=environment, start_new_session=True,
        )  # fmt: skip
    yield process, said
    process.terminate()
    process.wait(timeout=30)


def wait_until(what: Callable[[], bool], limit_s: float, said: Path) -> float:
    began = time.monotonic()
    while not what():
        assert time.monotonic() - began < limit_s, said.read_text()
        time.sleep(0.1)
    return time.monotonic() - began


@pytest.mark.crash
@pytest.mark.timeout(200)
def test_loops_of_a_killed_collector_are_taken_over_and_the_script_leaves_nothing(
    running: tuple[subprocess.Popen[str], Path], folder: Path
) -> None:
    process, said = running
    wait_until(lambda: "Ctrl-C ends everything" in said.read_text() or process.poll() is not None, 120, said)
    pids = [int(pid) for pid in re.findall(r"process (\d+), http://127", said.read_text())]
    address = re.search(r"TALLYWIRE_DATABASE='(.*)'", said.read_text())
    assert address is not None, said.read_text()
    with psycopg.connect(address[1], autocommit=True) as database:

        def held(pid: int) -> set[str]:
            return {loop for loop, owner in database.execute(OWNERS) if owner == pid}

        one, two = pids
        wait_until(lambda: bool(held(one)) and bool(held(two)) and held(one) | held(two) == LOOPS, 60, said)
        os.kill(two, signal.SIGKILL)
        took = wait_until(lambda: held(one) == LOOPS, 10.0, said)
        print(f"killed: taken over after {took:.1f} s")
        assert database.execute("SELECT count(*) - count(DISTINCT (loop, ts)) FROM samples").fetchone() == (0,)
    family = psutil.Process(process.pid).children(recursive=True)
    socket = Path(str(psycopg.conninfo.conninfo_to_dict(address[1])["host"]))
    process.terminate()
    assert process.wait(timeout=30) == 143
    assert psutil.wait_procs(family, timeout=10)[1] == []
    assert not socket.exists()
    assert (folder / "database" / "PG_VERSION").exists()
