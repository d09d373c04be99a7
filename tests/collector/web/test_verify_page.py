"""An export dropped on the page: read, asked, verified, told; and the same over REST."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator
from pathlib import Path

import numpy as np
import pytest

from collector.clock import ManualClock
from collector.exports.jobs import Jobs, State
from collector.web import limits
from config.cautions import CAUTIONS
from tests.checks.runs_of_terminal import run_of
from tests.collector.exports.ugly import Style, wide
from tests.collector.replay.plants import flows
from tests.collector.replay.recorders import by_exception
from tests.collector.web import plant
from tests.collector.web.conftest import Serve, Served

NAMES = ("Zeit", "Massflow TB-07", "PLC flow", "AI raw", "Belt running")
COLUMNS = {"Massflow TB-07": "flow, t/h", "PLC flow": "plc_flow, t/h", "AI raw": "ai_raw"}
RANGES = {
    "gauge_range": "0 to 420 t/h",
    "plc_range": "0 to 420 t/h",
    "raw_span": "0 to 27648",
    "filters": "10 and 0",
    "zone": "UTC",
}


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """An hour of the terminal with another range in the gauge."""
    samples = run_of("TB-07", 1.0, seed=3, faults=["upper-range"])
    columns = [samples.values[role] for role in ("flow", "plc_flow", "ai_raw", "drive_running")]
    path = tmp_path_factory.mktemp("export") / "march.csv"
    style = Style(zone="UTC", units=("", "t/h", "t/h", "", ""))
    return wide(path, NAMES, samples.time_s.astype(np.float64), columns, style).read_bytes()


@pytest.fixture
async def served(serve: Serve) -> AsyncIterator[Served]:
    holder = serve(plant.healthy(), plant.MemoryDesk())
    yield holder
    jobs_of(holder).close()


def jobs_of(served: Served) -> Jobs:
    jobs: Jobs = served.app.state.exports
    return jobs


async def settled(served: Served, key: str) -> State:
    """Wait for what an export is about."""
    job = jobs_of(served).find(key)
    assert job is not None
    if job.task is not None:
        await job.task
    return job.state


async def sent(served: Served, name: str, content: bytes) -> str:
    answer = await served.post("/verify", data=served.form(), files={"file": (name, content)})
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"]).rpartition("/")[2]


async def test_export_is_read_asked_and_verified_on_the_page(served: Served, export: bytes) -> None:
    assert "at most 209 MB" in (await served.get("/verify")).text
    key = await sent(served, "march.csv", export)
    assert await settled(served, key) is State.ASKING
    text = (await served.get(f"/verify/{key}")).text
    assert "the decimal mark is a comma" in text
    assert 'name="kept"' not in text
    assert re.search(r'value="plc_flow" selected', text)
    fields = {f"role-{place}": role.partition(",")[0] for place, role in enumerate(COLUMNS.values())}
    answer = await served.post(f"/verify/{key}", data=served.form(**fields, **{"unit-0": "t/h", "unit-1": "t/h"}, **RANGES))
    assert answer.status_code == 303, answer.text
    assert "being verified" in (await served.get(f"/verify/{key}")).text
    assert await settled(served, key) is State.DONE
    text = (await served.get(f"/verify/{key}")).text
    assert "Verdict: differs" in text
    assert "upper-range" in text
    assert CAUTIONS[0][:30] in text
    assert "It would help to export the current" in text


async def test_answers_that_cannot_be_used_are_told_and_kept(served: Served, export: bytes) -> None:
    key = await sent(served, "march.csv", export)
    await settled(served, key)
    answer = await served.post(f"/verify/{key}", data=served.form(**{"role-1": "plc_flow"}, **RANGES))
    assert answer.status_code == 422
    assert "no column is the flow" in answer.text
    answer = await served.post(f"/verify/{key}", data=served.form(**{"role-0": "flow"}, gauge_range="lots"))
    assert "gauge_range" in answer.text


async def test_file_that_is_no_table_is_told_without_a_path_of_this_machine(served: Served) -> None:
    key = await sent(served, "../../letter.txt", b"Dear colleagues\nplease find attached\n")
    assert await settled(served, key) is State.FAILED
    text = (await served.get(f"/verify/{key}")).text
    assert "one field each" in text
    assert "tallywire-" not in text
    job = jobs_of(served).find(key)
    assert job is not None
    assert job.file.parent == job.folder
    assert job.name == "letter.txt"


async def test_form_needs_its_token_and_a_file(served: Served, export: bytes) -> None:
    assert (await served.post("/verify", data={"token": "old"}, files={"file": ("a.csv", export)})).status_code == 403
    assert "no file was chosen" in (await served.post("/verify", data=served.form(), files={"file": ("", b"")})).text
    assert (await served.get("/verify/none")).status_code == 404


async def test_file_that_is_too_large_is_refused(served: Served, export: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "UPLOAD_LIMIT", 1000)
    answer = await served.post("/verify", data=served.form(), files={"file": ("a.csv", export)})
    assert answer.status_code == 413
    assert "export fewer days" in answer.text


async def test_rest_takes_the_same_file_and_gives_the_report(served: Served, export: bytes) -> None:
    headers = {"content-type": "application/octet-stream"}
    async with served.client() as client:
        answer = await client.post("/api/v1/exports?name=march.csv", content=export, headers=headers)
    assert answer.status_code == 202
    key = answer.json()["key"]
    await settled(served, key)
    body = (await served.get(f"/api/v1/exports/{key}")).json()
    assert body["guesses"]["Massflow TB-07"] == "flow, t/h"
    assert (
        await served.post(f"/api/v1/exports/{key}/answers", json={"columns": {}, "gauge_range": "1 t/h"})
    ).status_code == 422
    assert (await served.post(f"/api/v1/exports/{key}/answers", json={"columns": COLUMNS, **RANGES})).status_code == 202
    await settled(served, key)
    report = (await served.get(f"/api/v1/exports/{key}")).json()["report"]
    assert report["loops"][0]["verdict"] == "fault"


async def test_old_exports_go_with_their_files() -> None:
    clock = ManualClock()
    jobs = Jobs(clock)
    made = [jobs.begin(f"{number}.csv") for number in range(6)]
    assert [jobs.find(job.key) is not None for job in made] == [False, False, True, True, True, True]
    assert not made[0].folder.exists()
    await clock.advance(4000.0)
    last = jobs.begin("last.csv")
    assert jobs.find(made[-1].key) is None
    jobs.close()
    assert not last.folder.exists()


def test_name_of_a_file_is_never_a_path(tmp_path: Path) -> None:
    jobs = Jobs(ManualClock())
    job = jobs.begin("x.csv/../../etc")
    assert job.file.parent == job.folder
    jobs.close()


async def test_columns_that_look_held_are_asked_about_with_what_they_look_like(served: Served) -> None:
    """Two flows of which only changes were stored (deadband 1.5 t/h): a question with what they look like, on the page and over REST."""
    times = 1_800_000_000 + np.arange(1200.0)
    flow = flows(1200, 1200, 7)[0]
    rows = []
    for name in ("Massflow", "PLC flow"):
        kept = by_exception(times, flow, 1.5, 600.0)
        rows += [f"{time:.0f},{name},{value:.4f}\n" for time, value in zip(kept[0].tolist(), kept[1].tolist(), strict=True)]
    key = await sent(served, "held.csv", ("time,tag,value\n" + "".join(sorted(rows))).encode())
    assert await settled(served, key) is State.ASKING
    text = (await served.get(f"/verify/{key}")).text
    assert re.search(r'name="kept" value="flow=step:[\d.]+ t/h:\d+ s; plc_flow=step', text)
    answers = {"columns": {"Massflow": "flow, t/h", "PLC flow": "plc_flow, t/h"}, "gauge_range": "0 to 420 t/h"}
    said = {**answers, "kept": "flow=step:1.5 t/h:10 min; plc_flow=step:1.5 t/h:10 min"}
    answer = await served.post(f"/api/v1/exports/{key}/answers", json=said)
    assert answer.status_code == 202, answer.text
    assert await settled(served, key) is State.DONE
    assert "standard uncertainty 0.87 t/h, 0.21 % of span (rectangular)" in answer.json()["lost"][0]
    assert "What the recorder left out" in (await served.get(f"/verify/{key}")).text
