"""What a loop's tags cannot part is told beside the name, and the odds say so."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.causes import registry
from checks.causes.naming import cheapest, mates
from checks.finding import UNKNOWN, Alternative, Finding
from checks.result import Link, Verdict
from checks.unparted import with_unparted

COUNTED = frozenset({"flow", "plc_flow", "count_rate"})
SHUT = COUNTED | {"shutter_closed", "drive_running", "product"}
"""With these only a neighbour's beam remains beside a background that moved."""


def finding(cause: str, odds: float | None = None, **more: object) -> Finding:
    return replace(
        Finding(
            loop="TB-07", link=Link.COUNTS, cause=cause, title=cause, verdict=Verdict.FAULT, odds=odds, begin=0, begin_interval=(0, 10),
        ),
        **more,  # type: ignore[arg-type]
    )  # fmt: skip


def test_a_dead_detector_is_told_with_the_gateway_that_reads_zeros_until_a_second_register_of_the_gauge_is_read() -> None:
    (told,) = with_unparted([finding("zero-counts")], COUNTED)
    assert [other.cause for other in told.alternatives] == ["gateway-zeros"]
    assert told.odds is None
    assert told.alternatives[0].separated_by
    (told,) = with_unparted([finding("zero-counts")], COUNTED | {"detector_temperature"})
    assert told.alternatives == ()


def test_odds_are_lowered_by_what_was_never_weighed_and_a_refinement_still_goes_by_what_was() -> None:
    weights = registry()["background"].weight, registry()["neighbour-source"].weight
    (told,) = with_unparted([finding("background", 19.0)], SHUT)
    assert mates("background", SHUT) == ("neighbour-source",)
    share = 0.95 / (1.0 + 0.95 * weights[1] / weights[0])
    assert told.odds == pytest.approx(share / (1.0 - share))
    assert told.weighed_odds == 19.0
    others = sum(other.odds / (1.0 + other.odds) for other in told.alternatives)
    assert others == pytest.approx(0.95 * weights[1] / weights[0] / (1.0 + 0.95 * weights[1] / weights[0]))


@pytest.mark.parametrize("known", ["listed", "ruled out", "told by itself"])
def test_what_the_data_were_weighed_against_is_not_told_twice(known: str) -> None:
    beside = (Alternative(cause="neighbour-source", odds=0.2, separated_by="the shutter of the neighbour"),)
    first = finding(
        "background",
        5.0,
        alternatives=beside if known == "listed" else (),
        ruled_out=("neighbour-source",) if known == "ruled out" else (),
    )
    found = [first] + ([finding("neighbour-source")] if known == "told by itself" else [])
    assert with_unparted(found, SHUT)[0] == first


def test_what_has_no_name_stays_as_it_is() -> None:
    found = [finding(UNKNOWN)]
    assert with_unparted(found, COUNTED) == tuple(found)


@pytest.mark.parametrize("cause", sorted(registry()))
def test_every_cause_that_no_tag_parts_says_what_would(cause: str) -> None:
    (told,) = with_unparted([finding(cause, 9.0)], frozenset({"flow", "plc_flow"}))
    for other in told.alternatives:
        assert len(other.separated_by) > 3
        assert other.odds > 0.0
    assert told.odds is not None
    assert told.odds <= 9.0


def test_the_cheapest_further_tags_are_those_that_are_fewest() -> None:
    assert cheapest("zero-counts", "gateway-zeros", COUNTED) == ("detector_temperature",)
    assert cheapest("background", "neighbour-source", COUNTED) == ()
