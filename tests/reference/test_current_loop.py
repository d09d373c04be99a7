"""The 4-20 mA loop against published values.

Signal range: IEC 60381-1 (from memory); levels of NAMUR NE 43 (second-hand, several pages agree); the rest is exact
arithmetic worked out apart from the code (computed).
"""

from __future__ import annotations

import pytest

from checks.signal import Level, current_of, current_of_raw, flow_of, level, limited, raw_of
from config.limits import CurrentLimit
from config.model import FlowRange, RawSpan

PER_CENT = FlowRange(low=0.0, high=100.0)


@pytest.mark.parametrize(
    ("per_cent", "milliamps"),
    [(-2.5, 3.6), (-1.25, 3.8), (0, 4.0), (10, 5.6), (25, 8.0), (50, 12.0), (75, 16.0), (90, 18.4), (100, 20.0),
     (103.125, 20.5), (106.25, 21.0)],
)  # fmt: skip
def test_five_points_and_the_limits_of_ne_43(per_cent: float, milliamps: float) -> None:
    assert current_of(float(per_cent), PER_CENT) == pytest.approx(milliamps, abs=1e-12)
    assert flow_of(milliamps, PER_CENT) == pytest.approx(per_cent, abs=1e-12)


@pytest.mark.parametrize(("true", "shown"), [(300, 240), (600, 480), (900, 720), (1200, 960)])
def test_gauge_to_1500_on_a_control_system_to_1200_shows_four_fifths_everywhere(true: float, shown: float) -> None:
    carried = current_of(float(true), FlowRange(high=1500.0))
    assert flow_of(carried, FlowRange(high=1200.0)) == pytest.approx(shown)


@pytest.mark.parametrize(("milliamps", "per_cent"), [(4, 20), (12, 60), (20, 100)])
def test_4_to_20_on_a_0_to_20_card_is_a_fifth_high_at_zero(milliamps: float, per_cent: float) -> None:
    card = RawSpan(low=27648.0 * 4 / 20, high=27648.0)  # raw of a 0-20 mA card at 4 and at 20 mA
    assert 100.0 * raw_of(float(milliamps), card) / 27648.0 == pytest.approx(per_cent)


@pytest.mark.parametrize(
    ("span", "microamps"),
    [(RawSpan(high=4095.0), 3.907), (RawSpan(high=27648.0), 0.5787), (RawSpan(low=13107, high=65535), 0.3052)],
)
def test_one_step_of_the_card(span: RawSpan, microamps: float) -> None:
    step = 1000.0 * (current_of_raw(span.low + 1.0, span) - current_of_raw(span.low, span))
    assert step == pytest.approx(microamps, abs=5e-4)


@pytest.mark.parametrize(
    ("milliamps", "found"),
    [(3.59, Level.FAILURE_LOW), (3.6, Level.FAILURE_LOW), (3.8, Level.MEASURING), (12.0, Level.MEASURING), (20.5, Level.MEASURING),
     (21.0, Level.FAILURE_HIGH), (22.0, Level.FAILURE_HIGH)],
)  # fmt: skip
def test_levels_of_ne_43(milliamps: float, found: Level) -> None:
    for before in Level:
        assert level(milliamps, before, CurrentLimit()) is found


@pytest.mark.parametrize("milliamps", [3.61, 3.79, 20.51, 20.99])
def test_between_the_bands_the_level_before_stands(milliamps: float) -> None:
    for before in Level:
        assert level(milliamps, before, CurrentLimit()) is before


def test_saturation_of_a_measuring_output() -> None:
    assert [limited(value) for value in (2.0, 3.8, 12.0, 20.5, 25.0)] == [3.8, 3.8, 12.0, 20.5, 20.5]
