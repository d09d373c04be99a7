"""Scanning a range of registers: what is there is found in few requests, at no more than the stated rate, and kept whatever happens."""

from __future__ import annotations

import asyncio
import json
import os
import random
import signal
import struct
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from ruamel.yaml import YAML

from checks.commissioning.guess import Known
from checks.commissioning.plausible import Expected
from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.commissioning.registers import SlowReader
from collector.commissioning.scan import Scan, Scanned, as_dict
from collector.commissioning.scan_match import BY_PHYSICS, matches
from collector.commissioning.scan_text import text
from config.model import ByteOrder, FlowRange, Gauge, Loop, ModbusEndpoint, ModbusTag, Plc, WireType
from deploy.plant.registers import MAP, Register, words
from tests.collector.commissioning.instant import Instant
from tests.collector.commissioning.plant import StandingPlant
from tests.collector.sources.device import Device
from tests.collector.sources.wire import TimedProxy, modbus_requests

SEED = 20_260_731
FAST = 50.0
HIGHEST = 2000


def endpoint_of(port: int, **fields: float) -> ModbusEndpoint:
    return ModbusEndpoint(protocol="modbus", host="127.0.0.1", port=port, **{"timeout": 0.3, **fields})


async def scanned(
    device: Device, span: tuple[int, int], *, fine: bool = False, rate: float = 2.0, stopped: Callable[[], bool] = lambda: False
) -> tuple[Scanned, Instant]:
    """A scan with a clock on which waiting takes no time."""
    clock = Instant()
    reader = SlowReader("gauge", endpoint_of(device.port), clock, rate)
    try:
        return await Scan(reader, "holding", 1, span, fine=fine, stopped=stopped).run(), clock
    finally:
        reader.close()


def only(*there: int) -> set[int]:
    """Holes of a device that has these registers only."""
    return set(range(HIGHEST)) - set(there)


@pytest.mark.parametrize(
    ("there", "span", "most"),
    [
        (range(100), (0, 99), 1), (range(20), (0, 19), 1), (range(20), (0, 99), 35), (range(30, 70), (0, 99), 35), ((), (0, 999), 320),
        (range(1000), (0, 999), 10), ([*range(500), *range(501, 1000)], (0, 999), 25), ([*range(20), *range(300, 340)], (0, 999), 340),
    ],
)  # fmt: skip
async def test_registers_are_found_in_few_requests_and_none_is_asked_twice(
    there: range, span: tuple[int, int], most: int
) -> None:
    async with Device() as device:
        device.holes = only(*there)
        device.registers = {address: address + 1 for address in there}
        found, _ = await scanned(device, span)
    assert found.words == {address: address + 1 for address in there}
    assert len(device.requests) == found.requests <= most
    assert len(set(device.requests)) == len(device.requests)
    assert set(device.functions) <= {3}
    assert not found.unread
    assert not found.ended


async def test_random_maps_are_found_whole_when_looked_into_finely() -> None:
    rng = random.Random(SEED)
    print("seed", SEED)
    for _ in range(4):
        there = {address for begin in rng.sample(range(150), 5) for address in range(begin, begin + rng.randint(1, 9))}
        async with Device() as device:
            device.holes = only(*there)
            found, _ = await scanned(device, (0, 149), fine=True)
        assert set(found.words) == {address for address in there if address < 150}
        missing = {address for start, end in found.refused for address in range(start, end + 1)}
        assert missing == set(range(150)) - set(found.words)


@pytest.mark.parametrize("rate", [2.0, 0.5])
async def test_never_more_requests_than_the_stated_rate(rate: float) -> None:
    times: list[float] = []
    async with Device() as device:
        clock = Instant()

        def noted(_request: bytes, reply: bytes) -> bytes:
            times.append(clock.monotonic())
            return reply

        device.reply = noted
        device.holes = only(*range(40))
        reader = SlowReader("gauge", endpoint_of(device.port), clock, rate)
        found = await Scan(reader, "input", 1, (0, 99)).run()
        reader.close()
    assert len(times) == found.requests > 10
    assert min(after - before for before, after in pairwise(times)) >= 1.0 / rate - 1e-9


async def test_the_wire_shows_reads_only_within_the_range_and_the_rate() -> None:
    async with Device() as device:
        device.holes = only(*range(17, 60))
        async with TimedProxy(device.port) as proxy:
            reader = SlowReader("gauge", endpoint_of(proxy.port), SystemClock(), 20.0)
            found = await Scan(reader, "input", 1, (10, 89)).run()
            reader.close()
        sent = modbus_requests(proxy.sent)
    assert set(found.words) == set(range(17, 60))
    assert {function for _, function, _, _ in sent} == {4}
    assert all(address >= 10 and address + count <= 90 for _, _, address, count in sent)
    begin = sent[0][0]
    assert all(moment - begin >= place / 20.0 - 0.05 for place, (moment, _, _, _) in enumerate(sent))


def silent(_request: bytes, _reply: bytes) -> bytes:
    return b""


def garbled(_request: bytes, reply: bytes) -> bytes:
    return b"\x55" * len(reply)


def refusing(code: int) -> Callable[[bytes, bytes], bytes]:
    return lambda request, reply: request[:4] + b"\x00\x03" + request[6:7] + bytes([request[7] | 0x80, code])


@pytest.mark.parametrize(
    ("reply", "says", "most"),
    [
        (silent, "does not answer: is it on", 3), (garbled, "what came is no Modbus answer", 1), (refusing(1), "no such table", 1),
        (refusing(4), "broken", 1), (refusing(6), "busy", 1), (refusing(11), "--unit", 1),
    ],
)  # fmt: skip
async def test_a_device_that_fails_is_left_alone_with_one_sentence(
    reply: Callable[[bytes, bytes], bytes], says: str, most: int
) -> None:
    async with Device() as device:
        device.reply = reply
        found, _ = await scanned(device, (0, 499))
    assert says in found.ended
    assert len(device.requests) <= most
    assert found.words == {}
    assert found.unread


async def test_what_was_read_before_a_cut_is_kept_and_where_to_go_on_is_told() -> None:
    async with Device() as device, TimedProxy(device.port) as proxy:
        reader = SlowReader("gauge", endpoint_of(proxy.port), SystemClock(), FAST)
        scan = Scan(reader, "holding", 1, (0, 399), progress=lambda done, total, left: proxy.cut() if done >= 200 else None)
        found = await scan.run()
        reader.close()
    assert len(found.words) == 200
    assert found.unread == [(200, 399)]
    assert " at 200: is it on" in found.ended
    said = text(found, [], flows={}, unit=1, rate=FAST)
    assert "go on with --scan 200-399" in " ".join(said.split())


async def test_progress_tells_how_many_requests_are_left_at_least_and_at_most() -> None:
    told: list[tuple[int, int, tuple[int, int]]] = []
    async with Device() as device:
        device.holes = only(*range(30, 70))
        clock = Instant()
        reader = SlowReader("gauge", endpoint_of(device.port), clock, 2.0)
        await Scan(reader, "holding", 1, (0, 399), progress=lambda *said: told.append(said)).run()
        reader.close()
    assert told[0][:2] == (0, 400)
    assert told[-1] == (400, 400, (0, 0))
    done = [item[0] for item in told]
    assert done == sorted(done)
    for place, (_, _, (least, most)) in enumerate(told):
        assert least <= most
        assert least <= len(told) - 1 - place
    # each of the two ends of the stretch is searched for within a refused piece of at most seven registers
    assert len(device.requests) <= told[0][2][1] + 2 * 3


async def test_stopping_keeps_what_was_read() -> None:
    async with Device() as device:
        found, _ = await scanned(device, (0, 999), stopped=lambda: len(device.requests) >= 3)
    assert found.ended == "stopped by hand"
    assert len(found.words) == 300
    assert found.unread == [(300, 999)]
    saved = json.loads(json.dumps(as_dict(found)))
    assert (len(saved["registers"]["0"]), saved["unread"]) == (300, [[300, 999]])


# --- what fits ---------------------------------------------------------------------------------------------------------


def loop(speed: float | None = None) -> Loop:
    ends = FlowRange(low=0.0, high=420.0)
    made = Loop(gauge=Gauge(range=ends), plc=Plc(range=ends), tags={"flow": ModbusTag(endpoint="gauge", address=0)})
    return (
        made if speed is None else made.model_copy(update={"drive": made.drive.model_copy(update={"speed_at_nominal": speed})})
    )


def held(layout: dict[int, list[int]]) -> Scanned:
    out = Scanned(endpoint="gauge", table="holding", unit=1, first=0, last=99, least=1)
    out.words = {address + place: word for address, cells in layout.items() for place, word in enumerate(cells)}
    return out


def float_words(value: float, order: ByteOrder) -> list[int]:
    big = struct.pack(">f", value)
    pair = [int.from_bytes(big[:2], "big"), int.from_bytes(big[2:], "big")]
    turned = [int.from_bytes(word.to_bytes(2, "big"), "little") for word in pair]
    return {ByteOrder.ABCD: pair, ByteOrder.CDAB: pair[::-1], ByteOrder.BADC: turned, ByteOrder.DCBA: turned[::-1]}[order]


FLOW = Known(loop(), {"flow": Expected(241.7, 16.0, "from plc_flow, ai_raw")})


@pytest.mark.parametrize("order", list(ByteOrder))
def test_a_float_is_found_in_each_order(order: ByteOrder) -> None:
    (match,) = matches(held({10: float_words(240.9, order), 14: [0, 0], 20: [7, 1234]}), {"TB-07": FLOW})
    assert (match.role, match.address, match.type, match.order) == ("flow", 10, WireType.FLOAT32, order)
    assert match.value == pytest.approx(240.9, rel=1e-6)


def test_an_integer_with_a_scale_is_found() -> None:
    (match,) = matches(held({30: [2409], 40: [5]}), {"TB-07": FLOW})
    assert (match.role, match.address, match.scale) == ("flow", 30, 0.1)
    assert match.fields(held({}), 1)["scale"] == 0.1


def test_a_long_integer_with_swapped_words_is_found() -> None:
    cells = [240_900 & 0xFFFF, 240_900 >> 16]
    found = matches(held({30: cells}), {"TB-07": FLOW})
    assert ("flow", 30, ByteOrder.CDAB, 0.001) in {
        (m.role, m.address, m.order, m.scale) for m in found if m.type is not WireType.INT16
    }


def test_another_unit_is_found() -> None:
    (match,) = matches(held({2: float_words(241.7 / 0.90718474, ByteOrder.ABCD)}), {"TB-07": FLOW})
    assert (match.role, match.measured_in) == ("flow", "short_ton/h")


def test_with_nothing_known_but_the_belt_speed_physics_finds_flow_load_and_speed_in_the_true_order() -> None:
    values = {0: 216.6, 2: 28.11, 4: 2.1404}
    layout = {address: float_words(value, ByteOrder.CDAB) for address, value in values.items()}
    found = matches(held(layout), {"TB-09": Known(loop(2.14))})
    assert {m.role: (m.address, m.order, m.because) for m in found} == {
        "flow": (0, ByteOrder.CDAB, BY_PHYSICS), "load": (2, ByteOrder.CDAB, BY_PHYSICS), "speed": (4, ByteOrder.CDAB, BY_PHYSICS),
    }  # fmt: skip


def test_noise_fits_nothing_by_itself() -> None:
    rng = random.Random(SEED)
    print("seed", SEED)
    wrong = 0
    for _ in range(20):
        noise = held({0: [rng.randrange(65536) for _ in range(20)]})
        wrong += len([match for match in matches(noise, {"TB-07": FLOW}) if match.scale == 1.0 and not match.measured_in])
    assert wrong <= 4


# --- the command -------------------------------------------------------------------------------------------------------


def site_of(plant: StandingPlant, folder: Path) -> Path:
    """The terminal's site file without what is read from the gauges but the flow."""
    from tests.collector.commissioning.test_browsing import written

    raw = YAML(typ="safe").load(plant.text)
    for part in raw["loops"].values():
        part["tags"] = {role: tag for role, tag in part["tags"].items() if tag["endpoint"] == "plc" or role == "flow"}
    file = folder / "site.yaml"
    file.write_text(written(raw), encoding="utf-8")
    return file


@pytest.mark.parametrize("loop_id", ["TB-07", "TB-09"])
def test_the_gauge_of_the_demo_is_found_register_by_register(
    plant: StandingPlant, loop_id: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = site_of(plant, tmp_path)
    order = "CDAB" if loop_id == "TB-09" else "ABCD"
    for table in ("input", "holding"):
        out = tmp_path / f"{table}.json"
        scan = ["survey", str(file), "--scan", "0-19", "--endpoint", f"gauge-{loop_id}", "--table", table, "--rate", "50"]
        assert main([*scan, "--json", str(out)]) == exits.NO_FINDING
        said = capsys.readouterr().out
        assert max(len(line) for line in said.splitlines() if not line.startswith("Saved in")) <= 80
        saved = json.loads(out.read_text(encoding="utf-8"))
        assert len(saved["registers"]["0"]) == 20
        fits = {item["role"]: item["tag"] for item in saved["fits"] if item["loop"] == loop_id}
        for register in MAP:
            if register.table == table and register.role in (EXPECTED_INPUT if table == "input" else EXPECTED_HOLDING):
                _same(fits[register.role], register, order)


EXPECTED_INPUT = ("flow", "load", "speed", "count_rate", "gauge_output")
EXPECTED_HOLDING = ("gauge_range_high", "empty_belt_rate", "background_rate", "nuclide_code")


def _same(tag: dict[str, object], register: Register, order: str) -> None:
    assert (tag["table"], tag["address"], tag["type"]) == (register.table, register.address, register.type), register.role
    assert tag.get("order", "ABCD") == (order if register.type != "uint16" else "ABCD")
    assert len(words(register, 1.0, "ABCD")) in (1, 2)


def test_ctrl_c_keeps_and_saves_what_was_read(
    plant: StandingPlant, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The signal comes with the first registers of the scan."""
    file = site_of(plant, tmp_path)
    monkeypatch.chdir(tmp_path)
    original = SlowReader.read

    async def interrupted(self: SlowReader, table: str, unit: int, start: int, count: int) -> list[int]:
        words = await original(self, table, unit, start, count)
        if table == "holding":
            os.kill(os.getpid(), signal.SIGINT)
            await asyncio.sleep(0.05)
        return words

    monkeypatch.setattr(SlowReader, "read", interrupted)
    code = main(["survey", str(file), "--scan", "0-199", "--endpoint", "gauge-TB-07", "--rate", "50", "--loop", "TB-07"])
    assert code == exits.INTERRUPTED
    said = " ".join(capsys.readouterr().out.split())
    assert "stopped by hand" in said
    assert "not asked for:" in said
    saved = json.loads((tmp_path / "scan-gauge-TB-07-holding-0-199.json").read_text(encoding="utf-8"))
    assert saved["ended"] == "stopped by hand"
    assert saved["registers"]
    assert saved["unread"]


def test_a_device_that_is_not_there_is_one_sentence_and_nothing_is_saved(
    plant: StandingPlant, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    file = site_of(plant, tmp_path)
    gauge = plant.site.endpoints["gauge-TB-07"]
    assert isinstance(gauge, ModbusEndpoint)
    file.write_text(file.read_text(encoding="utf-8").replace(f"port: {gauge.port}", "port: 1"), encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    code = main(["survey", str(file), "--scan", "0-19", "--endpoint", "gauge-TB-07", "--rate", "50", "--loop", "TB-07"])
    assert code == exits.NOTHING_EVALUATED
    said = " ".join(capsys.readouterr().out.split())
    assert "connection refused at 0: is it on" in said
    assert list(tmp_path.glob("scan-*")) == []


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--scan", "9-0", "--endpoint", "gauge-TB-07"], "no range"), (["--scan", "0-60000", "--endpoint", "gauge-TB-07"], "more than 2000"),
        (["--scan", "0-9"], "say which Modbus endpoint"), (["--scan", "0-9", "--endpoint", "plc"], "no Modbus endpoint"),
        (["--scan", "0-9", "--endpoint", "gauge-TB-07", "--unit", "300"], "no unit id"),
    ],
)  # fmt: skip
def test_bad_options_are_one_message(
    plant: StandingPlant, options: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["survey", str(site_of(plant, tmp_path)), *options]) == exits.BAD_INPUT
    assert says in capsys.readouterr().err
