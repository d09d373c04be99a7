"""Fixed speed, held flow, slip by where the sensor sits, false pulses and a wandering belt: named, booked only where the true
speed is known, and not seen where there is nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from checks import speed_findings, wander
from checks.catalogue import CHECKS
from checks.diagnose import diagnose
from checks.finding import UNKNOWN, Finding
from checks.result import CheckResult, Link, Verdict
from checks.samples import Samples
from checks.speed import check
from checks.window import Window
from config.cautions import CAUTIONS
from config.model import Site
from deploy.plant.model import Switch, simulate
from deploy.plant.scenario import Scenario, Shifts, Steady
from deploy.plant.site import scenario_of
from deploy.plant.terminal import fresh, specs_at
from tests.checks.runs_of_terminal import BEGIN, changed, run_of, terminal, window_of, windows_of

SEED = 11
AT_H = 0.5


@cache
def run(loop: str, fault: str = "", hours: float = 1.0, severity: float | None = None) -> Samples:
    faults = [Switch(fault, at_h=AT_H, severity=severity)] if fault else []
    return run_of(loop, hours, seed=SEED, faults=faults, scenario=scenario_of(loop, SEED))


def told(window: Window, results: Sequence[CheckResult] | None = None) -> list[Finding]:
    every = results or [result for entry in CHECKS for result in entry.check(window)]
    return list(speed_findings.findings(window, every))


def with_gauge(loop: str, **changes: object) -> Site:
    site = terminal()
    part = site.loops[loop]
    gauge = part.gauge.model_copy(update=changes)
    return site.model_copy(update={"loops": {**site.loops, loop: part.model_copy(update={"gauge": gauge})}})


@pytest.mark.parametrize("loop", ["TB-07", "TB-08", "TB-09"])
def test_honest_loop_has_no_finding_of_its_speed(loop: str) -> None:
    samples = run(loop, hours=2.5)
    for window in windows_of(samples, terminal(), 600):
        assert told(window) == []


def test_fixed_speed_is_named_once_the_drive_has_moved() -> None:
    (finding,) = told(window_of(run("TB-09", "fixed-speed")))
    assert (finding.cause, finding.link, finding.verdict) == ("fixed-speed", Link.DRIVE, Verdict.FAULT)
    assert abs(finding.begin - (BEGIN + 1800)) <= 60
    assert "2.600 m/s while the drive went between" in finding.sentence
    assert finding.tonnes is None


def test_speed_off_a_variable_drive_that_has_not_moved_is_a_tie_with_the_step_that_would_tell() -> None:
    samples = run("TB-09", "fixed-speed", AT_H + 75 / 3600)
    (finding,) = told(window_of(samples))
    assert finding.cause == UNKNOWN
    assert {item.cause for item in finding.alternatives} >= {"fixed-speed", "belt-slip"}
    assert {item.odds for item in finding.alternatives} == {1.0}
    assert any("step of the drive" in gate for gate in finding.gate)


def test_fixed_speed_that_is_declared_on_a_steady_drive_is_in_order() -> None:
    assert told(window_of(run("TB-07", hours=2.0))) == []


def test_flow_held_on_a_standing_belt_is_named_with_its_tonnes() -> None:
    samples = run("TB-07", "hold-on-stop", AT_H + 0.25)
    window = window_of(samples)
    (finding,) = told(window)
    held = float(samples.values["flow"][-1])
    assert (finding.cause, finding.link) == ("hold-on-stop", Link.DRIVE)
    assert finding.begin == pytest.approx(BEGIN + 1800, abs=2)
    assert finding.tonnes == pytest.approx(held * 0.25, abs=0.05 * held * 0.25 + 1.0)
    assert finding.alternatives == ()
    assert [item.cause for item in diagnose(window, [result for entry in CHECKS for result in entry.check(window)])] == [
        "hold-on-stop"
    ]


def test_held_flow_without_a_speed_tag_is_a_tie_with_a_held_speed() -> None:
    site = terminal()
    part = site.loops["TB-07"]
    tags = {role: tag for role, tag in part.tags.items() if role != "speed"}
    site = site.model_copy(update={"loops": {**site.loops, "TB-07": part.model_copy(update={"tags": tags})}})
    samples = run("TB-07", "hold-on-stop", AT_H + 0.05)
    values = {role: column for role, column in samples.values.items() if role != "speed"}
    (finding,) = told(
        window_of(replace(samples, values=values, quality={role: samples.quality[role] for role in values}), site)
    )
    assert finding.cause == "hold-on-stop"
    assert [(item.cause, item.odds) for item in finding.alternatives] == [("speed-held", 1.0)]


def test_plc_that_holds_its_flow_is_told_apart_from_the_gauge() -> None:
    stops = BEGIN + 1800
    base = simulate(specs_at(fresh(BEGIN))["TB-07"], 0.55, BEGIN, SEED, [Switch("belt-stop", at_h=AT_H)])
    samples = changed(base, plc_flow=lambda flow: np.where(base.time_s >= stops, flow[1799], flow))
    (finding,) = told(window_of(samples))
    assert finding.cause == "hold-on-stop"
    assert "the PLC has held" in finding.sentence


@pytest.mark.parametrize("event", ["belt-stop", "speed-held", "tach-lost"])
def test_stop_and_other_faults_of_speed_are_no_held_flow(event: str) -> None:
    samples = run("TB-07", event, AT_H + 0.05)
    assert [finding.cause for finding in told(window_of(samples))] == []


@pytest.mark.parametrize(
    ("place", "words"),
    [("tail", "tonnes are right"), ("return", "tonnes are right"), ("drive", "slip is not seen"), ("unknown", "does not say")],
)
def test_slip_is_named_by_the_place_of_the_sensor_and_books_nothing_by_itself(place: str, words: str) -> None:
    samples = run("TB-09", "belt-slip", 1.0)
    (finding,) = told(window_of(samples, with_gauge("TB-09", speed_sensor_at=place)))
    assert finding.cause == "belt-slip"
    assert words in finding.sentence
    assert finding.tonnes is None
    assert finding.rate_error_t_h is None
    assert abs(finding.begin - (BEGIN + 1800)) <= 60
    assert any("empty belt" in gate for gate in finding.gate)


def empty(loop: str, fault: str, severity: float, hours: float = 2.0, **gauge: object) -> Window:
    spec = specs_at(fresh(BEGIN))[loop].with_("belt", thickness_sd=0.6)
    if gauge:
        spec = spec.with_("gauge", **gauge)
    return window_of(simulate(spec, hours, BEGIN, SEED, [Switch(fault, severity=severity)] if fault else [], scenario=Night()))


class Night:
    """Half an hour of load, then an empty belt."""

    def plan(self, time_s):  # type: ignore[no-untyped-def]
        plan = Steady(260.0).plan(time_s)
        return replace(plan, feed=np.where(time_s < BEGIN + 1800, plan.feed, 0.0))


def test_turns_of_the_belt_clear_the_tonnes_where_the_sensor_sits_on_the_slipping_belt() -> None:
    (finding,) = told(empty("TB-09", "belt-slip", 5.0))
    assert finding.cause == "belt-slip"
    assert "the speed tag and the tonnes are right" in finding.sentence
    assert finding.tonnes is None


def test_turns_of_the_belt_book_the_tonnes_where_a_fixed_speed_does_not_see_the_slip() -> None:
    (finding,) = told(empty("TB-07", "belt-slip", 5.0))
    assert (finding.cause, finding.link) == ("belt-slip", Link.DRIVE)
    assert "tonnes are 5." in finding.sentence
    assert finding.tonnes is not None
    assert finding.tonnes_uncertainty is not None
    assert finding.tonnes == pytest.approx(0.05 * 130.0, abs=1.0)
    assert finding.tonnes > 3.0 * finding.tonnes_uncertainty


def test_turns_of_the_belt_book_a_worn_sensor_pulley() -> None:
    (finding,) = told(empty("TB-09", "", 0.0, speed_factor=1.05))
    assert finding.cause == UNKNOWN
    assert {item.cause for item in finding.alternatives} == {"belt-slip", "tach-extra-pulses", "fixed-speed"}
    assert "the tonnes are wrong with the speed tag" in finding.sentence
    assert finding.tonnes is not None
    assert finding.tonnes > 0.0


def test_speed_twice_the_drive_counts_false_pulses_and_is_one_finding() -> None:
    window = window_of(run("TB-09", "tach-extra-pulses"))
    (finding,) = told(window)
    assert finding.cause == "tach-extra-pulses"
    every = diagnose(window, [result for entry in CHECKS for result in entry.check(window)])
    assert [item.cause for item in every] == ["tach-extra-pulses"]


def test_bursts_of_pulses_are_told_although_the_mean_hardly_moves() -> None:
    print("seed", SEED)
    rng = np.random.default_rng(SEED)
    hit = rng.random(3600) < 0.08
    samples = changed(
        run_of("TB-07", 1.0, seed=SEED, scenario=Steady(200.0)), speed=lambda speed: np.where(hit, 1.4 * speed, speed)
    )
    (finding,) = told(window_of(samples))
    assert finding.cause == "tach-extra-pulses"
    assert "never below" in finding.sentence


@pytest.mark.parametrize("loop", ["TB-07", "TB-08", "TB-09"])
def test_belt_that_leaves_the_beam_is_named_with_the_cautions(loop: str) -> None:
    (finding,) = told(window_of(run_of(loop, 2.2, seed=SEED, faults=["belt-wander"], scenario=scenario_of(loop, SEED))))
    assert (finding.cause, finding.link) == ("belt-wander", Link.LOAD)
    assert finding.cautions == CAUTIONS
    assert finding.tonnes is None


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize("loop", ["TB-07", "TB-09"])
def test_load_that_only_swings_is_no_wander(loop: str, seed: int) -> None:
    for scenario in (scenario_of(loop, seed), Shifts(seed), Steady(260.0)):
        window = window_of(run_of(loop, 2.1, seed=seed, scenario=scenario))
        assert wander.check(window)[0].verdict in (Verdict.OK, Verdict.NOT_EVALUATED)


def test_uneven_belt_alone_is_no_wander() -> None:
    spec = specs_at(fresh(BEGIN))["TB-07"].with_("belt", thickness_sd=1.0)
    scenario: Scenario = scenario_of("TB-07", SEED)
    window = window_of(simulate(spec, 2.1, BEGIN, SEED, scenario=scenario))
    assert wander.check(window)[0].verdict is Verdict.OK


def test_swing_of_a_known_wander_is_measured() -> None:
    """A load of which 1/2 w (1 + cos) is lost swings by w/2 over 1 - w/2."""
    window = window_of(run_of("TB-07", 2.2, seed=SEED, faults=[Switch("belt-wander", severity=0.3)], scenario=Steady(200.0)))
    result = wander.check(window)[0]
    assert result.value("swing_percent") == pytest.approx(100.0 * 0.15 / 0.85, rel=0.15)


def test_speed_without_drive_asks_for_it() -> None:
    site = terminal()
    part = site.loops["TB-07"]
    tags = {role: tag for role, tag in part.tags.items() if role != "drive_speed"}
    site = site.model_copy(update={"loops": {**site.loops, "TB-07": part.model_copy(update={"tags": tags})}})
    result = check(window_of(run("TB-07", hours=0.2), site))[0]
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "drive_speed" in result.needs[0]
