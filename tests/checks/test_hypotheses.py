"""Discrete causes against a fitted line: constants and pivots named, look-alikes kept, nothing guessed."""

from __future__ import annotations

import numpy as np
import pytest

from checks.finding import UNKNOWN
from checks.hypotheses import MOST_ODDS, Measured, Scored, admissible, rank
from checks.lines import Line, chain
from config.model import Loop
from tests.checks.test_lines import loop_of

PATH_LOOP = loop_of("plc_flow")
RAW_LOOP = loop_of("ai_raw", "plc_flow")
PATH = chain(PATH_LOOP)[0]
CARD, BLOCK = chain(RAW_LOOP)
ANALOGUE = np.diag([0.2**2, 0.0015**2])
DIGITAL = np.diag([0.05**2, 0.0004**2])


def ranked(line: Line, loop: Loop, offset: float, gain: float, covariance: np.ndarray, **more: float) -> tuple[Scored, ...]:
    measured = Measured(offset=offset, gain=gain, covariance=covariance)
    return rank(line, loop, measured, output_agrees=False, factors=more)


@pytest.mark.parametrize(
    ("offset", "gain", "cause"),
    [
        (20 * 420 / 440, 420 / 440 - 1, "lower-range"),
        (0.0, 0.10231, "ton-unit"),
        (0.0, -0.01579, "ton-unit"),
        (0.0, 2.6, "time-base"),
        (84.0, -0.2, "live-zero-mix"),
        (-105.0, 0.25, "live-zero-mix"),
    ],
)
def test_worked_fault_is_named_on_the_whole_path(offset: float, gain: float, cause: str) -> None:
    best = ranked(PATH, PATH_LOOP, offset, gain, ANALOGUE)[0]
    assert best.cause == cause
    assert best.odds > 1.0


@pytest.mark.parametrize(
    ("offset", "gain", "cause"),
    [
        (-(1 - 20 / 20.25) * 105, 20 / 20.25 - 1, "current-leak"),
        (4.2, 0.0, "current-offset"),
        (93.0, 1.0 / (1.0 + 250 / 6500) - 1, "current-leak-in"),
        (84.0, -0.2, "live-zero-mix"),
    ],
)
def test_electrical_fault_is_named_where_the_output_was_seen_to_be_right(offset: float, gain: float, cause: str) -> None:
    measured = Measured(offset=offset, gain=gain, covariance=ANALOGUE)
    best = rank(CARD, RAW_LOOP, measured, output_agrees=True, factors={})[0]
    assert best.cause == cause


def test_short_ton_survives_a_card_that_is_a_tenth_of_a_per_cent_off() -> None:
    best = ranked(PATH, PATH_LOOP, 0.1, 0.10231 + 0.0011, ANALOGUE)[0]
    assert best.cause == "ton-unit"


def test_output_that_agrees_rules_out_its_ranges() -> None:
    assert "upper-range" in admissible(CARD, output_agrees=False, load_as_well=False)
    assert "upper-range" not in admissible(CARD, output_agrees=True, load_as_well=True)
    assert "current-leak" not in admissible(BLOCK, output_agrees=False, load_as_well=True)


@pytest.mark.parametrize("ratio", [420 / 500, 400 / 420, 1.05])
def test_range_and_trim_draw_one_line_and_stay_tied_without_another_station_or_setting(ratio: float) -> None:
    scored = ranked(PATH, PATH_LOOP, 0.0, ratio - 1.0, ANALOGUE)
    assert {item.cause for item in scored[:2]} == {"upper-range", "output-trim"}
    assert scored[0].probability == pytest.approx(scored[1].probability)
    assert scored[0].probability < 0.5


def test_range_that_is_read_back_off_leads_the_trim() -> None:
    scored = ranked(PATH, PATH_LOOP, 0.0, -0.05, ANALOGUE, **{"upper-range": 1e4})
    assert scored[0].cause == "upper-range"
    assert scored[0].odds == MOST_ODDS


def test_ranges_read_back_alike_leave_the_trim() -> None:
    scored = ranked(CARD, RAW_LOOP, 0.0, -0.05, ANALOGUE, **{"upper-range": 1e-3, "lower-range": 1e-3})
    assert scored[0].cause == "output-trim"


def test_line_that_fits_no_mechanism_stays_unknown() -> None:
    measured = Measured(offset=-30.0, gain=0.02, covariance=ANALOGUE)
    best = rank(CARD, RAW_LOOP, measured, output_agrees=True, factors={})[0]
    assert best.cause == UNKNOWN


def test_wide_errors_leave_several_causes_and_no_certainty() -> None:
    scored = ranked(PATH, PATH_LOOP, 2.0, -0.03, np.array([[400.0, -1.5], [-1.5, 0.006]]))
    assert scored[0].probability < 0.9
    assert sum(item.probability > 0.02 for item in scored) >= 3
    assert sum(item.probability for item in scored) == pytest.approx(1.0)


def test_odds_are_capped() -> None:
    assert Scored(cause="x", probability=1.0).odds == MOST_ODDS
    assert Scored(cause="x", probability=0.75).odds == pytest.approx(3.0)


def test_unit_factor_is_told_from_a_range_by_its_crossing_where_the_range_starts_below_zero() -> None:
    loop = loop_of("plc_flow")
    low = loop.model_copy(
        update={"gauge": loop.gauge.model_copy(update={"range": loop.gauge.range.model_copy(update={"low": -50.0})})}
    )
    line = chain(low)[0]
    covariance = np.diag([0.1**2, 0.0007**2])
    ton = rank(line, low, Measured(offset=0.0, gain=0.10231, covariance=covariance), output_agrees=False, factors={})
    shifted = rank(
        line, low, Measured(offset=50.0 * 0.10231, gain=0.10231, covariance=covariance), output_agrees=False, factors={}
    )  # fmt: skip
    assert ton[0].cause == "ton-unit"
    assert shifted[0].cause == "upper-range"


@pytest.mark.statistical
def test_stated_odds_are_kept_on_simulated_faults() -> None:
    """Draw causes by their weights and sizes, rank them, and count how often probabilities above 0.9 were right."""
    rng = np.random.default_rng(81)
    loop, line = RAW_LOOP, BLOCK
    right = sure = 0
    for _ in range(400):
        if rng.random() < 10 / 14:
            cause, offset, gain = "upper-range", 0.0, rng.normal(0.0, 0.02)
        else:
            u = rng.normal(0.0, 0.02)
            cause, offset, gain = "lower-range", u * 420.0, -u
        noise = rng.multivariate_normal([0.0, 0.0], DIGITAL)
        best = ranked(line, loop, offset + noise[0], gain + noise[1], DIGITAL)[0]
        if best.probability > 0.9:
            sure += 1
            right += best.cause == cause
    print(f"seed 81: {right} of {sure} right")
    assert sure > 200
    assert right / sure > 0.95


def test_load_on_the_current_is_named_where_the_range_does_not_begin_at_no_flow() -> None:
    # no published case: a range of -50 to 500 t/h, load scaled so that it reads 0.77 of the flow; the line turns about no flow
    line = Line(**{**{name: getattr(CARD, name) for name in CARD.__dataclass_fields__}, "low": -50.0, "high": 500.0})
    measured = Measured(offset=0.0, gain=-0.23, covariance=ANALOGUE)
    best = rank(line, RAW_LOOP, measured, output_agrees=False, factors={}, load_as_well=True)[0]
    assert best.cause == "wrong-variable"
    moved = Measured(offset=-50.0 * 0.23, gain=-0.23, covariance=ANALOGUE)  # another upper range turns it about 4 mA
    assert rank(line, RAW_LOOP, moved, output_agrees=False, factors={}, load_as_well=True)[0].cause in (
        "upper-range",
        "output-trim",
    )


def test_ranges_that_are_read_back_alike_leave_load_on_the_current() -> None:
    measured = Measured(offset=0.0, gain=-0.47, covariance=ANALOGUE)
    alike = {"upper-range": 1e-3, "lower-range": 1e-3, "output-trim": 0.1}
    scored = rank(CARD, RAW_LOOP, measured, output_agrees=False, factors=alike, load_as_well=True)
    assert scored[0].cause == "wrong-variable"
    assert scored[0].odds < 9.0
