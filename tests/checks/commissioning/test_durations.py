"""Times from counting statistics, checked against simulated counting and against sums done by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from checks.commissioning.durations import LEAST_TURNS, background, span_run, tare, wrong_background
from checks.commissioning.gauge import GaugeFacts, facts_of
from checks.commissioning.tables import decay_table, load_table, loop_table, renewal
from config.model import FlowRange
from config.nuclides import NUCLIDES
from tests.checks.runs_of_terminal import terminal

DAY = datetime(2027, 3, 1, tzinfo=UTC).timestamp()
FACTS = GaugeFacts(
    net_empty=5140.0, background=60.0, dead_time=0.0, factor=157.0, speed=1.9, full=420.0, belt_length=240.0, damping=10.0,
    decay_constant=math.log(2.0) / NUCLIDES["Cs-137"].half_life_s, nuclide="Cs-137", day_s=DAY,
)  # fmt: skip


def spread(facts: GaugeFacts, flow: float, seconds: float, *, of_zero: bool) -> float:
    """Twice the standard deviation of the flow over 4,000 counts of Poisson pulses (seed 5)."""
    rng = np.random.default_rng(5)
    net_of = facts.net_empty if of_zero else facts.net(flow)
    counted = rng.poisson((net_of + facts.background) * seconds, 4000) / seconds - facts.background
    ratio = counted / facts.net(flow) if of_zero else facts.net_empty / counted
    return 2.0 * float(np.std(facts.t_h_per_attenuation * np.log(ratio)))


@pytest.mark.parametrize("wanted", [0.2, 0.5, 1.0])
def test_tare_of_that_length_leaves_what_was_wanted(wanted: float) -> None:
    run = tare(FACTS, wanted)
    assert spread(FACTS, 0.0, run.counting_s, of_zero=True) == pytest.approx(wanted, rel=0.04)
    assert run.turns is not None
    assert run.seconds == pytest.approx(run.turns * 240.0 / 1.9)
    assert run.seconds >= run.counting_s
    assert run.uncertainty <= wanted


def test_tare_is_never_shorter_than_three_turns() -> None:
    """Three turns: common practice, no source."""
    run = tare(FACTS, 50.0)
    assert run.turns == LEAST_TURNS
    assert "3 turns" in run.because


def test_tare_of_a_belt_of_unknown_length_is_three_minutes_at_least() -> None:
    """NIST Handbook 44, 2.21, N.3.1.1: at least three minutes (from memory)."""
    run = tare(replace(FACTS, belt_length=math.nan), 50.0)
    assert (run.turns, run.seconds) == (None, 180.0)


@pytest.mark.parametrize("load", [0.2, 0.5, 1.0])
def test_span_run_of_that_length_leaves_what_was_wanted(load: float) -> None:
    run = span_run(FACTS, 0.25, load, 0.01)
    flow = load * 420.0
    assert spread(FACTS, flow, run.counting_s, of_zero=False) == pytest.approx(0.0025 * flow, rel=0.04)
    assert run.uncertainty <= 0.0025 * flow


@pytest.mark.parametrize(
    ("load", "resolution", "seconds", "name"),
    [
        (1.0, 0.01, 600.0, "10 min"),
        (1.0, 1.0, 800.0 / 420.0 * 3600.0, "800 digits"),
        (0.1, 0.001, 720.0, "2 % of an hour"),
    ],
)
def test_yardsticks_hold_where_counting_is_quick(load: float, resolution: float, seconds: float, name: str) -> None:
    """NIST Handbook 44, 2.21, N.2.3 and OIML R 50-1:2014, minimum totalized load (from memory)."""
    strong = replace(FACTS, net_empty=5.0e6)
    run = span_run(strong, 5.0, load, resolution)
    assert name in run.because
    assert seconds <= run.seconds < seconds + 240.0 / 1.9


def test_background_reading_takes_a_third_of_what_is_wanted_at_most() -> None:
    run = background(FACTS, 0.1)
    rng = np.random.default_rng(6)
    read = rng.poisson(60.0 * run.seconds, 4000) / run.seconds
    errors = [wrong_background(FACTS, float(rate) - 60.0) for rate in read]
    assert 2.0 * float(np.std(errors)) == pytest.approx(run.uncertainty, rel=0.05)
    assert run.uncertainty <= 0.1 / 3.0 + 1e-9


def test_background_of_sixty_taken_for_zero() -> None:
    """By hand: K = 3.6 * 157 * 1.9 = 1073.88; N = 5140 exp(-420/K) = 3476.2; K ln(5200/3536.2) - 420 = -5.91."""
    assert wrong_background(FACTS, -60.0) == pytest.approx(-5.91, abs=0.01)


@pytest.mark.parametrize("wanted", [0.0, -1.0, math.nan])
def test_no_uncertainty_is_no_plan(wanted: float) -> None:
    with pytest.raises(ValueError, match="not above zero"):
        tare(FACTS, wanted)
    with pytest.raises(ValueError, match="not above zero"):
        background(FACTS, wanted)
    with pytest.raises(ValueError, match="not above zero"):
        span_run(FACTS, wanted, 0.5, 0.1)
    with pytest.raises(ValueError, match="load"):
        span_run(FACTS, 0.25, 0.0, 0.1)


def test_count_rates_fall_from_empty_to_full_and_give_the_flow_back() -> None:
    rows = load_table(FACTS)
    rates = [row.count_rate for row in rows]
    assert rates == sorted(rates, reverse=True)
    for row in rows:
        assert FACTS.t_h_per_attenuation * math.log(5140.0 / (row.count_rate - 60.0)) == pytest.approx(row.flow, abs=1e-6)
        assert row.load == pytest.approx(row.flow / (3.6 * 1.9))


def test_detector_with_dead_time_shows_less() -> None:
    """Non-paralysable: n shown = n / (1 + n t), so that n = m / (1 - m t) gives it back (textbook)."""
    shown = replace(FACTS, dead_time=2e-6).shown(0.0)
    assert shown / (1.0 - shown * 2e-6) == pytest.approx(5200.0)


def test_decay_table_against_the_evaluated_half_life() -> None:
    """radioactivedecay (ICRP-107 data) as the second witness; the evaluations lie 0.5 % apart in half-life."""
    import radioactivedecay as rd

    rows = decay_table(FACTS)
    assert [datetime.fromtimestamp(row.day_s, UTC).strftime("%Y-%m-%d") for row in rows][:2] == ["2027-04-01", "2027-05-01"]
    for row in rows:
        inventory = rd.Inventory({"Cs-137": 1.0}, "Bq").decay((row.day_s - DAY) / 86400.0, "d")
        assert row.left == pytest.approx(inventory.activities("Bq")["Cs-137"], rel=2e-4)
        assert row.error == pytest.approx(FACTS.t_h_per_attenuation * FACTS.decay_constant * (row.day_s - DAY), rel=1e-9)


def test_renewal_is_the_day_on_which_the_noise_is_reached() -> None:
    today = load_table(FACTS, (100.0,))[0].noise
    day = renewal(FACTS, 1.5 * today)
    assert day is not None
    left = math.exp(-FACTS.decay_constant * (day - DAY))
    assert load_table(replace(FACTS, net_empty=FACTS.net_empty * left), (100.0,))[0].noise == pytest.approx(
        1.5 * today, rel=1e-3
    )
    assert renewal(FACTS, today / 2.0) == DAY
    assert renewal(FACTS, 100.0 * today) is None


def test_loop_table_shows_what_another_range_at_the_far_side_makes() -> None:
    """4 mA is 0 %, 20 mA is 100 % (IEC 60381-1, from memory)."""
    loop = terminal().loops["TB-07"]
    other = loop.model_copy(update={"plc": loop.plc.model_copy(update={"range": FlowRange(low=0.0, high=400.0)})})
    rows = loop_table(other)
    assert [row.current for row in rows] == [4.0, 8.0, 12.0, 16.0, 20.0]
    assert [row.raw for row in rows] == [0.0, 6912.0, 13824.0, 20736.0, 27648.0]
    assert [row.shown for row in rows] == pytest.approx([0.0, 100.0, 200.0, 300.0, 400.0])


def test_facts_of_a_site_file_or_what_it_lacks() -> None:
    loop = terminal().loops["TB-07"]
    facts = facts_of(loop, DAY)
    assert isinstance(facts, GaugeFacts)
    assert facts.full == 420.0
    bare = loop.model_copy(
        update={"gauge": loop.gauge.model_copy(update={"empty_belt_rate": None, "load_per_attenuation": None})}
    )
    missing = facts_of(bare, DAY)
    assert isinstance(missing, list)
    assert [item.split(" ")[0] for item in missing] == ["gauge.empty_belt_rate", "gauge.load_per_attenuation"]


def test_published_rules_stand_beside_each_time() -> None:
    """At half of 420 t/h: 800 digits of 0.1 t are 80 t, 1371.4 s; 2 % of 420 t are 8.4 t, 144 s (NIST Handbook 44, OIML R 50, from memory)."""
    beside = dict(span_run(FACTS, 0.25, 0.5, 0.1).beside)
    assert sorted(round(seconds, 1) for seconds in beside.values()) == [144.0, 600.0, 1371.4]
    assert all("from memory" in rule for rule in beside)
    turns = dict(tare(FACTS, 2.1).beside)
    assert [round(seconds) for seconds in turns.values()] == [round(3 * FACTS.turn_s), 180]
