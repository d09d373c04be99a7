"""The promises of the demo in simulated time: faults by their names in their times, nothing in a healthy day."""

from __future__ import annotations

import pytest

from checks.finding import UNKNOWN
from config.load import parse_site
from config.model import Site
from deploy.plant.site_file import site_text
from deploy.plant.terminal import fresh, specs_at
from tests import crossed
from tests.acceptance.simulated import LOOPS, READ_BACK, Order, tell

BEGIN = 1_800_000_000
SEED = 20_260_301
QUIET_S = 3600
"""Healthy seconds before a fault is switched on."""
LOADED_FROM_S = {"TB-07": 200, "TB-08": 200, "TB-09": 200}
"""A moment under load, counted from there."""


@pytest.fixture(scope="module")
def site() -> Site:
    text = site_text(specs_at(fresh(BEGIN)), dict.fromkeys(LOOPS, 1502), "opc.tcp://127.0.0.1:4840")
    return parse_site(text, "terminal.yaml").site


@pytest.mark.timeout(900)
@pytest.mark.parametrize("loop", LOOPS)
def test_healthy_day_raises_no_alert(site: Site, loop: str) -> None:
    assert tell(site, loop, BEGIN, 24 * 3600, SEED) == []


@pytest.mark.parametrize(("fault", "loop"), crossed(("zero-counts", "detector-temperature"), LOOPS))
def test_sudden_fault_is_alerted_under_its_name_within_90_s(site: Site, loop: str, fault: str) -> None:
    told = tell(site, loop, BEGIN, QUIET_S + 300, SEED, [Order(QUIET_S, fault)])
    assert told[0].change.episode.finding.cause == fault
    assert QUIET_S < told[0].second <= QUIET_S + 90
    assert {item.change.episode.id for item in told} == {told[0].change.episode.id}


@pytest.mark.timeout(900)
@pytest.mark.parametrize(("fault", "loop"), crossed(("upper-range", "upper-range@plc"), LOOPS))
def test_changed_range_is_named_within_90_s_where_both_ranges_are_read_back(site: Site, loop: str, fault: str) -> None:
    told = tell(site, loop, BEGIN, QUIET_S + 600, SEED, [Order(QUIET_S + 200, fault)])
    assert told[0].second <= QUIET_S + 200 + 90
    assert told[0].change.episode.finding.cause == "upper-range"
    assert len({item.change.episode.id for item in told}) == 1


@pytest.mark.timeout(900)
@pytest.mark.parametrize(("fault", "loop"), crossed(("upper-range", "upper-range@plc"), LOOPS))
def test_changed_range_is_alerted_within_90_s_and_named_within_30_min_by_the_flow_alone(
    site: Site, loop: str, fault: str
) -> None:
    begin = QUIET_S + LOADED_FROM_S[loop]
    told = tell(site, loop, BEGIN, begin + 1800, SEED, [Order(begin, fault)], without=READ_BACK)
    first, last = told[0], told[-1]
    assert begin < first.second <= begin + 90
    assert first.change.episode.finding.cause in {"upper-range", UNKNOWN}
    assert first.change.episode.finding.title in {"ends differ", "upper range differs"}
    assert last.change.episode.finding.cause == "upper-range"
    assert len({item.change.episode.id for item in told}) == 1


@pytest.mark.timeout(900)
@pytest.mark.parametrize("loop", LOOPS)
def test_slow_total_is_named_within_30_min(site: Site, loop: str) -> None:
    told = tell(site, loop, BEGIN, QUIET_S + 1800, SEED, [Order(QUIET_S, "total-time-base")])
    assert told[-1].change.episode.finding.cause == "total-time-base"
    assert len({item.change.episode.id for item in told}) == 1
