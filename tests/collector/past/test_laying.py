"""The task that lays a past, with a small plant that speaks the same lines: laid, judged, gone on with, and ended by a stop."""

from __future__ import annotations

import asyncio
import json
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from checks.samples import join
from collector.alerts.book import AlertBook
from collector.clock import SystemClock
from collector.history.sqlite import open_store
from collector.history.store import Event
from collector.past.laying import JUDGED_FILE, Laying, Past, Stand
from config.errors import TallywireError
from config.load import load_site

pytestmark = pytest.mark.timeout(600)
UNTIL = 1_784_246_400
"""2026-07-17 00:00 UTC [epoch s]."""
SITE = """\
schema: 1
site: potash-terminal
loops:
  TB-07:
    gauge: {range: {low: 0 t/h, high: 420 t/h}}
    plc: {range: {low: 0 t/h, high: 420 t/h}}
    tags:
      flow: {}
      plc_flow: {}
"""
PLANT = """\
import json, sys
from pathlib import Path
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

until, out, broken = int(sys.argv[1]), Path(sys.argv[2]), sys.argv[3]
plan = out / "small.json"
laid = json.loads(plan.read_text()) if plan.exists() else 0
days, day = 2, 86400
about = {"loops": ["TB-07"], "until": until, "days": days, "left": days - laid, "told_by": "somebody", "told_after_s": 600,
         "eventful": [["TB-07", until // day - 2]]}
print(json.dumps(about), flush=True)
for back in range(laid + 1, days + 1):
    if broken == str(back):
        raise SystemExit(3)
    time = until - back * day + np.arange(39600, 43260)
    flow = 250.0 + 60.0 * np.sin(time / 50.0)
    path = out / f"TB-07-{back}.parquet"
    shown = flow * np.where((back == 2) & (time % day > 40800), 1.2, 1.0)
    pq.write_table(pa.table({"time": time, "TB-07.flow": flow, "TB-07.plc_flow": shown}), path)
    print(json.dumps({"loop": "TB-07", "day": until // day - back, "file": str(path)}), flush=True)
    if not sys.stdin.readline():
        raise SystemExit(0)
    plan.write_text(json.dumps(back))
"""


class Bench:
    """A data folder, a site file and the small plant."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.data, self.site = folder / "past", folder / "data", folder / "site.yaml"
        self.folder.mkdir()
        self.site.write_text(SITE)
        (folder / "plant.py").write_text(PLANT)
        self.plant = folder / "plant.py"
        self.told: list[Stand] = []
        self.events: list[Event] = []
        self.notes: dict[str, str] = {}
        self.store = open_store(self.data, load_site(self.site).site, clock=SystemClock())

    async def lay(self, until: Callable[[], bool], *, broken: str = "") -> None:
        """Run the task until something holds, then stop it."""
        command = [sys.executable, str(self.plant), str(UNTIL), str(self.folder), broken]
        past = Past(command=command, folder=self.folder, tell=self.told.append)
        task = Laying(past, self.site, self.data, self.store.state, SystemClock(), self.events.append, self.notes)
        stop = asyncio.Event()
        running = asyncio.create_task(task.run(stop))
        while not until() and not running.done():
            await asyncio.wait({running}, timeout=0.05)
        stop.set()
        await running

    def judged(self) -> list[list[object]]:
        path = self.folder / JUDGED_FILE
        return json.loads(path.read_text()) if path.exists() else []


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


async def test_days_are_laid_newest_first_and_judged_eventful_first(bench: Bench) -> None:
    await bench.lay(lambda: len(bench.judged()) == 2)
    assert [(stand.phase, stand.done, stand.total, stand.day) for stand in bench.told] == [
        ("laid", 1, 2, "2026-07-16"), ("laid", 2, 2, "2026-07-15"), ("judged", 1, 2, "2026-07-15"), ("judged", 2, 2, "2026-07-16"),
    ]  # fmt: skip
    assert len(join(list(bench.store.scan("TB-07", 0, UNTIL)))) == 7320
    book = AlertBook(bench.store.state, ("mail",))
    alerts = book.past(0.0, float(UNTIL))
    assert [alert.raised // 86400 for alert in alerts] == [UNTIL // 86400 - 2]
    assert book.standing() == []
    assert bench.notes == {}
    assert list(bench.folder.glob("*.parquet")) == []
    assert [event.kind for event in bench.events] == ["history-past"] * 3
    bench.told.clear()
    bench.events.clear()
    waited = iter(range(100))
    await bench.lay(lambda: next(waited) > 60)
    assert (bench.told, bench.events) == ([], [])  # a restart lays and judges nothing again
    bench.store.close()


async def test_a_stop_in_between_loses_nothing_and_the_next_start_goes_on(bench: Bench) -> None:
    await bench.lay(lambda: any(stand.phase == "laid" for stand in bench.told))
    bench.told.clear()
    await bench.lay(lambda: len(bench.judged()) == 2)
    assert len([stand for stand in bench.told if stand.phase == "laid"]) <= 1
    assert len(join(list(bench.store.scan("TB-07", 0, UNTIL)))) == 7320
    bench.store.close()


async def test_a_plant_that_breaks_is_one_clear_message_and_what_was_laid_stays(bench: Bench) -> None:
    with pytest.raises(TallywireError, match="plant ended too early"):
        await bench.lay(lambda: False, broken="2")
    assert "being laid down" in bench.notes["history"] or not bench.told
    bench.told.clear()
    await bench.lay(lambda: len(bench.judged()) == 2)
    assert len(join(list(bench.store.scan("TB-07", 0, UNTIL)))) == 7320
    bench.store.close()
