from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from collector.sources.decode import registers_of
from collector.sources.groups import Block, Plan, TagPlace, places_of, plan
from config.model import ModbusEndpoint, ModbusTag
from tests.collector.sources.sites import LOOP, modbus_site


def endpoint(**fields: Any) -> ModbusEndpoint:
    return ModbusEndpoint.model_validate({"protocol": "modbus", "host": "127.0.0.1", "port": 502, **fields})


def place(address: int, **fields: Any) -> TagPlace:
    return TagPlace(LOOP, "flow", ModbusTag.model_validate({"endpoint": "gauge", "address": address, **fields}))


def spans(made: Plan) -> list[tuple[int, int]]:
    return [(block.start, block.count) for blocks in made.blocks.values() for block in blocks]


def test_near_tags_are_one_read_and_far_ones_two() -> None:
    made = plan(endpoint(join_gap=8), [place(0), place(9), place(19)])
    assert spans(made) == [(0, 10), (19, 1)]


def test_a_gap_is_not_joined_where_the_device_has_holes() -> None:
    assert spans(plan(endpoint(join_gap=0), [place(0), place(1), place(3)])) == [(0, 2), (3, 1)]


@pytest.mark.parametrize(("last", "blocks"), [(124, 1), (125, 2)])
def test_125_registers_pass_and_126_are_split(last: int, blocks: int) -> None:
    made = plan(endpoint(), [place(address) for address in range(last + 1)])
    assert len(spans(made)) == blocks
    assert max(count for _, count in spans(made)) <= 125


@pytest.mark.parametrize(("last", "blocks"), [(1999, 1), (2000, 2)])
def test_2000_bits_pass_and_2001_are_split(last: int, blocks: int) -> None:
    made = plan(endpoint(), [place(address, table="coil") for address in range(last + 1)])
    assert len(spans(made)) == blocks


def test_a_value_of_two_registers_never_lies_in_two_blocks() -> None:
    made = plan(endpoint(max_registers=3), [place(0, type="float32"), place(2, type="float32"), place(4, type="float32")])
    assert spans(made) == [(0, 2), (2, 2), (4, 2)]


def test_units_tables_and_periods_are_apart() -> None:
    places = [place(0), place(1, unit=2), place(2, table="input"), place(3, period=10.0)]
    made = plan(endpoint(), places)
    assert sorted(made.blocks) == [1.0, 10.0]
    assert sorted((block.unit, block.table, block.function) for block in made.blocks[1.0]) == [
        (1, "holding", 3),
        (1, "input", 4),
        (2, "holding", 3),
    ]


@given(
    st.lists(st.tuples(st.integers(0, 400), st.sampled_from(["uint16", "float32", "float64"])), min_size=1, max_size=40),
    st.integers(0, 20),
    st.integers(4, 125),
)
def test_every_tag_lies_whole_in_exactly_one_block_within_the_limit(
    tags: list[tuple[int, str]], join_gap: int, most: int
) -> None:
    places = [place(address, type=kind) for address, kind in tags]
    made = plan(endpoint(join_gap=join_gap, max_registers=most), places)
    found = [item for blocks in made.blocks.values() for block in blocks for item in block.places]
    assert sorted(map(id, found)) == sorted(map(id, places))
    for block in made.blocks[1.0]:
        assert block.count <= most
        for item in block.places:
            assert block.start <= item.tag.address
            assert item.tag.address + registers_of(item.tag) <= block.start + block.count


def test_a_refused_block_is_cut_at_its_holes_and_stays_so() -> None:
    made = plan(endpoint(join_gap=8), [place(0), place(1), place(5), place(9)])
    parts = made.split(1.0, made.blocks[1.0][0])
    assert [(block.start, block.count) for block in parts] == [(0, 2), (5, 1), (9, 1)]
    assert made.blocks[1.0] == parts


def test_a_refused_block_without_holes_is_halved_down_to_single_values() -> None:
    made = plan(endpoint(), [place(0, type="float32"), place(2, type="float32"), place(4), place(5)])
    first, second = made.split(1.0, made.blocks[1.0][0])
    assert (first.start, first.count, second.start, second.count) == (0, 2, 2, 4)
    assert len(made.split(1.0, second)) == 2
    assert made.split(1.0, first) == []
    assert [block.start for block in made.blocks[1.0]] == [0, 2, 4]


def test_tags_that_share_a_register_are_never_torn_apart() -> None:
    made = plan(endpoint(), [place(0, bit=0), place(0, bit=1), place(0, type="float32")])
    block = made.blocks[1.0][0]
    assert made.split(1.0, block) == []


def test_a_tag_beyond_the_last_address_is_refused() -> None:
    with pytest.raises(ValueError, match="beyond 65535"):
        plan(endpoint(), [place(65535, type="float32")])


def test_places_of_an_endpoint_come_from_all_loops() -> None:
    site = modbus_site(502, {"flow": {"address": 0}, "load": {"address": 4}})
    assert [(item.loop, item.role) for item in places_of(site, "gauge")] == [(LOOP, "flow"), (LOOP, "load")]
    assert places_of(site, "other") == []


def test_a_block_decodes_its_own_tags() -> None:
    block: Block = plan(endpoint(), [place(3), place(4, type="int16")]).blocks[1.0][0]
    assert [item.value for item in block.decoder.decode([7, 0xFFFF])] == [7.0, -1.0]
