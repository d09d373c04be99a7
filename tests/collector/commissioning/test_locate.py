"""Locating a value that is read on a display: floats, scaled integers and swapped words, by hand and over a real socket."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.cli import exits
from collector.cli.main import main
from collector.commissioning.decodings import all_decodings, decode
from collector.commissioning.locate import locate, narrow, tolerance
from config.model import ByteOrder, WireType
from tests.collector.commissioning.plant import StandingPlant


def words_of(kind: WireType, order: ByteOrder, number: float) -> list[int]:
    """Registers by the definition of each order: bytes A to D of a big-endian value, per two registers."""
    letters = {WireType.FLOAT32: ">f", WireType.INT32: ">i", WireType.UINT32: ">I", WireType.INT16: ">h", WireType.UINT16: ">H"}
    data = struct.pack(letters[kind], number if kind is WireType.FLOAT32 else int(number))
    pairs = [data[at : at + 2] for at in range(0, len(data), 2)]
    if order in (ByteOrder.CDAB, ByteOrder.DCBA):
        pairs.reverse()
    if order in (ByteOrder.BADC, ByteOrder.DCBA):
        pairs = [pair[::-1] for pair in pairs]
    return [int.from_bytes(pair, "big") for pair in pairs]


@pytest.mark.parametrize("order", list(ByteOrder))
@pytest.mark.parametrize(
    ("kind", "scale"), [(WireType.FLOAT32, 1.0), (WireType.INT32, 0.01), (WireType.UINT32, 0.1), (WireType.INT16, 0.1)]
)
def test_value_is_found_among_others_and_two_changes_leave_it_alone(kind: WireType, order: ByteOrder, scale: float) -> None:
    def device(value: float) -> dict[str, dict[int, int]]:
        noise = [(7919 * place * place + 13) % 65536 for place in range(40)]
        put = words_of(kind, order, round(value / scale) if kind is not WireType.FLOAT32 else value)
        noise[17 : 17 + len(put)] = put
        return {"input": dict(enumerate(noise))}

    spots = locate(device(412.6), 412.6, tolerance(412.6, "412.6"))
    for value in (398.2, 377.4):
        spots = narrow(spots, device(value), value, tolerance(value, f"{value}"))
    assert ("input", 17, kind) in {(spot.table, spot.address, spot.type) for spot in spots}
    wanted = (
        {ByteOrder.ABCD, ByteOrder.CDAB} if kind is WireType.INT16 and order in (ByteOrder.ABCD, ByteOrder.CDAB) else {order}
    )
    right = [spot for spot in spots if spot.address == 17 and spot.type is kind and spot.scale == scale]
    assert right
    if kind is not WireType.INT16:
        assert {spot.order for spot in right} == wanted


@given(st.floats(width=32, allow_nan=False, allow_infinity=False), st.sampled_from(list(ByteOrder)))
def test_every_order_reads_back_what_it_was_written_from(number: float, order: ByteOrder) -> None:
    assert decode(words_of(WireType.FLOAT32, order, number), 0, WireType.FLOAT32, order) == number


def test_holes_are_not_read_across() -> None:
    assert locate({"input": {0: 0x43CE, 2: 0x4CCD}}, 412.6, 1.0) == []
    assert all(way.at == 0 for way in all_decodings([1], [WireType.INT16]))


def test_known_float_pattern() -> None:
    """123456.789 as a 32-bit float is 0x47F12065 (IEEE 754, by Python's struct and by hand)."""
    words = {"holding": {100: 0x2065, 101: 0x47F1}}
    (spot,) = locate(words, 123456.789, 0.5)
    assert (spot.address, spot.type, spot.order) == (100, WireType.FLOAT32, ByteOrder.CDAB)
    assert spot.words() == "{table: holding, address: 100, type: float32, order: CDAB}"


@pytest.mark.parametrize(
    ("loop", "role", "wanted"),
    [
        ("TB-07", "flow", "table: input, address: 0, type: float32, order: ABCD"),
        ("TB-09", "flow", "table: input, address: 0, type: float32, order: CDAB"),
        ("TB-07", "gauge_total", "table: input, address: 12, type: int32, order: ABCD, scale: 0.1"),
    ],
)
def test_command_finds_it_on_the_device(
    plant: StandingPlant, loop: str, role: str, wanted: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(plant.text, encoding="utf-8")
    value = f"{plant.value(loop, role):.2f}" if role == "flow" else f"{plant.value(loop, role):.1f}"
    code = main(["locate", str(file), value, "--endpoint", f"gauge-{loop}", "--range", "0-19", "--rate", "50"])
    said = capsys.readouterr().out
    assert code == exits.NO_FINDING
    assert wanted in said
    assert max(map(len, said.splitlines())) <= 90


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["soon", "--endpoint", "gauge-TB-07"], "no number"),
        (["1", "--endpoint", "plc"], "no Modbus endpoint"),
        (["1", "--endpoint", "gauge-TB-07", "--range", "9-2"], "no range"),
        (["1", "--endpoint", "gauge-TB-07", "--range", "0-60000"], "more than"),
        (["1", "--endpoint", "gauge-TB-07", "--rate", "1000"], "the rate"),
    ],
)
def test_bad_options_are_one_message(
    plant: StandingPlant, options: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(plant.text, encoding="utf-8")
    assert main(["locate", str(file), *options]) == exits.BAD_INPUT
    assert says in capsys.readouterr().err
