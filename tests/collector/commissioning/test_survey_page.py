"""The survey on its page and over REST, against the standing terminal: begun, watched, kept, stopped; connections lent and given back."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest

from collector.clock import Clock, ManualClock, SystemClock
from collector.commissioning.survey_desk import RUNNING, SurveyDesk
from collector.live import EndpointState, EndpointStatus, LiveState
from collector.sources.build import build_pollers
from collector.web.app import create_app
from config.cautions import CAUTIONS
from config.model import Site
from tests.collector.commissioning.plant import StandingPlant
from tests.collector.sources.device import Device
from tests.collector.sources.sites import modbus_site
from tests.collector.web import plant as web_plant
from tests.collector.web.conftest import Served

LONG, STEP = 60.0, 0.02
FORM = {"name": "R. Ortega", "loop": "TB-07", "rate": "10", "borrow": "no"}


class Clocked(ManualClock):
    """Waiting takes no time, and none passes at the plant, which stands still; the event loop gets its turn."""

    async def sleep_until(self, deadline: float) -> None:
        self._monotonic = max(self._monotonic, deadline)
        await asyncio.sleep(0)


def served(site: Site, folder: Path | None = None, clock: Clock | None = None) -> Served:
    live = LiveState(site=site, site_sha256=web_plant.SHA)
    desk, store = web_plant.MemoryDesk(), web_plant.MemoryStore()
    own = Clocked()
    app = create_app(live, store, desk, clock or own, port=8460, folder=folder)
    return Served(app, live, desk, store, own)


async def until(holds: Callable[[], bool]) -> None:
    for _ in range(round(LONG / STEP)):
        if holds():
            return
        await asyncio.sleep(STEP)
    raise AssertionError("it has not come to pass")


async def until_done(made: Served) -> dict[str, object]:
    async with asyncio.timeout(LONG):
        while True:
            found: dict[str, object] = (await made.get("/api/v1/survey")).json()
            if found["stage"] not in {stage.value for stage in RUNNING}:
                return found
            await asyncio.sleep(0.05)


async def test_a_planted_error_is_found_from_the_page_with_its_line_and_the_cautions(
    plant: StandingPlant, tmp_path: Path
) -> None:
    made = served(plant.site_with("TB-07", "speed", address=5), tmp_path)
    empty = await made.get("/survey")
    assert "No survey is kept yet" in empty.text
    begun = await made.post("/survey", data=made.form(**FORM))
    assert begun.status_code == 303
    running = await made.get("/survey")
    assert "R. Ortega surveys TB-07" in running.text
    assert 'http-equiv="refresh"' in running.text
    found = await until_done(made)
    assert found["stage"] == "done"
    page = (await made.get("/survey")).text
    assert "TB-07 speed cannot be right" in page
    assert "<code>speed: {address: 4}</code>" in page
    assert CAUTIONS[0] in page
    report = found["last"]
    assert isinstance(report, dict)
    speed = next(tag for tag in report["tags"] if tag["role"] == "speed")
    assert (speed["suggestions"], report["by"], report["loop"]) == (["address: 4"], "R. Ortega", "TB-07")
    again = served(plant.site, tmp_path)
    assert "TB-07 speed cannot be right" in (await again.get("/survey")).text


async def test_rest_begins_one_and_a_sound_loop_is_told_so(plant: StandingPlant) -> None:
    made = served(plant.site)
    begun = await made.post("/api/v1/survey", json={"by": "R. Ortega", "loop": "TB-09", "rate": 10, "borrow": False})
    assert begun.status_code == 202
    assert begun.json()["stage"] in {stage.value for stage in RUNNING}
    refused = await made.post("/api/v1/survey", json={"by": "R. Sandhu"})
    assert refused.status_code == 422
    assert "a survey by R. Ortega is on its way" in refused.text
    found = await until_done(made)
    assert found["last"] is not None
    assert found["cautions"] == list(CAUTIONS)
    assert "Nothing speaks against any tag that was read." in (await made.get("/survey")).text


async def test_a_range_that_the_server_contradicts_is_on_the_page(plant: StandingPlant) -> None:
    loop = plant.site.loops["TB-07"]
    narrow = loop.plc.model_copy(update={"range": loop.plc.range.model_copy(update={"high": 400.0})})
    made = served(plant.site.model_copy(update={"loops": {"TB-07": loop.model_copy(update={"plc": narrow})}}))
    await made.post("/survey", data=made.form(**FORM))
    await until_done(made)
    page = (await made.get("/survey")).text
    assert "The server says its range is 0 to 420 t/h, the site file says 0 to 400 t/h" in page
    assert "range: {low: 0 t/h, high: 420 t/h}" in page


async def test_stopping_gives_the_connections_back_and_keeps_nothing(plant: StandingPlant) -> None:
    made = served(plant.site, clock=SystemClock())
    for name in plant.site.endpoints:
        made.live.endpoints[name] = EndpointStatus(name=name, protocol="modbus", state=EndpointState.DISCONNECTED)
    await made.post("/survey", data=made.form(**{**FORM, "borrow": "yes", "rate": "0.5"}))
    await asyncio.sleep(0.2)
    assert made.live.endpoints["gauge-TB-07"].lent_to == "the survey of R. Ortega"
    assert made.live.endpoints["gauge-TB-08"].lent_until == 0.0
    stopped = await made.post("/survey", data=made.form(step="stop"))
    assert stopped.status_code == 303
    found = (await made.get("/api/v1/survey")).json()
    assert (found["stage"], found["last"]) == ("stopped", None)
    assert made.live.endpoints["gauge-TB-07"].lent_until == 0.0
    assert "was stopped" in (await made.get("/survey")).text


@pytest.mark.parametrize(
    ("changed", "says"),
    [({"loop": "TB-99"}, "no loop"), ({"rate": "0"}, "rate"), ({"rate": "fast"}, "rate"), ({"name": " "}, "a name is missing")],
)
async def test_what_cannot_be_begun_is_one_sentence(plant: StandingPlant, changed: dict[str, str], says: str) -> None:
    made = served(plant.site)
    answer = await made.post("/survey", data=made.form(**{**FORM, **changed}))
    assert answer.status_code == 422
    assert says in answer.text
    assert (await made.get("/api/v1/survey")).json()["stage"] == "none"


async def test_a_form_of_another_run_is_refused(plant: StandingPlant) -> None:
    made = served(plant.site)
    assert (await made.post("/survey", data={**FORM, "token": "old"})).status_code == 403


# --- a device that serves one client only ------------------------------------------------------------------------------


class OneClient(Device):
    """Ends every connection that comes while another is open."""

    refused = 0

    async def __aenter__(self) -> OneClient:
        await self.start()
        return self

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if self._writers:
            self.refused += 1
            writer.transport.abort()
            return
        await super()._serve(reader, writer)


@asynccontextmanager
async def polled(site: Site) -> AsyncIterator[LiveState]:
    """The pollers of a site at work."""
    live, stop = LiveState(site, ""), asyncio.Event()
    pollers = build_pollers(site, live.take_readings, SystemClock(), live.endpoints, lambda kind, name, text: None)
    tasks = [asyncio.create_task(poller.run(stop)) for poller in pollers]
    try:
        await until(lambda: live.endpoints["gauge"].state is EndpointState.UP)
        yield live
    finally:
        stop.set()
        await asyncio.wait_for(asyncio.gather(*tasks), LONG)


async def surveyed(live: LiveState, *, borrow: bool) -> SurveyDesk:
    desk = SurveyDesk(live, SystemClock(), None)
    desk.begin(by="R. Ortega", rate=10.0, borrow=borrow)
    await until(lambda: desk.standing.stage not in RUNNING)
    return desk


async def test_a_device_with_one_client_is_surveyed_over_the_lent_connection_and_polled_again_after() -> None:
    async with OneClient() as device:
        site = modbus_site(device.port, {"flow": {"address": 0}})
        async with polled(site) as live:
            before = device.refused
            last = (await surveyed(live, borrow=True)).last()
            assert last is not None
            assert last["failures"] == {}
            assert [tag["quality"] for tag in last["tags"]] == [0]
            assert device.refused == before
            await until(lambda: live.endpoints["gauge"].state is EndpointState.UP)


async def test_beside_the_service_such_a_device_is_told_as_not_answering() -> None:
    async with OneClient() as device:
        site = modbus_site(device.port, {"flow": {"address": 0}})
        async with polled(site) as live:
            last = (await surveyed(live, borrow=False)).last()
    assert last is not None
    assert set(last["failures"]) == {"gauge"}
