"""The survey of the standing terminal over real sockets: sound as declared, and each error that is planted in its site file is found."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest

from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.commissioning.survey import Survey, survey
from collector.commissioning.survey_text import text
from config.cautions import CAUTIONS
from config.model import ModbusEndpoint, OpcUaEndpoint, RecordedTag, Site
from tests.collector.commissioning.plant import StandingPlant
from tests.proxy import Proxy

FAST = 50.0


def surveyed(site: Site, wait_s: float = 0.0) -> Survey:
    return asyncio.run(survey(site, SystemClock(), rate=FAST, wait_s=wait_s))


def test_sound_site_has_nothing_against_it(plant: StandingPlant) -> None:
    found = surveyed(plant.site)
    assert [f"{item.role}: {item.odd}" for item in found.odd] == []
    assert not found.failures
    for loop, agreed in found.agreed.items():
        assert agreed is not None
        assert agreed[0] == pytest.approx(plant.value(loop, "flow"), rel=0.06)
        assert {"flow", "load and speed", "plc_flow"} <= set(agreed[1])
    units = {(item.loop, item.role): item.said_unit for item in found.tags}
    assert units["TB-07", "plc_flow"] == "t/h"
    ranges = {(item.loop, item.role): item.said_range for item in found.tags}
    assert ranges["TB-07", "plc_flow"] == (0.0, 420.0)


@pytest.mark.parametrize(
    ("loop", "role", "planted", "line"),
    [
        ("TB-07", "flow", {"order": "CDAB"}, "order: ABCD"),
        ("TB-09", "count_rate", {"order": "ABCD"}, "order: CDAB"),
        ("TB-07", "load", {"address": 3}, "address: 2"),
        ("TB-07", "speed", {"address": 5}, "address: 4"),
        ("TB-08", "gauge_output", {"address": 9}, "address: 10"),
        ("TB-07", "flow", {"measured_in": "kg/h"}, "measured_in: t/h"),
        ("TB-07", "plc_flow", {"measured_in": "kg/s"}, "measured_in: t/h"),
        ("TB-08", "speed", {"measured_in": "m/min"}, "measured_in: m/s"),
        ("TB-07", "gauge_range_high", {"order": "BADC"}, "order: ABCD"),
    ],
)
def test_planted_error_is_found_with_the_line_to_change(
    plant: StandingPlant, loop: str, role: str, planted: dict[str, Any], line: str
) -> None:
    found = surveyed(plant.site_with(loop, role, **planted))
    assert [(item.loop, item.role) for item in found.odd] == [(loop, role)]
    (item,) = found.odd
    assert item.suggestions[0].words() == line
    assert item.suggestions[0].value == pytest.approx(plant.value(loop, role), rel=1e-5, abs=1e-6)


@pytest.mark.parametrize(("planted", "line"), [({"order": "CDAB"}, "order: ABCD"), ({"scale": 1.0}, "scale: 0.1")])
def test_total_that_is_read_wrongly_does_not_gain_what_its_flow_says(
    plant: StandingPlant, planted: dict[str, Any], line: str
) -> None:
    class Passing(SystemClock):
        """A wait in which the plant goes on by that time."""

        passed = 0.0

        def now(self) -> float:
            return super().now() + self.passed

        async def sleep_until(self, deadline: float) -> None:
            wait = deadline - self.monotonic()
            if wait > 5.0:
                plant.terminal.advance(round(wait))
                plant.show()
                self.passed += wait
                await asyncio.sleep(0.3)

    site = plant.site_with("TB-07", "gauge_total", **planted)
    found = asyncio.run(survey(site, Passing(), rate=FAST, wait_s=120.0))
    assert [(item.loop, item.role) for item in found.odd] == [("TB-07", "gauge_total")], [item.odd for item in found.odd]
    assert found.odd[0].suggestions[0].words() == line
    assert "t/h give" in found.odd[0].odd


def test_command_says_what_to_change_and_saves_what_it_saw(
    plant: StandingPlant, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, out = tmp_path / "site.yaml", tmp_path / "survey.json"
    file.write_text(plant.text.replace("address: 4", "address: 5", 1), encoding="utf-8")
    code = main(["survey", str(file), "--loop", "TB-07", "--rate", "50", "--wait", "0", "--json", str(out)])
    said = capsys.readouterr().out
    assert code == exits.FINDINGS
    assert "in the site file: speed: {address: 4} gives 1.9 m/s" in " ".join(said.split())
    assert max(map(len, said.splitlines())) <= 80
    assert CAUTIONS[0][:40] in said
    saved = {tag["role"]: tag for tag in json.loads(out.read_text(encoding="utf-8"))["tags"]}
    assert saved["speed"]["suggestions"] == ["address: 4"]
    assert set(saved["flow"]["orders"]) == {"ABCD", "CDAB", "BADC", "DCBA"}
    assert saved["flow"]["registers"]["0"] == int(saved["flow"]["raw"][0])


def test_device_that_does_not_answer_is_told_and_the_others_are_read(plant: StandingPlant) -> None:
    site = plant.site
    endpoints = dict(site.endpoints)
    endpoints["gauge-TB-08"] = endpoints["gauge-TB-08"].model_copy(update={"port": 1})
    found = surveyed(site.model_copy(update={"endpoints": endpoints}))
    assert "gauge-TB-08" in found.failures
    assert found.agreed["TB-07"] is not None
    assert {item.loop for item in found.odd} == {"TB-08"}


def _through(site: Site, name: str, port: int) -> Site:
    """The site with one endpoint behind a proxy."""
    endpoint = site.endpoints[name]
    if isinstance(endpoint, ModbusEndpoint):
        moved: ModbusEndpoint | OpcUaEndpoint = endpoint.model_copy(update={"port": port, "timeout": 0.2})
    else:
        moved = endpoint.model_copy(update={"url": f"opc.tcp://127.0.0.1:{port}/plc", "timeout": 0.5})
    return site.model_copy(update={"endpoints": {**site.endpoints, name: moved}, "loops": {"TB-07": site.loops["TB-07"]}})


def _port_of(endpoint: ModbusEndpoint | OpcUaEndpoint) -> int:
    port = endpoint.port if isinstance(endpoint, ModbusEndpoint) else int(endpoint.url.rpartition(":")[2].partition("/")[0])
    assert port is not None
    return port


@pytest.mark.parametrize("name", ["gauge-TB-07", "plc"])
@pytest.mark.parametrize("trouble", ["silent", "garbled", "cut"])
async def test_a_device_that_fails_is_one_reason_and_the_others_are_read(plant: StandingPlant, name: str, trouble: str) -> None:
    async with Proxy(_port_of(plant.site.endpoints[name])) as proxy:
        if trouble == "silent":
            proxy.silent()
        elif trouble == "garbled":
            proxy.garble(lambda piece: b"\x55" * len(piece))
        else:

            def cut(piece: bytes) -> bytes:
                proxy.cut()
                return piece

            proxy.garble(cut)
        found = await survey(_through(plant.site, name, proxy.port), SystemClock(), rate=FAST, wait_s=0.0)
    assert set(found.failures) == {name}
    assert found.failures[name]
    good = {item.tag.endpoint for item in found.tags if item.reading.quality == 0 and not isinstance(item.tag, RecordedTag)}
    assert good == {"gauge-TB-07", "plc"} - {name}
    said = " ".join(text(found, now=0.0).split())
    assert f"! endpoint {name}: {found.failures[name]}" in said


@pytest.mark.parametrize(("options", "says"), [(["--loop", "TB-99"], "no loop"), (["--rate", "0"], "the rate")])
def test_bad_options_are_one_message(
    plant: StandingPlant, options: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(plant.text, encoding="utf-8")
    assert main(["survey", str(file), *options]) == exits.BAD_INPUT
    assert says in capsys.readouterr().err
