"""The register map, field by field, unpacked by the rules of the Modbus application protocol (V1.1b3, 4.2: big-endian)."""

from __future__ import annotations

import math
import struct

import pytest

from collector.publish.interface import HEAD, LINK, NE107, PER_LOOP, REGISTERS_HEAD, REGISTERS_LOOP, VERDICT, Field
from collector.publish.picture import LINKS, STATUSES, VERDICTS, Picture, Quality
from collector.publish.registers import length, table
from collector.publish.watch import SILENT_AFTER_S, Watch
from config.rules_publish import MOST_LOOPS

TIME = 1_800_000_007.9

FAULT = Picture(
    loop="TB-07", title="", span_t_h=420.0, quality=Quality.GOOD, verdict=3, status=3, link=7, cause="upper-range",
    deviation_t_h=-41.6, deviation_span=-9.904761904761905, time=1_800_000_000.0, reason="differs",
)  # fmt: skip
FIT = Picture(
    loop="TB-08", title="", span_t_h=600.0, quality=Quality.GOOD, verdict=1, status=1, deviation_t_h=0.25, deviation_span=0.0417,
    agrees_since=1_799_990_000.0, fit=True, time=1_800_000_005.0,
)  # fmt: skip
NEW = Picture(loop="TB-09", title="", span_t_h=500.0, quality=Quality.WAITING)


def words(*cells: int) -> bytes:
    return struct.pack(f">{len(cells)}H", *cells)


def block(cells: list[int], number: int) -> list[int]:
    return cells[HEAD + number * PER_LOOP : HEAD + (number + 1) * PER_LOOP]


def test_head() -> None:
    cells = table(70_000, TIME, [FAULT, FIT, NEW], alive=True)
    assert len(cells) == length(3) == 16 + 3 * 64
    assert cells[:6] == [1, 70_000 - 65_536, 1, 3, 64, 16]
    assert struct.unpack(">I", words(*cells[6:8])) == (1_800_000_007,)
    assert cells[8:16] == [0] * 8
    assert all(0 <= cell <= 0xFFFF for cell in cells)
    assert table(1, TIME, [], alive=False)[2] == 0


def test_a_loop_that_differs() -> None:
    cells = block(table(1, TIME, [FAULT, FIT, NEW], alive=True), 0)
    assert cells[:6] == [0, 0, 3, 3, 7, 7]
    assert struct.unpack(">ff", words(*cells[6:10])) == pytest.approx((-41.6, -9.9047619))
    assert struct.unpack(">II", words(*cells[10:14])) == (0, 1_800_000_000)
    assert words(*cells[16:36]).rstrip(b"\0") == b"TB-07"
    assert words(*cells[36:64]).rstrip(b"\0") == b"upper-range"


def test_a_loop_that_is_fit_and_one_that_nothing_is_known_of() -> None:
    cells = table(1, TIME, [FAULT, FIT, NEW], alive=True)
    fit, new = block(cells, 1), block(cells, 2)
    assert fit[:6] == [1, 0, 1, 1, 0, 2]
    assert struct.unpack(">I", words(*fit[10:12])) == (1_799_990_000,)
    assert new[:6] == [0, 2, 0, 0, 0, 65535]
    assert all(math.isnan(value) for value in struct.unpack(">ff", words(*new[6:10])))


@pytest.mark.parametrize("value", [1e300, -1e300])
def test_what_a_float32_does_not_hold_becomes_infinite(value: float) -> None:
    odd = Picture(loop="L" * 40, title="", span_t_h=1.0, quality=Quality.GOOD, deviation_t_h=value, cause="c" * 80, time=1.0)
    cells = block(table(1, TIME, [odd], alive=True), 0)
    assert struct.unpack(">f", words(*cells[6:8])) == (math.copysign(math.inf, value),)
    assert cells[5] == 65535
    assert words(*cells[16:36]) == b"L" * 40
    assert words(*cells[36:64]) == b"c" * 56


def test_the_widest_site_fits_into_the_address_space() -> None:
    assert length(MOST_LOOPS) <= 65536


@pytest.mark.parametrize(("fields", "size"), [(REGISTERS_HEAD, HEAD), (REGISTERS_LOOP, PER_LOOP)])
def test_the_map_leaves_no_register_out_and_names_none_twice(fields: tuple[Field, ...], size: int) -> None:
    assert [cell for field in fields for cell in range(field.first, field.last + 1)] == list(range(size))
    assert all(field.last - field.first + 1 == {"uint16": 1, "uint32": 2, "float32": 2}.get(field.type, field.last - field.first + 1)
               for field in fields)  # fmt: skip


def test_the_words_of_the_map_are_the_numbers_that_are_sent() -> None:
    assert ", ".join(f"{number} {verdict.words}" for verdict, number in VERDICTS.items()) == VERDICT
    assert (
        ", ".join(f"{number} {'none' if status is None else status.words.lower()}" for status, number in STATUSES.items())
        == NE107
    )
    links = [f"{number} {'none' if link is None else link.value.replace('-', ' ')}" for link, number in LINKS.items()]
    assert LINK.endswith(": " + ", ".join(links))


def test_the_watch_believes_the_service_for_five_seconds() -> None:
    watch = Watch([NEW], 100.0)
    assert not watch.alive(100.0)
    assert watch.pictures(200.0) == [NEW]
    watch.hear(1, TIME, [FIT], 200.0)
    assert watch.alive(200.0 + SILENT_AFTER_S)
    assert watch.pictures(204.0) == [FIT]
    assert not watch.alive(205.1)
    (mute,) = watch.pictures(205.1)
    assert (mute.fit, mute.quality, mute.verdict, mute.reason) == (False, Quality.STALE, 0, "the verifying service is silent")
    watch.hear(2, TIME, [FIT], 300.0)
    assert watch.pictures(300.1) == [FIT]
