"""Current, flow, raw counts: there and back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from checks.signal import current_of, current_of_raw, flow_of, limited, loop_milliamps, raw_of
from config.model import FlowRange, RawSpan

finite = st.floats(-1e4, 1e4)


@given(finite, finite, st.floats(1.0, 1e4))
def test_flow_to_current_and_back(flow: float, low: float, span: float) -> None:
    scale = FlowRange(low=low, high=low + span)
    assert flow_of(current_of(flow, scale), scale) == pytest.approx(flow, rel=1e-9, abs=1e-7)


@given(st.floats(0.0, 24.0), st.floats(-3e4, 3e4), st.floats(100.0, 6.5e4), st.booleans())
def test_current_to_raw_and_back(current: float, low: float, span: float, falling: bool) -> None:
    card = RawSpan(low=low, high=low - span if falling else low + span)
    assert current_of_raw(raw_of(current, card), card) == pytest.approx(current, abs=1e-9)


@given(finite)
def test_limited_current_is_never_a_failure_signal(current: float) -> None:
    assert 3.6 < limited(current) < 21.0


def test_own_measurement_goes_before_the_raw_counts() -> None:
    raw = np.array([0.0, 27648.0])
    assert loop_milliamps({"ai_raw": raw}, RawSpan()) == pytest.approx([4.0, 20.0])
    assert loop_milliamps({"ai_raw": raw, "loop_current": raw * 0.0 + 7.0}, RawSpan()) == pytest.approx([7.0, 7.0])
    assert loop_milliamps({}, RawSpan()) is None
