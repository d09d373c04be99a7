"""A zero reads the same in every order of words: it follows the other numbers of its device."""

from __future__ import annotations

from collections.abc import Iterable

from collector.commissioning.suggest import Suggestion
from collector.commissioning.surveyed import Surveyed
from collector.sources.decode import registers_of
from config.model import ModbusTag

FEWEST = 2
"""So many others must have shown their order, and all the same one."""


def follow_order(found: Iterable[Surveyed]) -> None:
    """Suggest the order of its neighbours for a number of several registers that shows zero, where theirs was declared wrongly."""
    wide = [item for item in found if isinstance(item.tag, ModbusTag) and registers_of(item.tag) > 1]
    for item in wide:
        assert isinstance(item.tag, ModbusTag)
        if item.odd or item.reading.quality or item.reading.raw == () or any(item.reading.raw):
            continue
        kin = [other for other in wide if other is not item and _device(other) == _device(item)]
        shown = [_order(other) for other in kin if any(other.reading.raw)]
        if len(shown) >= FEWEST and len(set(shown)) == 1 and shown[0] != item.tag.order.value:
            item.odd = f"zero shows the same in every order, and the other numbers of {item.tag.endpoint} are {shown[0]}"
            item.suggestions = [Suggestion((("order", shown[0]),), item.value, 0.0)]


def _device(item: Surveyed) -> tuple[str, int | None]:
    assert isinstance(item.tag, ModbusTag)
    return item.tag.endpoint, item.tag.unit


def _order(item: Surveyed) -> str:
    """The order in which a number was found to be right."""
    assert isinstance(item.tag, ModbusTag)
    first = item.suggestions[0].keys if item.suggestions else ()
    return dict(first).get("order", item.tag.order.value)
