"""The same findings, to the byte, whoever does the work; a worker that dies costs nothing but time."""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import distributed
import pandas as pd
import psutil
import pytest

from collector.replay.doing import Job, Means, outcome_of, replay_all
from collector.replay.executor import executor, refuse_open_address
from collector.replay.importer import open_recording
from collector.replay.places import FileSource, only
from collector.replay.report import to_bytes
from collector.replay.work import Task, work
from config.errors import TallywireError
from config.model import Site
from tests.collector.replay.plants import job_of
from tests.collector.replay.sites import loop


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return job_of(tmp_path_factory.mktemp("plant"))


@pytest.fixture(scope="module")
def expected(job: Job) -> bytes:
    """What one process says: the range of TB-07 that was changed in the middle, and nothing of TB-08."""
    done = replay_all(job, Means())
    outcome = outcome_of(job, done)
    wrong, sound = outcome.loops
    assert [finding.link.value for finding in wrong.findings] == ["scaling-block"]
    assert sound.findings == ()
    return to_bytes(outcome)


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """Two workers behind TLS on this machine; the certificates lie where the command looks for them."""
    library: Any = distributed
    security = library.Security.temporary()
    folder = tmp_path_factory.mktemp("certificates")
    names = {"CA_FILE": security.tls_ca_file, "CLIENT__CERT": security.tls_client_cert, "CLIENT__KEY": security.tls_client_key}
    with pytest.MonkeyPatch.context() as patch:
        for name, content in names.items():
            (folder / name).write_text(content)
            patch.setenv(f"DASK_DISTRIBUTED__COMM__TLS__{name}", str(folder / name))
        with library.LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            dashboard_address="127.0.0.1:0",
            host="127.0.0.1",
            scheduler_port=0,
            protocol="tls",
            security=security,
        ) as found:
            yield found


def test_pool_of_processes_says_the_same(job: Job, expected: bytes) -> None:
    assert to_bytes(outcome_of(job, replay_all(job, Means(workers=2)))) == expected


def test_cluster_says_the_same(job: Job, expected: bytes, cluster: Any) -> None:
    assert cluster.scheduler_address.startswith("tls://127.0.0.1:")
    assert to_bytes(outcome_of(job, replay_all(job, Means(cluster=cluster.scheduler_address)))) == expected


@pytest.mark.crash
def test_killed_worker_of_a_cluster_changes_nothing(job: Job, expected: bytes, cluster: Any, tmp_path: Path) -> None:
    """Whichever worker is the first to have told how far it is is killed; its loop is done again from what was kept."""
    pids = [worker.pid for worker in cluster.workers.values()]
    killed = threading.Event()
    book = tmp_path / "book"

    def kill() -> None:
        while not list(book.glob("*.progress")) and not killed.wait(0.05):
            pass
        for pid in pids[:1]:
            os.kill(pid, signal.SIGKILL)
        killed.set()

    thread = threading.Thread(target=kill)
    thread.start()
    try:
        done = replay_all(job, Means(cluster=cluster.scheduler_address, book=book))
    finally:
        killed.set()
        thread.join()
    assert to_bytes(outcome_of(job, done)) == expected
    assert pids[0] not in {worker.pid for worker in cluster.workers.values()}


@pytest.mark.parametrize(
    "address",
    [
        "tcp://10.1.2.3:8786",
        "10.1.2.3:8786",
        "tcp://scheduler.example:8786",
        "tcp://0.0.0.0:8786",
        "http://127.0.0.1:1",
        "",
        "x",
    ],
)
def test_address_that_anybody_could_answer_at_is_refused(address: str) -> None:
    with pytest.raises(TallywireError) as caught:
        refuse_open_address(address)
    assert "127.0.0.1" in caught.value.fix


@pytest.mark.parametrize(
    "address", ["tcp://127.0.0.1:8786", "127.0.0.1:8786", "tcp://[::1]:8786", "localhost:1", "tls://far:1"]
)
def test_address_on_this_machine_or_with_tls_is_taken(address: str) -> None:
    refuse_open_address(address)


def test_tls_without_certificates_and_a_silent_scheduler_are_told(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in [name for name in os.environ if name.startswith("DASK_")]:
        monkeypatch.delenv(name)
    with pytest.raises(TallywireError, match="certificates"), executor(cluster="tls://127.0.0.1:9"):
        pass
    monkeypatch.setattr("collector.replay.executor.CONNECT_S", 0.5)
    with pytest.raises(TallywireError, match="no scheduler answers"), executor(cluster="tcp://127.0.0.1:9"):
        pass


def test_number_of_workers_is_bounded() -> None:
    with pytest.raises(TallywireError, match="workers"), executor(workers=-1):
        pass


def test_worker_that_cannot_see_the_book_works_without_it(job: Job, tmp_path: Path) -> None:
    """What a worker on another machine does: no notes and no states, only its result."""
    task = Task(
        site=job.site, loop="TB-08", source=job.source, end=1_800_000_300, keep=True, folder=str(tmp_path / "elsewhere")
    )
    done = work(task)
    assert done.rows == 300
    assert not (tmp_path / "elsewhere").exists()


def test_worker_of_another_version_is_refused(job: Job) -> None:
    with pytest.raises(TallywireError, match="another version"):
        work(Task(site=job.site, loop="TB-08", source=job.source, program="0.0.1+0"))


def test_task_of_a_loop_in_a_site_of_many_is_small(tmp_path: Path) -> None:
    """A task names files and one loop: with 200 loops in one file it is pickled in a few kilobytes."""
    loops = {f"TB-{number}": loop() for number in range(200)}
    site = Site.model_validate({"schema": 1, "site": "terminal", "loops": loops})
    names = {"time": [0.0, 1.0]} | {f"{name}.{role}": [1.0, 1.0] for name in loops for role in ("flow", "plc_flow", "speed")}
    pd.DataFrame(names).to_csv(tmp_path / "wide.csv", index=False)
    recording = open_recording(site, tmp_path / "wide.csv")
    source = FileSource(path=tmp_path / "wide.csv", site=site, columns=recording.columns)
    task = Task(site=only(site, "TB-7"), loop="TB-7", source=source.of("TB-7"))
    assert len(pickle.dumps(task)) < 30_000
    assert work(task).rows == 2


def test_cluster_without_a_worker_is_told_and_not_waited_for(job: Job, monkeypatch: pytest.MonkeyPatch) -> None:
    library: Any = distributed
    monkeypatch.setattr("collector.replay.executor.CONNECT_S", 2.0)
    with (
        library.LocalCluster(n_workers=0, host="127.0.0.1", dashboard_address="127.0.0.1:0", scheduler_port=0) as bare,
        pytest.raises(TallywireError, match="no worker has joined") as caught,
    ):
        replay_all(job, Means(cluster=bare.scheduler_address))
    assert "dask worker" in caught.value.fix


MAKER = """
import os, sys
from collector.replay.executor import executor
if __name__ == "__main__":
    with executor(1) as pool:
        print(pool.submit(os.getpid).result(), flush=True)
        sys.stdin.readline()
"""


def test_worker_whose_maker_was_killed_ends(tmp_path: Path) -> None:
    script = tmp_path / "maker.py"
    script.write_text(MAKER)
    with subprocess.Popen(
        [sys.executable, "-P", str(script)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as maker:
        assert maker.stdout is not None
        worker = psutil.Process(int(maker.stdout.readline()))
        maker.kill()
    try:
        worker.wait(timeout=30)
    finally:
        with contextlib.suppress(psutil.NoSuchProcess):
            worker.kill()
