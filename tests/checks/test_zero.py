"""The check of the zero: what the counts of the empty belt say, how well they are known, and when they say nothing."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from checks import zero
from checks.physics import flow_noise_t_h
from checks.result import CheckResult, Verdict
from checks.zero_series import current, kv_of, last_change, series_of
from checks.zero_shape import Bins, shapes
from checks.zero_swing import swing_of
from tests.checks.empties_simulation import (
    BACKGROUND,
    DAY_S,
    KV,
    LENGTH,
    NET,
    ROLES,
    SPEED,
    T0,
    Belt,
    as_window,
    healthy,
)

SEEDS = (1, 2, 3)
PRIOR = 0.0005


def asked(belt: Belt, upto: float | None = None) -> CheckResult:
    (found,) = zero.check(belt.window(upto))
    return found


def leader(result: CheckResult) -> str:
    causes = {name[6:]: value for name, value in result.facts.items() if name.startswith("cause:")}
    return max(causes, key=lambda cause: causes[cause])


def shape(result: CheckResult) -> tuple[str, str]:
    return zero.PARTS[int(result.facts["part"])], zero.SHAPES[int(result.facts["shape"])]


def test_kv_is_that_of_the_worked_examples() -> None:
    loop = Belt(seed=0).loop()
    assert kv_of(loop, SPEED) == pytest.approx(KV) == pytest.approx(1052.3, abs=0.1)


@pytest.mark.parametrize(("minutes", "sigma"), [(10, 0.60), (30, 0.35), (60, 0.25)])
def test_counting_alone_leaves_what_poisson_says(minutes: int, sigma: float) -> None:
    """Kv sqrt(C/t)/N: the means of ten minutes, half an hour and an hour of empty belt, also by the filtered-rate formula."""
    t = 60.0 * minutes
    assert KV * math.sqrt((NET + BACKGROUND) / t) / NET == pytest.approx(sigma, abs=0.006)
    # a rate meter of time constant tau fluctuates like a count over 2 tau
    told = flow_noise_t_h(
        0.0, load_per_attenuation=1.0 / 0.0065, speed=SPEED, net_empty=NET, background=BACKGROUND, tau_s=t / 2.0
    )
    assert told == pytest.approx(sigma, abs=0.006)


def test_two_empties_of_ten_minutes_differ_by_a_tenth_of_a_per_cent_by_chance() -> None:
    """A limit of 0.1 % of the counts would cry wolf: 22 % of pairs of 10 min, 3 % of 30 min, 0.2 % of 60 min."""
    shares = {}
    for minutes in (10, 30, 60):
        sigma = math.sqrt(2.0 * (NET + BACKGROUND) / (60.0 * minutes)) / NET
        shares[minutes] = math.erfc(0.001 / sigma / math.sqrt(2.0))
    assert math.sqrt(2.0 * 5200.0 / 600.0) / NET == pytest.approx(0.00081, abs=0.00001)
    assert shares[10] == pytest.approx(0.22, abs=0.01)
    assert shares[30] == pytest.approx(0.033, abs=0.004)
    assert shares[60] == pytest.approx(0.002, abs=0.001)
    rng = np.random.default_rng(17)
    drawn = np.log(rng.poisson(5200.0 * 600.0, (4000, 2)) / 600.0 - BACKGROUND)
    assert float((np.abs(np.diff(drawn, axis=1)) > 0.001).mean()) == pytest.approx(shares[10], abs=0.02)


@pytest.mark.parametrize("seed", range(20))
def test_pair_of_short_empties_is_no_fault_however_it_falls(seed: int) -> None:
    print("seed", seed)
    belt = Belt(seed=seed, days=1.0, hours=(6.0, 18.0), scatter=0.0)
    assert asked(belt).verdict in (Verdict.OK, Verdict.SUSPECT, Verdict.NOT_EVALUATED)


@pytest.mark.parametrize("seed", SEEDS)
def test_scatter_of_a_site_is_learned_from_its_empties(seed: int) -> None:
    print("seed", seed)
    calm, rough = (
        series_of(belt.loop(), belt.stretches(), PRIOR)
        for belt in (Belt(seed=seed, scatter=0.05, memory_h=0.5), Belt(seed=seed, scatter=2.0, memory_h=0.5))
    )
    assert calm is not None
    assert rough is not None
    assert float(calm.scatter[0]) < 0.4
    assert float(rough.scatter[0]) == pytest.approx(2.0, rel=0.2)


@pytest.mark.parametrize("seed", range(12))
def test_healthy_site_reads_zero_to_within_its_uncertainty(seed: int) -> None:
    print("seed", seed)
    belt = healthy(seed, scatter=0.3, per_kelvin=0.0)
    result = asked(belt)
    assert result.verdict in (Verdict.OK, Verdict.SUSPECT)
    assert abs(result.facts["error"]) < 4.0 * result.facts["error_se"]


@pytest.mark.parametrize("seed", SEEDS)
def test_half_a_kilogram_of_cake_is_seen_and_weighed(seed: int) -> None:
    """0.5 kg/m2 is 3.6 w v m = 3.42 t/h; over 20 running hours 68 t a day, 1.75 % of 3,900 t."""
    error = 3.6 * 1.0 * SPEED * 0.5
    assert error == pytest.approx(3.42)
    assert error * 20.0 == pytest.approx(68.4)
    assert error * 20.0 / 3900.0 == pytest.approx(0.0175, abs=0.0001)
    print("seed", seed)
    result = asked(Belt(seed=seed, scatter=0.2, days=30.0, mass=lambda day: 0.5 if day >= 20.0 else 0.0))
    assert result.verdict is Verdict.FAULT
    assert result.facts["error"] == pytest.approx(error, abs=3.0 * result.facts["error_se"])
    hours = 24.0 * 10.0  # the simulated belt runs all day
    assert result.facts["tonnes"] == pytest.approx(error * hours, abs=result.facts["tonnes_u"] + 4.0 * error)
    assert result.facts["begin_low"] <= T0 + 20 * DAY_S <= result.facts["begin_high"]


@pytest.mark.parametrize("seed", SEEDS)
def test_twenty_kelvin_at_a_twentieth_of_a_per_cent_move_the_zero_by_ten_tonnes_an_hour(seed: int) -> None:
    """20 K at -0.05 %/K is -1 % of the counts: Kv ln(1/0.99) = 10.6 t/h at 15:00 and nothing at 05:00."""
    assert -KV * math.log(1.0 - 0.0005 * 20.0) == pytest.approx(10.6, abs=0.05)
    print("seed", seed)
    hours = (1.0, 5.0, 9.0, 12.0, 15.0, 18.0, 21.0)
    belt = Belt(seed=seed, days=10.0, per_kelvin=-0.0005, swing_k=10.0, hours=hours)
    result = asked(belt)
    assert result.verdict is Verdict.FAULT
    assert shape(result) == ("swing", "temperature")
    assert leader(result) == "detector-temperature"
    series = series_of(belt.loop(), belt.stretches(), PRIOR)
    assert series is not None
    swing = swing_of(series)
    assert swing is not None
    assert swing.coefficient == pytest.approx(0.0005 * KV, rel=0.15)
    afternoon = series.counts[np.round(series.time_s % DAY_S / 3600.0) == 15.0].mean()
    night = series.counts[np.round(series.time_s % DAY_S / 3600.0) == 5.0].mean()
    assert afternoon - night == pytest.approx(10.6 * (1.0 + math.cos(math.pi / 6.0)) / 2.0, abs=1.0)


@pytest.mark.parametrize("lag_h", [0.0, 2.0, 4.0])
def test_zero_that_follows_the_temperature_late_is_still_seen(lag_h: float) -> None:
    belt = Belt(seed=4, days=20.0, per_kelvin=-0.0005, swing_k=8.0, lag_h=lag_h, hours=tuple(range(0, 24, 2)))
    assert leader(asked(belt)) == "detector-temperature"


def test_zero_does_not_use_a_flow_that_a_cut_off_hides() -> None:
    """Four months of drift below a cut-off of 8.4 t/h show in the counts and not in the flow (8.4/2.02 months)."""
    month = KV * math.log(2.0) / (30.05 * 365.25) * 30.44
    assert 8.4 / month == pytest.approx(4.2, abs=0.1)
    belt = Belt(seed=5, mass=lambda day: 1.0 if day >= 30.0 else 0.0, hidden=True, gauge={"low_cutoff": 8.4})
    result = asked(belt)
    assert result.verdict is Verdict.FAULT
    assert result.facts["error"] == pytest.approx(6.84, abs=1.5)


def test_hidden_zero_books_loaded_hours_only() -> None:
    belt = Belt(seed=6, mass=lambda day: 1.0 if day >= 30.0 else 0.0)
    shown, hidden = asked(belt), asked(replace(belt, hidden=True))
    assert hidden.facts["tonnes"] == pytest.approx(0.75 * shown.facts["tonnes"], rel=0.02)


def test_without_counts_or_calibration_or_empties_it_says_what_is_needed() -> None:
    belt = Belt(seed=7, days=3.0)
    blind = as_window(Belt(seed=7, read=tuple(role for role in ROLES if role != "count_rate")).loop(), ())
    (result,) = zero.check(blind)
    assert result.verdict is Verdict.NOT_EVALUATED
    assert result.needs == ("a tag for the count rate of the detector",)
    (result,) = zero.check(as_window(belt.loop(), ()))
    assert "2 more stretches of empty running belt" in result.needs[0]
    loop = belt.loop()
    bare = loop.model_copy(update={"gauge": loop.gauge.model_copy(update={"load_per_attenuation": None})})
    (result,) = zero.check(as_window(bare, belt.stretches()))
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "load_per_attenuation" in result.needs[0]
    late = belt.window()
    (result,) = zero.check(replace(late, end_s=late.end_s + 20 * DAY_S))
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "20 days ago" in result.reason


def test_what_the_gauge_takes_for_empty_must_be_known() -> None:
    belt = Belt(seed=8, days=5.0, hidden=True)
    unknown = [replace(stretch, load_error=None) for stretch in belt.stretches()]
    (result,) = zero.check(as_window(belt.loop(), unknown))
    assert result.verdict is Verdict.NOT_EVALUATED
    assert "what the gauge takes for empty" in result.reason


def test_ages_of_tare_and_of_the_last_empty_belt_are_told() -> None:
    result = asked(Belt(seed=9, days=30.0, events=((10.0, "tare"),)))
    assert result.value("age of the tare") == pytest.approx(20.0, abs=0.5)
    assert result.value("age of the last empty belt") == pytest.approx(0.02, abs=0.05)
    untold = asked(Belt(seed=9, days=30.0))
    assert untold.value("age of the tare") == pytest.approx(92.0 + 30.0, abs=1.0)  # since the declared date


def test_single_empty_belt_that_differs_waits_for_another() -> None:
    belt = Belt(seed=10, days=10.0, mass=lambda day: 2.0 if day > 9.9 else 0.0)
    assert asked(belt).verdict is not Verdict.FAULT
    again = replace(belt, mass=lambda day: 2.0 if day > 9.7 else 0.0)
    assert asked(again).verdict is Verdict.FAULT


def test_belt_whose_length_is_not_known_is_judged_by_time() -> None:
    belt = Belt(seed=11, mass=lambda day: 2.0 if day >= 30.0 else 0.0)
    by_time = [replace(stretch, turns=None) for stretch in belt.stretches()]
    (result,) = zero.check(as_window(belt.loop(), by_time))
    assert result.verdict is Verdict.FAULT


def test_part_turns_scatter_by_the_unevenness_of_the_belt_and_are_told_apart() -> None:
    rng = np.random.default_rng(12)
    belt = Belt(seed=12, scatter=0.1)
    mixed = [
        stretch if row % 2 else replace(stretch, turns=0.6, ln_net=stretch.ln_net + 4.0 / KV * float(rng.standard_normal()))
        for row, stretch in enumerate(belt.stretches())
    ]
    series = series_of(belt.loop(), mixed, PRIOR)
    assert series is not None
    whole = np.array([stretch.whole for stretch in mixed])
    assert float(series.scatter[~whole][0]) > 3.0 > 1.0 > float(series.scatter[whole][0])
    level = current(series)
    assert level is not None
    assert abs(level.value) < 3.0 * level.se


def test_last_change_is_found_and_noise_is_none() -> None:
    rng = np.random.default_rng(13)
    values = rng.standard_normal(200)
    assert last_change(values, np.ones(200)) == 0
    values[150:] += 3.0
    values[180:] -= 5.0
    assert last_change(values, np.ones(200)) == pytest.approx(180, abs=2)


@pytest.mark.parametrize(
    ("name", "course"),
    [
        ("level", lambda day: 0.0 * day),
        ("step", lambda day: np.where(day > 33.0, 5.0, 0.0)),
        ("ramp", lambda day: np.maximum(0.0, day - 40.0) * 0.5),
        ("saw", lambda day: day % 8.0),
        ("passing", lambda day: np.where((day >= 20.0) & (day < 21.0), 8.0, 0.0)),
    ],
)
@pytest.mark.parametrize("seed", SEEDS)
def test_shapes_are_told_apart(seed: int, name: str, course: object) -> None:
    print("seed", seed)
    day = np.arange(60.0)
    assert callable(course)
    value = course(day) + 0.5 * np.random.default_rng(seed).standard_normal(60)
    best = shapes(Bins(time_s=T0 + day * DAY_S, value=value, variance=np.full(60, 0.25)))[0]
    assert best.name == name


def test_geometry_of_the_simulation_is_that_of_its_turns() -> None:
    stretch = Belt(seed=14, days=1.0).stretches()[0]
    assert stretch.turns is not None
    assert stretch.seconds * SPEED / LENGTH == pytest.approx(stretch.turns)
