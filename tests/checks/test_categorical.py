"""Causes that a bit or a level says: what looks like them and is none stays silent."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.finding import UNKNOWN
from tests.faults.draws import draw, reading
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


@pytest.mark.parametrize(("fault", "size"), [("open-loop", None), ("output-frozen", None)])
def test_end_of_the_loop_is_named_where_only_the_raw_count_is_read(fault: str, size: float | None) -> None:
    rig = bench(reading(draw(0), "usual"))
    rig.advance(400)
    rig.faulty.set(fault, True, size)
    rig.advance(400)
    assert [episode.finding.cause for episode in rig.tracker.open] == [fault]


def test_set_current_without_the_mode_of_the_output_is_a_set() -> None:
    rig = bench(reading(draw(0), "usual"))
    rig.advance(400)
    rig.faulty.set("mode-left-on", True, 15.0)
    rig.advance(300)
    (episode,) = rig.tracker.open
    assert episode.finding.cause == UNKNOWN
    odds = {item.cause: item.odds for item in episode.finding.alternatives}
    assert odds["mode-left-on"] == odds["output-frozen"]


def test_leak_that_shows_less_than_a_live_zero_on_the_empty_belt_is_no_open_loop() -> None:
    rig = bench(draw(0))
    rig.advance(600)
    rig.faulty.set("current-leak", True, 250.0 * (100.0 / 15.0 - 1.0))
    rig.advance(900)
    assert "open-loop" not in {item.cause for item in rig.told}
