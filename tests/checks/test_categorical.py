"""Causes that a bit or a level says: what looks like them and is none stays silent."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.faults.draws import draw
from tests.faults.run import bench


@pytest.mark.parametrize("raw_high", [32_767.0, 65_535.0])
def test_full_load_on_a_card_whose_span_ends_at_a_wire_break_code_is_no_wire_break(raw_high: float) -> None:
    sound = draw(0)
    spec = sound.spec.with_("card", full_raw=raw_high, high_raw=raw_high).with_("block", raw_high=raw_high)
    rig = bench(replace(sound, spec=spec.with_("belt", feed_override=417.0)), "steady")
    rig.advance(300)
    assert [item.cause for item in rig.told] == []


@pytest.mark.parametrize("raw_high", [27_648.0, 32_767.0])
def test_wire_break_code_is_named_on_any_span(raw_high: float) -> None:
    sound = draw(0)
    spec = sound.spec.with_("card", full_raw=raw_high, high_raw=32_767.0).with_("block", raw_high=raw_high)
    rig = bench(replace(sound, spec=spec), "steady")
    rig.advance(120)
    rig.faulty.set("burnout-value", True)
    rig.advance(120)
    assert [item.cause for item in rig.told] == ["burnout-value"]
