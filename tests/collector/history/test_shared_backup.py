"""The drill for a shared history: dump, lose everything, restore, prove, and see the same samples and trends."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
import pytest

import deploy
from checks.samples import Samples
from collector.clock import ManualClock
from collector.history.layout import Layout
from collector.history.opening import open_store
from collector.history.proof import prove
from collector.history.store import Event
from collector.history.tiers import TieredStore
from config.model import Site
from tests.collector.history.recorded import DAY_S, MIDNIGHT, recorded, terminal
from tests.postgres import VERSIONS, Server

SCRIPTS = Path(deploy.__file__).parent / "postgres"
VARIABLE = "TALLYWIRE_TEST_SHARED_BACKUP"


def script(name: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    tools = sorted(VERSIONS.glob("*/bin"), key=lambda path: int(path.parent.name))[-1]
    return subprocess.run(
        [str(SCRIPTS / name), *(str(argument) for argument in arguments)], capture_output=True, text=True, check=False,
        env={**os.environ, "PATH": f"{tools}:{os.environ['PATH']}"},
    )  # fmt: skip


def site(archive: Path) -> Site:
    given = terminal()
    return given.model_copy(update={"history": given.history.model_copy(update={"database_env": VARIABLE, "archive": archive})})


def opened(folder: Path, archive: Path, **options: Any) -> TieredStore:
    return open_store(folder, site(archive), clock=ManualClock(), **options)


def same(one: Samples, other: Samples) -> bool:
    return all(np.array_equal(one.values[role], other.values[role], equal_nan=True) for role in one.values) and np.array_equal(
        one.time_s, other.time_s
    )


def test_dump_lose_everything_restore_and_see_the_same(
    postgres_server: Server, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = postgres_server.database(0)
    monkeypatch.setenv(VARIABLE, address)
    archive = tmp_path / "archive"
    store = opened(tmp_path / "data", archive)
    for day in range(2):
        store.append([recorded("TB-07", MIDNIGHT + day * DAY_S, 300)])
    assert store.seal(MIDNIGHT + DAY_S + 3600.0) == 1
    store.add_event(Event(time=5.0, loop="", kind="note", text="kept"))
    before = list(store.scan("TB-07", 0, 2**40))
    trend = store.trend("TB-07", "flow", MIDNIGHT, MIDNIGHT + 300)
    done = script("backup", address, archive, tmp_path / "to")
    assert done.returncode == 0, done.stderr
    dump = shutil.copy(done.stdout.strip(), tmp_path / "to" / "while-open.dump")  # the next may be of the same second
    store.close()
    again = script("backup", address, archive, tmp_path / "to")
    assert again.returncode == 0, again.stderr

    shutil.rmtree(archive)
    name = "restored"
    with psycopg.connect(postgres_server.address(), autocommit=True) as connection:
        connection.execute(f"DROP DATABASE IF EXISTS {name}")
        connection.execute(f"CREATE DATABASE {name}")
    fresh = postgres_server.address(name)
    back = script("restore", dump, fresh, archive)
    assert back.returncode == 0, back.stderr
    monkeypatch.setenv(VARIABLE, fresh)
    with contextlib.closing(opened(tmp_path / "data", archive)) as found:
        assert prove(Layout(tmp_path / "data", archive), found.state).damages == ()
        after = list(found.scan("TB-07", 0, 2**40))
        assert len(after) == len(before) == 2
        assert all(same(one, other) for one, other in zip(before, after, strict=True))
        assert np.array_equal(found.trend("TB-07", "flow", MIDNIGHT, MIDNIGHT + 300).mean, trend.mean, equal_nan=True)
        assert [event.text for event in found.events(0, 10)] == ["kept"]
        assert found.append([recorded("TB-07", MIDNIGHT + DAY_S + 300, 10)]) == 10

    twice = script("restore", dump, fresh, tmp_path / "other")
    assert twice.returncode == 2
    assert "the database is not empty" in twice.stderr


@pytest.mark.parametrize(
    ("name", "arguments", "says"),
    [
        ("backup", (), "three words"),
        ("backup", ("postgresql://nobody@/none?host=/nowhere", "{here}", "{here}/to"), "pg_dump failed"),
        ("backup", ("x", "{here}/none", "{here}/to"), "there is no folder"),
        ("restore", ("{here}/none", "x", "{here}/a"), "there is no file"),
    ],
)
def test_what_cannot_be_done_is_said(name: str, arguments: tuple[str, ...], says: str, tmp_path: Path) -> None:
    said = script(name, *(text.format(here=tmp_path) for text in arguments))
    assert said.returncode == 2
    assert says in said.stderr
    assert list(tmp_path.glob("to/*.dump")) == []
