"""Findings of the empty belt: the cause or the set that cannot be parted, since when, how many tonnes; healthy sites silent."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from checks import decay, zero, zero_findings
from checks.causes import registry
from checks.engine import LoopEngine
from checks.finding import UNKNOWN, Finding
from checks.result import Link
from tests import FULL
from tests.acceptance.simulated import Order, samples_of
from tests.checks.empties_simulation import DAY_S, HALF_LIFE_D, KV, MU, NET, ROLES, T0, Belt, Course, as_window, healthy
from tests.checks.empties_simulation import decay as left
from tests.checks.runs_of_terminal import BEGIN, terminal

SEEDS = (1, 2, 3, 4)
LAMBDA_D = math.log(2.0) / HALF_LIFE_D["Cs-137"]
AT = 40.0
"""Day on which most faults come."""


def told(belt: Belt, upto: float | None = None) -> Finding | None:
    window = belt.window(upto)
    found = list(zero_findings.findings(window, [*zero.check(window), *decay.check(window)]))
    assert len(found) <= 1
    return found[0] if found else None


def site(seed: int, **changes: Any) -> Belt:
    """A site of its own, calm enough for its faults to be seen within days."""
    return healthy(
        seed, **({"scatter": 0.2 + 0.1 * (seed % 4), "per_kelvin": 0.0, "hours": (3.0, 8.0, 13.0, 17.0, 22.0)} | changes)
    )


def from_day(size: float, begin: float = AT) -> Course:
    return lambda day: size if day >= begin else 0.0


def others(finding: Finding) -> dict[str, float]:
    return {alternative.cause: alternative.odds for alternative in finding.alternatives}


def test_healthy_sites_of_sixty_days_are_silent() -> None:
    """Every fourth day of every ledger, with scatter, memory, temperature and hours of its own; a hundred sites in the full run."""
    for seed in range(100 if FULL else 40):
        belt = healthy(seed)
        stretches, loop = belt.stretches(), belt.loop()
        for day in range(1, 61, 4):
            window = as_window(loop, [one for one in stretches if one.end_s <= T0 + day * DAY_S])
            if window.empties:
                found = list(zero_findings.findings(window, [*zero.check(window), *decay.check(window)]))
                assert found == [], (seed, day, found[0].sentence)


NAMED: dict[str, dict[str, Any]] = {
    "stale-tare": {"mass": from_day(2.3), "events": ((AT - 0.05, "stood"),)},
    "build-up": {"mass": lambda day: 0.3 * (day % 7.0),},
    "wet-belt": {"mass": lambda day: 1.5 if 20.0 <= day < 20.4 or day >= 59.6 else 0.0},
    "tare-loaded": {
        "taken": lambda day: -LAMBDA_D * day - MU * (2.0 if day >= AT else 0.0), "events": ((AT, "tare"),),
        "tare_rate": lambda day: 5200.0 if day < AT else 5134.0,
    },
    "tare-standing": {
        "taken": lambda day: -LAMBDA_D * day + MU * (0.6 if day >= AT else 0.0),
        "events": ((AT - 0.001, "tare-standing"), (AT, "tare")),
    },
    "auto-zero-creep": {
        "mass": lambda day: 0.02 * day, "taken": lambda day: -LAMBDA_D * day - MU * 0.04 * ((day + 1.7) // 2.0),
        "events": tuple((2.0 * number + 0.3, "tare") for number in range(30)),
    },
    "decay-off": {"taken": lambda day: 0.0},
    "decay-double": {"taken": lambda day: -2.0 * LAMBDA_D * day},
    "nuclide-or-clock": {"taken": lambda day: -LAMBDA_D * day + LAMBDA_D * (700.0 if day >= AT else 0.0), "events": ((AT, "gauge-restart"),)},
    "detector-temperature": {"per_kelvin": -0.0005, "swing_k": 10.0},
    "shutter-part-open": {"beam": lambda day: 0.98 if day >= AT else 1.0, "events": ((AT, "shutter"),)},
    "source-changed": {"beam": lambda day: 1.4 if day >= AT else 1.0, "events": ((AT, "bypass"),)},
    "light-leak": {
        "added": lambda day: 80.0 * max(0.0, math.sin(2.0 * math.pi * (day - 0.25))),
        "hours": (1.0, 4.0, 7.0, 10.0, 12.0, 14.0, 17.0, 20.0, 23.0),
    },
    "background": {"added": from_day(30.0)},
}  # fmt: skip
"""What each cause that can be named does to a site."""


@pytest.mark.parametrize("cause", NAMED)
@pytest.mark.parametrize("seed", SEEDS)
def test_cause_is_named_where_the_ledger_tells_it(cause: str, seed: int) -> None:
    print("seed", seed)
    belt = site(seed, **NAMED[cause])
    finding = told(belt)
    assert finding is not None
    assert finding.cause == cause, (finding.sentence, finding.alternatives)
    assert finding.odds is not None
    assert 1.0 <= finding.odds <= 99.0
    assert finding.sentence.endswith(".")
    assert finding.advice
    assert bool(finding.cautions) == registry()[cause].at_gauge


@pytest.mark.parametrize("cause", ["stale-tare", "tare-loaded", "shutter-part-open", "source-changed", "nuclide-or-clock"])
@pytest.mark.parametrize("seed", SEEDS)
def test_begin_lies_in_its_interval_and_tonnes_are_error_times_running_hours(cause: str, seed: int) -> None:
    print("seed", seed)
    finding = told(site(seed, **NAMED[cause]))
    assert finding is not None
    low, high = finding.begin_interval
    assert low <= T0 + AT * DAY_S <= high
    assert low <= finding.begin <= high
    truth = {
        "stale-tare": KV * MU * 2.3, "tare-loaded": -KV * MU * 2.0, "shutter-part-open": -KV * math.log(0.98),
        "source-changed": -KV * math.log(1.4), "nuclide-or-clock": KV * LAMBDA_D * 700.0,
    }[cause]  # fmt: skip
    hours = sum(one.running_s for one in site(seed, **NAMED[cause]).stretches() if one.start_s >= T0 + AT * DAY_S) / 3600.0
    assert finding.tonnes is not None
    assert finding.tonnes_uncertainty is not None
    assert finding.tonnes == pytest.approx(truth * hours, abs=finding.tonnes_uncertainty + abs(truth) * 4.0)
    assert finding.rate_error_t_h == pytest.approx(truth, abs=1.5)


@pytest.mark.parametrize("seed", SEEDS)
def test_slow_cake_and_slow_loss_of_gain_come_as_a_set_with_equal_odds(seed: int) -> None:
    print("seed", seed)
    for belt in (site(seed, mass=lambda day: max(0.0, 0.1 * (day - 48.0))), site(seed, beam=lambda day: math.exp(-2e-4 * day))):
        finding = told(belt)
        assert finding is not None
        assert finding.cause == UNKNOWN
        odds = others(finding)
        assert odds["build-up"] == odds["detector-drift"]
        assert all(alternative.separated_by for alternative in finding.alternatives)
        assert any("wash" in need for need in finding.gate)


@pytest.mark.parametrize("seed", SEEDS)
def test_new_step_may_be_water_or_cake_until_it_had_time_to_dry(seed: int) -> None:
    print("seed", seed)
    belt = site(seed, days=60.0, mass=from_day(1.0, 59.0))
    fresh = told(belt, 59.95)
    assert fresh is not None
    assert fresh.cause == UNKNOWN
    assert others(fresh)["wet-belt"] == others(fresh)["build-up"]
    assert any("dry" in need for need in fresh.gate)
    later = told(replace(belt, days=65.0))
    assert later is not None
    assert later.cause == "build-up"
    assert others(later).get("wet-belt", 0.0) < 0.05


@pytest.mark.parametrize("seed", SEEDS)
def test_step_down_without_work_on_the_belt_stays_a_set(seed: int) -> None:
    """Background up by 30 1/s and a worn belt are the same on the empty belt; a closed-shutter count parts them."""
    print("seed", seed)
    assert -KV * math.log1p(30.0 / NET) == pytest.approx(-6.1, abs=0.05)
    finding = told(site(seed, added=from_day(30.0)))
    assert finding is not None
    assert {finding.cause, *others(finding)} >= {"background", "stale-tare"}
    assert any("shutter closed" in need for need in finding.gate)


def test_missing_shutter_tag_leaves_the_set_open_and_is_asked_for() -> None:
    read = tuple(role for role in ROLES if role != "shutter_closed")
    finding = told(site(3, beam=lambda day: 0.98 if day >= AT else 1.0, read=read))
    assert finding is not None
    assert {finding.cause, *others(finding)} >= {"shutter-part-open", "stale-tare"}
    assert any("shutter_closed" in need for need in finding.gate)


def test_day_and_night_without_a_temperature_leave_daylight_and_heat_as_a_set() -> None:
    read = tuple(role for role in ROLES if role != "detector_temperature")
    belt = site(2, **NAMED["light-leak"], read=read)
    window = as_window(belt.loop(), [replace(one, temperature=None) for one in belt.stretches()])
    (finding,) = zero_findings.findings(window, [*zero.check(window), *decay.check(window)])
    assert finding.cause == UNKNOWN
    assert others(finding)["light-leak"] == others(finding)["detector-temperature"]
    assert any("detector temperature" in need for need in finding.gate)


def test_error_that_is_older_than_the_ledger_is_told_as_such() -> None:
    finding = told(site(2, mass=lambda day: 1.0))
    assert finding is not None
    assert finding.cause == UNKNOWN
    assert set(others(finding)) >= {"stale-tare", "build-up"}
    assert "since before" in finding.sentence


@pytest.mark.parametrize("nuclide", ["Cs-137", "Co-60"])
def test_compensation_in_steps_is_not_reported(nuclide: str) -> None:
    belt = site(1, days=100.0, nuclide=nuclide, declared=nuclide, taken=lambda day: left(nuclide, (day // 30.0) * 30.0))
    assert told(belt) is None


def test_strong_decay_that_is_not_compensated_is_told_early_with_steps_as_the_other_reading() -> None:
    finding = told(site(1, days=20.0, nuclide="Co-60", declared="Co-60", taken=lambda day: 0.0))
    assert finding is not None
    assert finding.cause == "decay-off"
    assert "decay-in-steps" in others(finding)


def test_nothing_is_named_wrongly_over_sites_and_sizes() -> None:
    """Sizes from a third to three times the usual: a wrong name is worse than a set, so there is none."""
    grown: dict[str, tuple[tuple[float, ...], Callable[[float], dict[str, Any]]]] = {
        "stale-tare": ((0.8, 2.3, 6.0), lambda x: {"mass": from_day(x), "events": ((AT, "stood"),)}),
        "shutter-part-open": (
            (0.99, 0.9, 0.7),
            lambda x: {"beam": lambda day: x if day >= AT else 1.0, "events": ((AT, "shutter"),)},
        ),
        "source-changed": ((0.8, 1.2, 1.6), lambda x: {"beam": lambda day: x if day >= AT else 1.0, "events": ((AT, "bypass"),)}),
        "nuclide-or-clock": (
            (100.0, 700.0, 9600.0),
            lambda x: {"taken": lambda day: -LAMBDA_D * day + LAMBDA_D * (x if day >= AT else 0.0), "events": ((AT, "gauge-restart"),)},
        ),
        "tare-loaded": (
            (0.7, 2.0, 6.0),
            lambda x: {"taken": lambda day: -LAMBDA_D * day - MU * (x if day >= AT else 0.0), "events": ((AT, "tare"),)},
        ),
        "build-up": ((0.2, 0.4, 0.8), lambda x: {"mass": lambda day: x * (day % 7.0)}),
    }  # fmt: skip
    named = 0
    for cause, (sizes, changes) in grown.items():
        for size in sizes:
            for seed in range(300, 306):
                finding = told(healthy(seed, **changes(size)))
                if finding is None:
                    continue
                assert finding.cause in (cause, UNKNOWN), (cause, size, seed, finding.sentence)
                assert finding.cause == cause or cause in others(finding), (cause, size, seed)
                named += finding.cause == cause
    assert named >= 60


def test_automatic_zero_that_follows_a_trickle_is_told_on_the_running_plant() -> None:
    (finding,) = at_the_end("TB-07", 4.0, [Order(3600, "auto-zero-creep")])
    assert (finding.link, finding.cause) == (Link.LOAD, "auto-zero-creep")
    assert finding.rate_error_t_h is not None
    assert finding.rate_error_t_h < -2.0
    assert finding.begin >= BEGIN + 3600


def test_named_finding_of_the_empty_belt_takes_the_place_of_one_that_names_nothing() -> None:
    finding = told(site(1, **NAMED["tare-loaded"]))
    assert finding is not None
    for cause, says_more in ((UNKNOWN, True), ("undocumented-change", True), ("dead-time", False)):
        assert zero_findings.says_more(finding, replace(finding, cause=cause)) is says_more
    assert not zero_findings.says_more(finding, replace(finding, cause=UNKNOWN, link=Link.COUNTS))


def test_tare_that_cured_a_new_belt_leaves_nothing_to_tell() -> None:
    belt = site(
        4, mass=from_day(2.3), events=((AT, "stood"), (AT + 0.1, "tare")),
        taken=lambda day: -LAMBDA_D * day - MU * (2.3 if day >= AT else 0.0),
    )  # fmt: skip
    assert told(belt) is None


def test_findings_of_the_counts_and_of_the_gauge_stand_at_their_links() -> None:
    at = {cause: told(site(1, **NAMED[cause])) for cause in ("stale-tare", "tare-loaded", "decay-off")}
    assert [finding.link for finding in at.values() if finding is not None] == [Link.COUNTS, Link.LOAD, Link.LOAD]


def at_the_end(loop: str, hours: float, orders: Sequence[Order], seed: int = 5) -> list[Finding]:
    """What the engine says of a run of the demo plant at its end: its last two hours are judged."""
    engine = LoopEngine(terminal(), loop)
    last: list[Finding] = []
    for samples in samples_of(loop, BEGIN, int(hours * 3600), seed, orders):
        judged = int(samples.time_s[-1]) >= BEGIN + int(hours * 3600) - 7200
        for evaluation in engine.push(samples, evaluate=judged):
            last = list(evaluation.findings)
    assert engine.check_errors == {}
    return [finding for finding in last if finding.link in (Link.COUNTS, Link.LOAD)]


@pytest.mark.parametrize("loop", ["TB-07", "TB-08", "TB-09"])
def test_sound_plant_of_some_hours_says_nothing(loop: str) -> None:
    assert at_the_end(loop, 4.0, []) == []


STOP = (Order(3600, "belt-stop"), Order(6300, "belt-stop", False))
QUICK: dict[str, tuple[float, list[Order], set[str]]] = {
    "stale-tare": (4.0, [*STOP, Order(4000, "stale-tare")], {"stale-tare"}),
    "build-up": (3.0, [Order(3600, "build-up")], {"build-up", "wet-belt"}),
    "wet-belt": (3.0, [Order(3600, "wet-belt")], {"build-up", "wet-belt"}),
    "shutter-part-open": (
        3.0, [Order(3600, "shutter-closed"), Order(3720, "shutter-closed", False), Order(3720, "shutter-part-open")],
        {"shutter-part-open"},
    ),
    "source-changed": (4.0, [*STOP, Order(4000, "source-changed")], {"source-changed"}),
    "tare-loaded": (3.0, [Order(3600, "tare-loaded")], {"tare-loaded"}),
}  # fmt: skip


@pytest.mark.parametrize("fault", QUICK)
def test_quick_cause_is_told_within_hours_of_a_running_plant(fault: str) -> None:
    hours, orders, causes = QUICK[fault]
    (finding,) = at_the_end("TB-07", hours, orders)
    if len(causes) == 1:
        assert finding.cause == fault
    else:
        assert finding.cause == UNKNOWN
        odds = others(finding)
        assert len({odds[cause] for cause in causes}) == 1
        assert max(odds.values()) == odds[fault]
    low, high = finding.begin_interval
    assert low <= BEGIN + orders[-1].second
    assert high >= BEGIN + 3600


def test_water_that_dries_is_told_and_goes() -> None:
    orders = [Order(3600, "wet-belt"), Order(9000, "wet-belt", False)]
    assert [finding.cause for finding in at_the_end("TB-07", 2.4, orders)] == [UNKNOWN]
    assert at_the_end("TB-07", 4.0, orders) == []
