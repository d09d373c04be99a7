"""The wizard against the standing terminal: what the devices offer makes a file in which survey and replay find nothing wrong."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.cli import exits
from collector.cli.init_devices import OwnConnections
from collector.cli.main import main
from collector.clock import SystemClock
from collector.commissioning.looking import look
from collector.commissioning.site_draft import SIDES, LoopAnswers, SiteAnswers, site_text
from collector.commissioning.survey import survey
from collector.commissioning.wizard import interview
from config.errors import TallywireError
from config.load import parse_site
from config.model import ModbusEndpoint, ModbusTag, OpcUaEndpoint, OpcUaTag, Site
from deploy.plant.history import write_history
from deploy.plant.live import Server
from tests.collector.commissioning.answering import Answering
from tests.collector.commissioning.plant import BEGIN, StandingPlant

FAST = 50.0
NOBODY = "127.0.0.1:9"
"""The discard service (RFC 863), which no test machine has."""


def answers_of(plant: StandingPlant, loop: str) -> dict[str, list[str]]:
    """What somebody would answer who stands before the gauge with its list of registers; all else is Enter."""
    site, declared = plant.site, plant.site.loops[loop]
    gauge, plc = site.endpoints[f"gauge-{loop}"], site.endpoints["plc"]
    assert isinstance(gauge, ModbusEndpoint)
    assert isinstance(plc, OpcUaEndpoint)
    out = {
        "short name of the site": ["north-terminal"], "Name of a device": ["gauge", "plc"], "modbus or opcua": ["", "opcua"],
        "Its host": [f"127.0.0.1:{gauge.port}"], "Its address": [plc.url], "Name of a loop": [loop],
        "gauge sends as 20 mA? (": [f"{declared.gauge.range.high:g} t/h"], "Damping": [f"{declared.gauge.damping:g} s"],
        "empty belt at the last tare": [f"{declared.gauge.empty_belt_rate:g} 1/s"], "Day of that tare": [str(declared.gauge.reference_date)],
        "Background": [f"{declared.gauge.background:g} 1/s"], "Dead time": [f"{declared.gauge.dead_time:g} s"],
        "smooth the count rate": ["yes" if declared.gauge.counts_filtered else "no"],
        "load per unit": [f"{declared.gauge.load_per_attenuation:.10g} kg/m"],
        "Belt speed at nominal": [f"{declared.drive.speed_at_nominal:g} m/s"],
    }  # fmt: skip
    for role in SIDES["gauge"]:
        tag = declared.tags.get(role)
        if isinstance(tag, ModbusTag):
            order = "" if tag.order.value == "ABCD" else f" {tag.order.value}"
            scale = "" if tag.scale == 1.0 else f", scale: {tag.scale:g}"
            out[f" {role}: "] = [f"{tag.table} {tag.address} {tag.type.value}{order}{scale}"]
    return out


def asked(plant: StandingPlant, loop: str, answers: dict[str, list[str]], wait_s: float = 0.0) -> tuple[Answering, Site, str]:
    person = Answering(answers)
    found = interview(person, OwnConnections(SystemClock(), FAST, wait_s))
    assert len(person.widest) <= 80, person.widest
    return person, parse_site(site_text(found), "site.yaml").site, site_text(found)


@pytest.fixture(scope="module")
def made(plant: StandingPlant) -> tuple[Answering, Site, str]:
    """TB-07, with one register in the wrong order and a range of the PLC that is not the one in the server."""
    answers = answers_of(plant, "TB-07")
    answers[" speed: "] = ["input 4 float32 CDAB"]
    answers["PLC shows at 20 mA"] = ["500 t/h"]
    return asked(plant, "TB-07", answers)


def test_wrong_order_is_found_while_the_answers_are_still_being_given(made: tuple[Answering, Site, str]) -> None:
    person, site, _ = made
    speed = site.loops["TB-07"].tags["speed"]
    assert isinstance(speed, ModbusTag)
    assert speed.order.value == "ABCD"
    assert "order: ABCD gives 1.9 m/s. Take it? [Y/n]" in person.said
    assert "Read them once more" in person.said
    assert person.unused == []


def test_nodes_are_offered_with_their_values_and_range_and_unit_are_read_back(
    made: tuple[Answering, Site, str], plant: StandingPlant
) -> None:
    person, site, _ = made
    flat = " ".join(person.said.split())
    value = float(f"{plant.value('TB-07', 'plc_flow'):.6g}")
    assert "Look at what plc has and propose its nodes? Read only, at most 50 requests a second [Y/n]" in flat
    assert f"[nsu=urn:invented:potash-terminal:plc;s=TB-07/Flow {value:g} t/h]" in flat
    assert "The server says the range of the PLC is 0 t/h to 420 t/h, you answered 0 t/h to 500 t/h." in flat
    loop = site.loops["TB-07"]
    assert loop.plc.range.high == 420.0
    wanted = {role for role, tag in plant.site.loops["TB-07"].tags.items() if isinstance(tag, OpcUaTag)}
    got = {role: tag for role, tag in loop.tags.items() if isinstance(tag, OpcUaTag)}
    assert set(got) == wanted
    assert all(";s=TB-07/" in tag.node for tag in got.values())
    assert got["plc_range_high"].property == "EURange.high"


def test_survey_finds_nothing_wrong_and_the_loop_is_judged_to_agree(
    made: tuple[Answering, Site, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, site, text = made
    found = asyncio.run(survey(site, SystemClock(), rate=FAST, wait_s=0.0))
    assert [f"{item.loop} {item.role}: {item.odd}" for item in found.odd] == []
    assert found.sound
    file = tmp_path / "site.yaml"
    file.write_text(text, encoding="utf-8")
    assert main(["validate", str(file)]) == exits.NO_FINDING
    (data,) = [path for path in write_history(tmp_path / "data", 0.75, BEGIN, 11) if "TB-07" in path.name]
    capsys.readouterr()
    assert main(["replay", str(file), "--data", str(data)]) == exits.NO_FINDING
    assert "TB-07  agrees" in capsys.readouterr().out


def test_the_command_writes_the_file(
    plant: StandingPlant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    person = Answering(answers_of(plant, "TB-08"))
    monkeypatch.setattr("collector.commissioning.walking.Terminal", lambda: person)
    file = tmp_path / "site.yaml"
    assert main(["init", str(file), "--rate", "50", "--wait", "0"]) == exits.NO_FINDING
    tag = parse_site(file.read_text(encoding="utf-8"), "site.yaml").site.loops["TB-08"].tags["plc_flow"]
    assert tag.measured_in == "short_ton/h"
    assert "Next: tallywire survey" in capsys.readouterr().out
    assert main(["init", str(tmp_path / "other.yaml"), "--rate", "0"]) == exits.BAD_INPUT


def test_second_loop_of_the_same_server_gets_its_own_nodes(plant: StandingPlant) -> None:
    """The gauge of the second loop is not there: names alone part the loops, and the file is written anyway."""
    answers = answers_of(plant, "TB-07")
    answers["Name of a device"] = ["gauge", "plc", "gauge-09"]
    answers["Another device?"] = ["y", "y", "n"]
    answers["modbus or opcua"] = ["", "opcua", ""]
    answers["Its host"].append(NOBODY)
    answers["Name of a loop"].append("TB-09")
    answers["Another loop?"] = ["y"]
    answers["gauge sends as 20 mA? ("].append("500 t/h")
    answers[" flow: "].append("input 0 float32 CDAB")
    answers["Read the"] = ["n", "n", "", "n"]
    person, site, _ = asked(plant, "TB-07", answers)
    assert "gauge-09 could not be read" in person.said
    for loop in ("TB-07", "TB-09"):
        nodes = {tag.node for tag in site.loops[loop].tags.values() if isinstance(tag, OpcUaTag)}
        assert len(nodes) > 10
        assert all(f";s={loop}/" in node for node in nodes)
    assert site.loops["TB-09"].tags["plc_flow"].measured_in == "kg/s"


def test_server_that_is_not_there_is_one_message_and_the_questions_go_on_by_hand(plant: StandingPlant) -> None:
    answers = answers_of(plant, "TB-07")
    answers["Its address"] = [f"opc.tcp://{NOBODY}"]
    answers["Read the"] = ["n", "n"]
    answers["plc_flow: "] = ["ns=2;s=TB-07/Flow"]
    person, site, _ = asked(plant, "TB-07", answers)
    assert person.said.count("plc cannot be browsed") == 1
    assert "Go on by hand" in person.said
    assert {role for role, tag in site.loops["TB-07"].tags.items() if isinstance(tag, OpcUaTag)} == {"plc_flow"}


def test_minus_leaves_out_and_another_node_goes_before_the_proposal(plant: StandingPlant) -> None:
    answers = answers_of(plant, "TB-07")
    answers |= {"plc_flow: ": ["-"], "plc_total: ": ["nowhere", "ns=2;s=TB-07/Total"], "Read the": ["n", "n"]}
    _, site, _ = asked(plant, "TB-07", answers)
    tags = site.loops["TB-07"].tags
    assert {"plc_flow", "plc_range_high", "plc_unit"} & set(tags) == set()
    total = tags["plc_total"]
    assert isinstance(total, OpcUaTag)
    assert total.node == "ns=2;s=TB-07/Total"


def test_range_and_unit_come_with_the_node_of_the_flow_that_is_typed_and_with_no_other(plant: StandingPlant) -> None:
    for node, read_back in (("ns=2;s=TB-08/Flow", "TB-08/Flow"), ("ns=2;s=TB-07/RawInput", "")):
        answers = answers_of(plant, "TB-07")
        answers |= {"plc_flow: ": [node], "Read the": ["n", "n"], "The server says the range": ["n"]}
        _, site, _ = asked(plant, "TB-07", answers)
        tags = {role: tag for role, tag in site.loops["TB-07"].tags.items() if role.startswith(("plc_range", "plc_unit"))}
        assert len(tags) == (3 if read_back else 0)
        assert all(isinstance(tag, OpcUaTag) and tag.node.endswith(read_back) for tag in tags.values())


def test_register_without_a_remedy_is_asked_for_again_with_the_cautions(plant: StandingPlant) -> None:
    answers = answers_of(plant, "TB-07")
    right = answers[" count_rate: "][0]
    answers[" count_rate: "] = ["input 900 float32", right]
    answers["Look at"] = ["n"]
    person, site, _ = asked(plant, "TB-07", answers)
    assert "compare address and table with the device's list of registers" in " ".join(person.said.split())
    assert "Isolate the conveyor" in person.said
    rate = site.loops["TB-07"].tags["count_rate"]
    assert isinstance(rate, ModbusTag)
    assert rate.address == 6


@pytest.fixture
def gauge_server(plant: StandingPlant) -> Iterator[str]:
    """A gauge that is an OPC UA server of its own, with the values of TB-07 and a range that nobody answered."""
    names = {
        "MassFlow": "flow", "BeltLoad": "load", "BeltSpeed": "speed", "CountRate": "count_rate", "Temperature": "detector_temperature",
        "Total": "gauge_total", "OutputCurrent": "gauge_output",
    }  # fmt: skip
    server = Server("deploy.plant.plc_server")
    try:
        unit = next(node["unit"] for node in plant.terminal.plc_nodes() if node["node"] == "TB-07/Flow")
        server.tell(
            {
                "nodes": [
                    {"node": f"Weigher/{name}", "type": "Double", "unit": unit if name == "MassFlow" else None}
                    for name in names
                ]
            }
        )
        url = str(server.hear()["url"])
        values = {f"Weigher/{name}": plant.value("TB-07", role) for name, role in names.items()}
        server.tell(
            {"time": plant.terminal.time_s, "values": values, "status": {}, "ranges": {"Weigher/MassFlow": [0.0, 450.0]}}
        )
        yield url
    finally:
        server.stop()


def test_gauge_that_is_a_server_is_proposed_by_names_and_units(plant: StandingPlant, gauge_server: str) -> None:
    answers = answers_of(plant, "TB-07")
    answers |= {"modbus or opcua": ["opcua", "opcua"], "Its address": [gauge_server, *answers["Its address"]]}
    answers |= {"values of the gauge read": ["gauge"], "values of the PLC read": ["plc"]}
    for role in SIDES["gauge"]:
        answers.pop(f" {role}: ", None)
    person, site, _ = asked(plant, "TB-07", answers)
    loop = site.loops["TB-07"]
    nodes = {
        role: tag.node.rpartition("/")[2]
        for role, tag in loop.tags.items()
        if isinstance(tag, OpcUaTag) and tag.endpoint == "gauge"
    }
    assert nodes == {
        "flow": "MassFlow", "load": "BeltLoad", "speed": "BeltSpeed", "count_rate": "CountRate", "detector_temperature": "Temperature",
        "gauge_total": "Total", "gauge_output": "OutputCurrent",
    }  # fmt: skip
    assert "No flow is known yet" in person.said
    assert loop.gauge.range.high == 450.0
    assert "plc_flow" in loop.tags


def test_answers_that_cannot_be_are_told_before_anything_is_connected(plant: StandingPlant) -> None:
    loop = LoopAnswers("TB-07", gauge={"low": "500 t/h", "high": "420 t/h"}, plc={"high": "420 t/h"}, devices={"PLC": "plc"})
    found = SiteAnswers({"site": "terminal"}, {"plc": {"protocol": "opcua", "url": f"opc.tcp://{NOBODY}"}}, [loop])
    with pytest.raises(TallywireError, match="the answers so far cannot be") as caught:
        asyncio.run(look(found, loop, "PLC", SystemClock()))
    assert caught.value.where.startswith("loops.TB-07")
