"""A zero follows the order of its neighbours."""

from __future__ import annotations

import pytest

from collector.commissioning.kin_order import follow_order
from collector.commissioning.suggest import Suggestion
from collector.commissioning.surveyed import Surveyed
from collector.reading import Reading
from config.model import ByteOrder, ModbusTag, WireType

CDAB = [Suggestion((("order", "CDAB"),), 500.0, 0.0)]


def tag(role: str, raw: tuple[float, ...], order: str = "ABCD", endpoint: str = "gauge", **more: object) -> Surveyed:
    declared = ModbusTag(endpoint=endpoint, address=0, type=WireType.FLOAT32, order=ByteOrder(order))
    reading = Reading(loop="TB-07", role=role, value=0.0, quality=0, receive_time=0.0, raw=raw)
    return Surveyed(loop="TB-07", role=role, tag=declared, reading=reading, **more)  # type: ignore[arg-type]


def test_zero_takes_the_order_that_the_others_of_its_device_turned_out_to_have() -> None:
    zero = tag("gauge_range_low", (0.0, 0.0))
    follow_order([zero, *(tag(role, (1.0, 2.0), odd="cannot be", suggestions=CDAB) for role in ("flow", "load"))])
    assert [item.words() for item in zero.suggestions] == ["order: CDAB"]
    assert "zero shows the same in every order" in zero.odd


@pytest.mark.parametrize(
    "others",
    [
        [tag("flow", (1.0, 2.0)), tag("load", (1.0, 2.0))],
        [tag("flow", (1.0, 2.0), suggestions=CDAB)],
        [tag("flow", (1.0, 2.0), suggestions=CDAB), tag("load", (1.0, 2.0))],
        [
            tag("flow", (1.0, 2.0), suggestions=CDAB, endpoint="other"),
            tag("load", (1.0, 2.0), suggestions=CDAB, endpoint="other"),
        ],
        [tag("flow", (0.0, 0.0)), tag("load", (0.0, 0.0))],
    ],
    ids=["as declared", "one is too few", "they differ", "another device", "zeros show nothing"],
)
def test_zero_is_left_alone_without_neighbours_that_are_all_of_another_order(others: list[Surveyed]) -> None:
    zero = tag("gauge_range_low", (0.0, 0.0))
    follow_order([zero, *others])
    assert (zero.odd, zero.suggestions) == ("", [])
