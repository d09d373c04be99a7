"""A PLC flow that stands still: which of its causes remain, by what else is read."""

from __future__ import annotations

import numpy as np
import pytest

from checks.stale_flow import candidates, finding
from checks.tail import Tail
from checks.window import Window
from tests.checks.runs_of_terminal import BEGIN, samples_by_hand, small_site, window_of

SECONDS, ONSET = 600, 300
FLOW = 260.0 + 60.0 * np.sin(np.arange(SECONDS) / 50.0)


def standing(value: float | None, *, roles: tuple[str, ...] = (), total: str = "") -> Window:
    """A PLC flow that follows for five minutes and then stands at a value (None: at its last); the total goes on with something."""
    shown = FLOW.copy()
    shown[ONSET:] = shown[ONSET - 1] if value is None else value
    columns = {"flow": FLOW, "plc_flow": shown, "drive_running": np.ones(SECONDS)}
    columns |= {role: np.zeros(SECONDS) for role in roles if role == "plc_forced"}
    columns |= {role: 4.0 + 16.0 * FLOW / 420.0 for role in roles if role == "loop_current"}
    if total:
        columns["plc_total"] = np.round(5000.0 + np.cumsum({"flow": FLOW, "shown": shown}[total]) / 3600.0, 1)
    return window_of(samples_by_hand(columns), small_site(tuple(columns)))


def remain(window: Window) -> tuple[str, ...]:
    tail = Tail(window)
    since = tail.still("plc_flow")
    assert since.begin == BEGIN + ONSET - (0 if since.seconds == SECONDS - ONSET else 1)
    return candidates(window, tail, since)


@pytest.mark.parametrize(
    ("value", "total", "causes"),
    [
        (None, "", {"stale-tag", "forced-value", "output-frozen"}),
        (None, "flow", {"stale-tag"}),
        (None, "shown", {"forced-value", "output-frozen"}),
        (90.0, "", {"forced-value"}),
        (-100.0, "", {"open-loop"}),
        (470.0, "", {"burnout-value"}),
        (420.0, "", {"forced-value", "burnout-value"}),
        (0.0, "", {"forced-value", "open-loop"}),
    ],
)
def test_without_a_current_the_value_its_jump_and_the_total_tell(value: float | None, total: str, causes: set[str]) -> None:
    assert set(remain(standing(value, total=total))) == causes


def test_bit_that_says_not_forced_leaves_the_old_value_and_the_output() -> None:
    assert set(remain(standing(None, roles=("plc_forced",)))) == {"stale-tag", "output-frozen"}


def test_live_current_leaves_what_lies_behind_it() -> None:
    assert set(remain(standing(None, roles=("loop_current",)))) == {"stale-tag", "forced-value"}
    assert remain(standing(90.0, roles=("loop_current",))) == ("forced-value",)


@pytest.mark.parametrize(("tau_s", "end"), [(5.0, -76.0), (20.0, -76.0), (0.0, -76.0), (5.0, 477.0)])
def test_flow_that_left_its_range_through_a_filter_is_dated_from_where_it_set_out(tau_s: float, end: float) -> None:
    """A filter of 5 s reaches -76.00 t/h to a hundredth after 5 ln(336/0.005) = 56 s; the tonnes count from the first second."""
    shown = FLOW.copy()
    keep = np.exp(-1.0 / tau_s) if tau_s else 0.0
    shown[ONSET:] = np.round(end + (shown[ONSET - 1] - end) * keep ** np.arange(1, SECONDS - ONSET + 1), 2)
    columns = {"flow": FLOW, "plc_flow": shown, "drive_running": np.ones(SECONDS)}
    window = window_of(samples_by_hand(columns), small_site(tuple(columns)))
    (found,) = finding(window, Tail(window), "it stands still")
    assert found.cause == ("open-loop" if end < 0.0 else "burnout-value")
    assert (found.begin, found.begin_interval) == (BEGIN + ONSET, (BEGIN + ONSET - 1, BEGIN + ONSET))
    assert found.tonnes == pytest.approx(float((shown - FLOW)[ONSET:].sum()) / 3600.0, abs=0.1)
