"""What looks like a fault to a plain rule and is none: sound chains under each of these have no finding at all."""

from __future__ import annotations

import numpy as np
import pytest

from checks.catalogue import CHECKS
from checks.diagnose import diagnose
from checks.finding import Finding
from checks.window import Window
from config.load import parse_site
from deploy.plant.model import Switch, simulate
from deploy.plant.scenario import Shifts, Steady
from deploy.plant.site import scenario_of
from deploy.plant.site_file import site_text
from deploy.plant.terminal import fresh, specs_at
from tests.checks.runs_of_terminal import BEGIN, PLC_URL, changed, run_of, terminal, window_of, windows_of
from tests.checks.simulation import ALL_ROLES, Chain, steady_load

SEED = 17
LOOPS = ("TB-07", "TB-08", "TB-09")
PATH = tuple(role for role in ALL_ROLES if role not in ("ai_raw", "gauge_output"))


def told(window: Window) -> tuple[Finding, ...]:
    return diagnose(window, [result for check in CHECKS for result in check.check(window)])


def causes(window: Window) -> list[tuple[str, str, str]]:
    return [(item.cause, item.link.value, item.sentence) for item in told(window)]


@pytest.mark.parametrize("sd", [5.0, 12.0, 50.0])
def test_flow_against_counts_through_load_that_wanders_and_stops(sd: float) -> None:
    """Edge noise puts 54 to 94 % of sound minutes beyond 0.5 t/h where nothing is filtered alike (simulated, no source)."""
    load = steady_load(np.random.default_rng(SEED), 5400, 260.0, sd)
    load[3000:3300] = 0.0
    samples = Chain(load=load, seed=SEED).window()
    assert causes(samples) == []
    for window in windows_of(run_of("TB-07", 2.0, seed=SEED), terminal(), 600):
        assert causes(window) == []


def test_filtered_counts_scatter_less_than_counting_and_are_not_frozen() -> None:
    """Behind 12 s a plain chi-square test calls 44 to 81 % of sound records frozen (simulated, no source)."""
    for window in windows_of(run_of("TB-08", 2.0, seed=SEED, scenario=Steady(300.0)), terminal(), 300):
        assert causes(window) == []


@pytest.mark.parametrize("loop", LOOPS)
def test_flow_that_is_cut_off_on_an_empty_belt_stands_still_for_hours(loop: str) -> None:
    """A cut-off of 2 % of span gives exact zeros for up to 1,141 s of an empty hour (simulated, no source)."""
    specs = specs_at(fresh(BEGIN))
    specs = {name: spec.with_("gauge", low_cutoff=0.02 * spec.gauge.range_high) for name, spec in specs.items()}
    site = parse_site(site_text(specs, dict.fromkeys(specs, 1502), PLC_URL), "terminal.yaml").site
    for window in windows_of(simulate(specs[loop], 1.5, BEGIN, SEED, scenario=Steady(0.0)), site, 900):
        assert causes(window) == []


def test_product_in_front_of_a_closed_shutter_is_no_beam() -> None:
    """Background 60 and 57 1/s of potash at 260 t/h: 117 1/s behind a shutter that is truly closed (92 at 420 t/h: 152)."""
    orders = [Switch("product-gammas", at_h=0.0), Switch("steady-load", 0.0, None, 420.0), Switch("shutter-closed", at_h=0.4)]
    window = window_of(run_of("TB-07", 0.45, seed=SEED, faults=orders))
    assert [item.cause for item in told(window)] == ["shutter-closed"]
    stopped = window_of(run_of("TB-07", 0.45, seed=SEED, faults=[*orders, Switch("belt-stop", at_h=0.38)]))
    assert all(item.cause != "shutter-contradiction" for item in told(stopped))


@pytest.mark.parametrize("lag_s", [2, 5])
def test_minutes_of_a_load_that_swings_by_50_behind_a_lag(lag_s: int) -> None:
    """Without a lag 56 to 82 % of single minutes lie beyond 0.25 % of span (simulated, no source)."""
    load = steady_load(np.random.default_rng(SEED), 7200, 240.0, 50.0)
    chain = Chain(load=load, lag_s=lag_s, roles=PATH, seed=SEED)
    for end in range(1800, 7201, 600):
        assert causes(chain.window(end)) == []


def test_restart_that_reads_zeros_everywhere_is_no_dead_detector() -> None:
    def zeros(column: np.ndarray) -> np.ndarray:
        column[-40:] = 0.0
        return column

    roles = ("flow", "load", "speed", "count_rate", "detector_temperature", "gauge_total", "gauge_output")
    samples = changed(run_of("TB-07", 0.6, seed=SEED), **dict.fromkeys(roles, zeros))
    assert [item.cause for item in told(window_of(samples))] == ["gateway-zeros"]


@pytest.mark.parametrize("loop", LOOPS)
def test_archive_with_a_deadband_of_half_a_per_cent_on_both_flows(loop: str) -> None:
    """Values that are stored only where they moved by 0.5 % of span, held in between."""
    span = terminal().loops[loop].gauge.range.high

    def banded(column: np.ndarray) -> np.ndarray:
        out, last = column.copy(), column[0]
        for k, value in enumerate(column):
            last = value if abs(value - last) > 0.005 * span else last
            out[k] = last
        return out

    samples = changed(run_of(loop, 1.5, seed=SEED, scenario=scenario_of(loop, SEED)), flow=banded, plc_flow=banded)
    window = window_of(samples)
    from checks import card_findings, count_findings, late_findings, tag_findings, wiring_findings

    results = [result for check in CHECKS for result in check.check(window)]
    for family in (
        tag_findings.findings, card_findings.overflow, card_findings.held, count_findings.noisy, count_findings.findings,
        wiring_findings.signal, wiring_findings.findings, late_findings.findings,
    ):  # fmt: skip
        assert [item.cause for item in family(window, results)] == []


def test_day_of_shifts_with_idle_and_standing_hours() -> None:
    for window in windows_of(run_of("TB-09", 8.0, seed=SEED, scenario=Shifts(SEED)), terminal(), 1300):
        assert causes(window) == []
