"""kill -9 at every step of sealing and importing: each row is there once, at any moment, and the work goes on later."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from checks.samples import join
from collector.clock import SystemClock
from collector.history.bulk import import_samples
from collector.history.sqlite import open_store
from tests.collector.history.recorded import MIDNIGHT, assert_same, recorded, terminal
from tests.crash.killing import Victim, damaged
from tests.crash.victim import ROWS_TO_SEAL, SEALED_AT, imported

pytestmark = [pytest.mark.crash, pytest.mark.xdist_group("crash")]

MOST_STEPS = 200
SEALED_LOOPS = ("TB-07", "TB-08")


@pytest.fixture
def unsealed(tmp_path: Path) -> Path:
    """A history with a day of two loops that waits to be sealed."""
    folder = tmp_path / "unsealed"
    store = open_store(folder, terminal(), clock=SystemClock())
    store.append([recorded(loop, rows=ROWS_TO_SEAL) for loop in SEALED_LOOPS])
    store.close()
    return folder


def assert_whole(data: Path) -> None:
    store = open_store(data, terminal(), clock=SystemClock(), read_only=True)
    try:
        for loop in SEALED_LOOPS:
            assert_same(join(list(store.scan(loop, 0, 2**40))), recorded(loop, rows=ROWS_TO_SEAL))
    finally:
        store.close()


def test_sealing_killed_at_any_step_keeps_every_row_once(victim: Victim, unsealed: Path, tmp_path: Path) -> None:
    for step in range(MOST_STEPS):
        data = tmp_path / f"step{step}"
        shutil.copytree(unsealed, data)
        victim.order(work="seal", data=str(data), step=step)
        finished = [words for words in victim.said() if words[0] == "sealed"]
        assert damaged(data) == []
        assert_whole(data)
        store = open_store(data, terminal(), clock=SystemClock())
        store.seal(SEALED_AT)
        store.close()
        assert_whole(data)
        left = sorted(path.name for path in data.rglob("*") if path.suffix == ".tmp" or path.parent.name == "hot")
        assert left == [], f"step {step}"
        shutil.rmtree(data)
        if finished:
            break
    else:
        raise AssertionError("sealing never came to its end")
    assert step > 20, "the steps are no longer counted"


def test_import_killed_at_any_step_can_be_repeated(victim: Victim, tmp_path: Path) -> None:
    now = MIDNIGHT + 1.5 * 86_400.0
    for step in range(MOST_STEPS):
        data = tmp_path / f"step{step}"
        victim.order(work="import", data=str(data), step=step)
        finished = [words for words in victim.said() if words[0] == "rows"]
        assert damaged(data) == []
        store = open_store(data, terminal(), clock=SystemClock())
        try:
            import_samples(store, terminal(), "TB-07", imported(), now=now)
            assert_same(join(list(store.scan("TB-07", 0, 2**40))), join(imported()))
            minutes = store.rollups("TB-07", 60, 0, 2**40)
        finally:
            store.close()
        assert minutes is not None
        assert minutes.start_s.tolist() == list(range(MIDNIGHT + 86_400 - 300, MIDNIGHT + 86_400 + 300, 60)), f"step {step}"
        shutil.rmtree(data)
        if finished:
            break
    else:
        raise AssertionError("the import never came to its end")
    assert step > 8, "the steps are no longer counted"
