"""The forward model against worked numbers, and its stream against the way it is cut."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import radioactivedecay as rd
from numpy.typing import NDArray

from checks.samples import Samples
from deploy.plant.field import decay
from deploy.plant.model import START, LoopModel, simulate
from deploy.plant.scenario import Shifts, Steady, Swings
from deploy.plant.site import POTASH, TB07, TB09, scenario_of
from deploy.plant.spec import HALF_LIFE_Y, YEAR_S, LoopSpec

SEED = 11


class Exact:
    """A generator without noise: the mean of every draw."""

    def spawn(self, n: int) -> list[Exact]:
        return [Exact() for _ in range(n)]

    def standard_normal(self, n: int) -> NDArray[np.float64]:
        return np.zeros(n)

    def poisson(self, expected: NDArray[np.float64]) -> NDArray[np.float64]:
        return expected

    def uniform(self, low: float, high: float, n: int) -> NDArray[np.float64]:
        return np.full(n, 0.5 * (low + high))


def plain(spec: LoopSpec = TB07, **changes: dict[str, Any]) -> LoopSpec:
    """The loop with an even belt, ideal output and card, tared at the begin of the run."""
    spec = spec.with_("belt", thickness_sd=0.0, splice=0.0)
    spec = spec.with_("wire", trim_gain=1.0, trim_offset=0.0).with_("card", gain=1.0, monitor_offset=0.0)
    spec = spec.with_("source", tared_s=float(START)).with_("gauge", tared_s=float(START))
    for part, values in changes.items():
        spec = spec.with_(part, **values)
    return spec


def exact(spec: LoopSpec, feed: float, monkeypatch: pytest.MonkeyPatch) -> Samples:
    """A quarter of an hour of steady feed without any noise."""
    monkeypatch.setattr("deploy.plant.model.np.random.default_rng", lambda _seed: Exact())
    return simulate(spec, 0.25, seed=SEED, scenario=Steady(feed))


# Arithmetic of the chain by hand: C = b + N0 exp(-F/Kv), Kv = 3.6 v C_load, I = 4 + 16 F/420 (derived here, no source).
@pytest.mark.parametrize(
    ("feed", "counts", "current"), [(0.0, 5200.0, 4.0), (100.0, 4734.0, 7.810), (260.0, 4075.0, 13.905), (420.0, 3509.0, 20.0)]
)
def test_reference_conveyor_gives_the_worked_counts_and_currents(
    feed: float, counts: float, current: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples = exact(plain(), feed, monkeypatch)
    assert samples.values["count_rate"][-1] == pytest.approx(counts, abs=0.6)
    assert samples.values["flow"][-1] == pytest.approx(feed, abs=0.051)
    assert samples.values["loop_current"][-1] == pytest.approx(current, abs=0.0011)
    assert samples.values["plc_flow"][-1] == pytest.approx(feed, abs=0.02)


# Worked examples, each by hand from the transfer function of the changed stage (no source).
@pytest.mark.parametrize(
    ("part", "changes", "points"),
    [
        ("gauge", {"range_high": 500.0}, {260.0: 218.4}),
        ("block", {"range_high": 400.0}, {260.0: 247.6}),
        ("gauge", {"range_low": -20.0}, {0.0: 19.1, 100.0: 114.5, 260.0: 267.3, 420.0: 420.0}),
        ("block", {"factor": 1.10231}, {260.0: 286.6}),
        ("wire", {"gain": 20000.0 / 20250.0}, {0.0: -1.3, 260.0: 255.5, 420.0: 413.5}),
        ("wire", {"ceiling": 16.667}, {260.0: 260.0, 400.0: 332.5}),
        ("card", {"zero_current": 0.0}, {0.0: 84.0, 100.0: 164.0, 260.0: 292.0, 420.0: 420.0}),
        ("block", {"square_root": True}, {40.0: 129.6, 260.0: 330.5}),
        ("wire", {"held": 12.0}, {0.0: 210.0, 400.0: 210.0}),
    ],
)
def test_changed_stage_gives_the_worked_plc_flow(
    part: str, changes: dict[str, Any], points: dict[float, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    for feed, shown in points.items():
        samples = exact(plain(TB07, **{part: changes}), feed, monkeypatch)
        assert samples.values["plc_flow"][-1] == pytest.approx(shown, abs=0.06)


def test_ninety_days_without_compensation_add_six_tonnes_an_hour(monkeypatch: pytest.MonkeyPatch) -> None:
    tared = float(START - 90 * 86400)
    spec = plain(TB07, source={"tared_s": tared}, gauge={"tared_s": tared, "compensates_decay": False})
    samples = exact(spec, 0.0, monkeypatch)
    assert samples.values["count_rate"][-1] - 60.0 == pytest.approx(5111.0, abs=0.8)
    assert samples.values["flow"][-1] == pytest.approx(6.0, abs=0.06)


@pytest.mark.parametrize("symbol", ["Cs-137", "Co-60", "Am-241"])
def test_half_lives_agree_with_a_decay_library(symbol: str) -> None:
    """Against radioactivedecay (ICRP-107 data); published half-lives of Cs-137 spread from 30.0 to 30.2 years."""
    mass_number = int(symbol.split("-")[1])
    assert HALF_LIFE_Y[mass_number] == pytest.approx(rd.Nuclide(symbol).half_life("y"), rel=0.005)
    left = decay(mass_number, np.array([HALF_LIFE_Y[mass_number] * YEAR_S]))
    assert left[0] == pytest.approx(0.5)


@pytest.mark.parametrize("spec", POTASH.values(), ids=POTASH)
def test_stream_does_not_depend_on_its_chunks(spec: LoopSpec) -> None:
    whole = LoopModel(spec, SEED, scenario=scenario_of(spec.loop, SEED)).advance(2400)
    cut = LoopModel(spec, SEED, scenario=scenario_of(spec.loop, SEED))
    parts = [cut.advance(n) for n in (1, 0, 1, 13, 85, 600, 1700)]
    for role in spec.roles:
        np.testing.assert_array_equal(whole[role], np.concatenate([part[role] for part in parts]), err_msg=role)


def test_roles_are_those_the_loop_offers_and_all_finite() -> None:
    samples = simulate(TB09, 0.2, seed=SEED, scenario=scenario_of("TB-09", SEED))
    assert tuple(samples.values) == TB09.roles
    assert all(np.isfinite(column).all() for column in samples.values.values())
    assert (np.diff(samples.time_s) == 1).all()


def test_noise_of_the_damped_flow_is_that_of_the_counts() -> None:
    """sigma_F = Kv sqrt(C)/N / sqrt(2 tau) for a first-order rate meter (Evans and Alder 1939, from memory)."""
    spec = plain(TB07, belt={"feed_override": 0.0, "thickness_sd": 0.0, "splice": 0.0})
    flow = simulate(spec, 12.0, seed=SEED, scenario=Steady(0.0)).values["flow"]
    kv = 3.6 * 1.9 / 0.0065
    expected = kv * np.sqrt(5200.0) / 5140.0 / np.sqrt(20.0)
    assert flow.std() == pytest.approx(expected, rel=0.05)
    assert abs(flow.mean()) < 4.0 * expected * np.sqrt(2.0 * 10.0 / len(flow))


def test_one_second_counts_of_the_empty_belt_are_poisson() -> None:
    spec = plain(TB07, belt={"feed_override": 0.0, "thickness_sd": 0.0, "splice": 0.0})
    counts = simulate(spec, 6.0, seed=SEED, scenario=Steady(0.0)).values["count_rate"]
    assert counts.var() / counts.mean() == pytest.approx(1.0, abs=5.0 * np.sqrt(2.0 / len(counts)))


def test_totals_are_the_integral_of_the_flows() -> None:
    samples = simulate(TB07, 8.0, seed=SEED)
    for total, flow in (("gauge_total", "flow"), ("plc_total", "plc_flow")):
        gained = samples.values[total][-1] - samples.values[total][0]
        integral = np.trapezoid(samples.values[flow]) / 3600.0
        assert gained == pytest.approx(integral, abs=0.3)
        assert (np.diff(samples.values[total]) >= -0.1 - 1e-9).all(), "one digit at most, under negative flow"


def test_total_rolls_over() -> None:
    spec = TB07.with_("gauge", total_start=99_990.0, total_rollover=100_000.0)
    total = simulate(spec, 0.5, seed=SEED, scenario=Steady(260.0)).values["gauge_total"]
    assert total.max() < 100_000.0
    assert (np.diff(total) < -99_000.0).sum() == 1


def test_sound_chain_agrees_behind_its_lag() -> None:
    samples = simulate(TB07, 4.0, seed=SEED)
    flow, shown = samples.values["flow"], samples.values["plc_flow"]
    inside = flow[:-1] > 0.0
    assert np.abs(shown[1:] - flow[:-1])[inside].max() < 0.6


def test_demo_load_swings_with_empties_every_ten_minutes() -> None:
    samples = simulate(TB07, 12.0, seed=SEED, scenario=Swings(SEED))
    flow, feed = samples.values["flow"], samples.values["feed_running"]
    assert 290.0 < flow.max() < 360.0
    assert (np.diff(feed) < 0).sum() >= 12 * 6 - 4
    loaded = flow[flow > 40.0]
    assert 200.0 < np.median(loaded) < 270.0
    assert (samples.values["drive_running"] == 0.0).any()


def test_belt_stop_holds_load_and_stops_flow() -> None:
    model = LoopModel(TB07, SEED, scenario=Steady(260.0))
    model.advance(120)
    model.spec = TB07.with_("belt", running_override=False)
    stopped = model.advance(200)
    assert stopped["flow"][-1] == 0.0
    assert stopped["drive_speed"][-1] == 0.0
    assert np.ptp(model.truth["load"][60:]) == 0.0
    assert stopped["load"][-1] > 20.0


def test_ordinary_day_runs_stands_and_idles() -> None:
    running = Shifts(SEED).plan(np.arange(START // 86400 * 86400, START // 86400 * 86400 + 86400)).running
    assert running.sum() == 20 * 3600
