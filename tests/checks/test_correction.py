"""The setting to enter: rounded as typed, on the right side, with what it will do. Expected numbers are derived by hand."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from checks.correction import mean_flow, nearest, of_line, of_read_back, typed, words
from checks.finding import Correction, Finding, ShiftTonnes
from checks.hypotheses import Measured
from checks.lines import Line, chain
from checks.plain import finding_dict, finding_from
from checks.result import Link, Verdict
from checks.window import Window
from tests.checks.simulation import START, Chain

SMALL = np.diag([0.02, 1e-7])
"""Covariance of a good fit: 0.14 t/h and 0.03 %."""


@pytest.fixture(scope="module")
def window() -> Window:
    """An hour at 260 t/h; range 0 to 420 t/h at both ends."""
    known = Chain(load=np.full(3600, 260.0)).window()
    return replace(known, settings={})


def line_at(window: Window, link: Link) -> Line:
    return next(line for line in chain(window.loop) if line.link is link)


def whole(window: Window) -> Line:
    tags = {role: tag for role, tag in window.loop.tags.items() if role in ("flow", "plc_flow")}
    return chain(window.loop.model_copy(update={"tags": tags}))[-1]


def corrected(window: Window, link: Link, cause: str, slope: float, offset: float = 0.0) -> Correction:
    found = of_line(window, line_at(window, link), cause, Measured(offset=offset, gain=slope - 1.0, covariance=SMALL), START)
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("value", "uncertainty", "expected"),
    [
        (399.8, 1.2, 400.0), (441.2, 0.6, 441.0), (441.2, 0.9, 442.0), (-19.7, 0.5, -20.0), (0.13, 0.2, 0.0), (0.0, 0.5, 0.0),
        (27720.0, 100.0, 27800.0), (153.85, 0.4, 154.0), (153.85, 0.01, 153.85), (1234.5, 400.0, 1000.0),
    ],
)  # fmt: skip
def test_typed_is_the_roundest_number_inside_the_uncertainty(value: float, uncertainty: float, expected: float) -> None:
    assert typed(value, uncertainty) == pytest.approx(expected)


def test_typed_leaves_what_is_exact_or_no_number() -> None:
    assert typed(153.857, 0.0) == 153.857
    assert np.isnan(typed(float("nan"), 1.0))
    assert nearest(1.1, (1.10231, 1.12), 0.001) is None


def test_gauge_at_500_against_420_is_found_as_500_and_leaves_the_identity(window: Window) -> None:
    """The gauge sends 4 + 16 F/500: slope 420/500 = 0.84 on the scale of the site file, 41.6 t/h short at 260 t/h."""
    found = corrected(window, Link.GAUGE_OUTPUT, "upper-range", 0.8402, 0.05)
    assert (found.side, found.acts_as, found.enter, found.setting) == ("gauge", 500.0, 420.0, "flow at 20 mA")
    assert found.before.rate_error_t_h == pytest.approx(-41.5, abs=0.2)
    assert found.after is not None
    assert found.after.slope == pytest.approx(1.0, abs=0.0005)
    assert abs(found.after.rate_error_t_h) < 0.2
    assert "enter 500 t/h in the PLC instead" in found.otherwise


def test_plc_at_400_is_found_in_the_block(window: Window) -> None:
    found = corrected(window, Link.SCALING_BLOCK, "upper-range", 400.0 / 420.0)
    assert (found.side, found.acts_as, found.enter) == ("plc", 400.0, 420.0)
    assert found.after is not None
    assert found.after.slope == pytest.approx(1.0)


def test_lower_range_of_the_gauge_at_minus_20_is_found(window: Window) -> None:
    """4 mA = -20 t/h: the output lies 20/440 of the span higher at zero, that is 19.09 t/h on a scale of 420, and right at 420."""
    found = corrected(window, Link.GAUGE_OUTPUT, "lower-range", 420.0 / 440.0, 420.0 * 20.0 / 440.0)
    assert (found.side, found.acts_as, found.enter, found.setting) == ("gauge", -20.0, 0.0, "flow at 4 mA")
    assert found.after is not None
    assert found.after.slope == pytest.approx(1.0)
    assert found.after.offset_t_h == pytest.approx(0.0, abs=1e-9)


def test_whole_path_gives_both_ways_and_says_which_number_is_whose(window: Window) -> None:
    found = of_line(window, whole(window), "upper-range", Measured(offset=0.0, gain=0.05, covariance=SMALL), START)
    assert found is not None
    assert (found.side, found.acts_as, found.enter) == ("gauge or plc", 441.0, 420.0)
    assert "441 t/h in the PLC or 400 t/h in the gauge" in found.otherwise


def test_read_back_names_the_side_and_the_number(window: Window) -> None:
    known = replace(window, settings={"gauge_range_high": 400.0, "plc_range_high": 420.0})
    found = of_line(known, whole(known), "upper-range", Measured(offset=0.0, gain=0.0497, covariance=SMALL), START)
    assert found is not None
    assert (found.side, found.acts_as, found.enter) == ("gauge", 400.0, 420.0)
    assert found.after is not None
    assert found.after.slope == pytest.approx(1.0497 / 1.05)
    silent = of_read_back(known, line_at(known, Link.GAUGE_OUTPUT), "upper-range")
    assert silent is not None
    assert silent.side == "gauge"
    assert silent.before.slope == pytest.approx(1.05)
    assert of_read_back(window, line_at(window, Link.GAUGE_OUTPUT), "upper-range") is None
    assert of_read_back(known, line_at(known, Link.GAUGE_OUTPUT), "build-up") is None


def test_raw_constant_of_another_card_is_named(window: Window) -> None:
    """Block at 32767 for a card of 27648 counts: slope 27648/32767 = 0.8438."""
    found = corrected(window, Link.SCALING_BLOCK, "raw-span", 27648.0 / 32767.0)
    assert (found.side, found.acts_as, found.enter) == ("plc", 32767.0, 27648.0)
    assert found.after is not None
    assert found.after.slope == pytest.approx(1.0)


def test_raw_constant_at_the_lower_end_is_named_and_two_wrong_ones_are_not_guessed(window: Window) -> None:
    low = 5530.0
    slope = 27648.0 / (27648.0 - low)
    found = corrected(window, Link.SCALING_BLOCK, "raw-span", slope, -420.0 * low / (27648.0 - low))
    assert (found.setting, found.acts_as, found.enter) == ("raw counts at 4 mA", low, 0.0)
    line = line_at(window, Link.SCALING_BLOCK)
    assert of_line(window, line, "raw-span", Measured(offset=30.0, gain=0.3, covariance=SMALL), START) is None


@pytest.mark.parametrize(("factor", "words_"), [(1.10231, "short tons"), (0.98421, "long tons")])
def test_ton_factor_is_exact_and_named(window: Window, factor: float, words_: str) -> None:
    """1 t = 1.10231 short tons = 0.98421 long tons (pound avoirdupois 0.45359237 kg, exact by definition)."""
    found = corrected(window, Link.SCALING_BLOCK, "ton-unit", factor + 0.0004)
    assert (found.acts_as, found.enter) == (factor, 1.0)
    assert words_ in found.otherwise


def test_live_zero_mix_is_undone_exactly(window: Window) -> None:
    """Card 0 to 20 mA: 0.8 F + 84 t/h; 84 t/h is a fifth of 420."""
    found = corrected(window, Link.SCALING_BLOCK, "live-zero-mix", 0.8, 84.0)
    assert (found.acts_as, found.enter, found.side) == (0.0, 4.0, "plc")
    assert found.computed == pytest.approx(0.0)
    assert found.after is not None
    assert found.after.slope == pytest.approx(1.0)
    assert found.after.offset_t_h == pytest.approx(0.0, abs=1e-9)
    other = corrected(window, Link.SCALING_BLOCK, "live-zero-mix", 1.25, -105.0)
    assert other.computed == pytest.approx(0.0)


def test_trim_of_the_output_is_given_in_current(window: Window) -> None:
    found = corrected(window, Link.INPUT_CARD, "output-trim", 0.98)
    assert found.unit == "mA"
    assert found.acts_as == pytest.approx(19.68, abs=0.01)


def test_leak_is_no_setting(window: Window) -> None:
    line = line_at(window, Link.SCALING_BLOCK)
    assert of_line(window, line, "current-leak", Measured(offset=-1.3, gain=-0.0123, covariance=SMALL), START) is None


def test_words_carry_value_side_and_prediction(window: Window) -> None:
    said = " ".join(words(corrected(window, Link.GAUGE_OUTPUT, "upper-range", 0.84)))
    assert "Enter 420 t/h as flow at 20 mA in the gauge; it acts as 500 t/h" in said
    assert "Slope 0.8400 becomes 1.0000" in said
    assert "error at the mean flow -41.6 t/h becomes 0.0 t/h" in said
    assert mean_flow(window, START + 10**6) == 0.0


def test_correction_and_shifts_survive_the_database_and_older_rows_have_none(window: Window) -> None:
    enter = corrected(window, Link.GAUGE_OUTPUT, "upper-range", 0.84)
    part = ShiftTonnes(shift="06:00", begin=START, end=START + 60, tonnes=-1.5, tonnes_uncertainty=0.1)
    finding = Finding(
        loop="TB-07", link=Link.GAUGE_OUTPUT, cause="upper-range", title="ends differ", verdict=Verdict.FAULT, odds=9.0,
        begin=START, begin_interval=(START, START), correction=enter, by_shift=(part,),
    )  # fmt: skip
    plain = json.loads(json.dumps(finding_dict(finding), allow_nan=False))
    assert finding_from(plain) == finding
    old = {key: value for key, value in plain.items() if key not in ("correction", "by_shift")}
    assert finding_from(old) == replace(finding, correction=None, by_shift=())
