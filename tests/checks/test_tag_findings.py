"""Tags that are read wrongly: named by what a sound reading would be, silent where the chain is only large, small or idle."""

from __future__ import annotations

import struct
from dataclasses import replace

import numpy as np
import pytest

from checks.catalogue import CHECKS
from checks.diagnose import diagnose
from checks.finding import UNKNOWN, Finding
from checks.result import Link
from checks.tag_findings import findings
from checks.window import Window
from deploy.plant.model import Switch
from tests.checks.runs_of_terminal import BEGIN, changed, run_of, window_of

LOOPS = ("TB-07", "TB-08", "TB-09")
SEED = 7
QUIET_H, LOADED_H = 0.5, 0.61
"""A fault that shows only under load is switched on where the belt of that seed is loaded."""


def causes(window: Window) -> list[str]:
    return [finding.cause for finding in findings(window, ())]


def all_told(window: Window) -> tuple[Finding, ...]:
    return diagnose(window, [result for check in CHECKS for result in check.check(window)])


def faulty(fault: str, loop: str, minutes: float, begin_h: float = LOADED_H) -> Window:
    return window_of(run_of(loop, begin_h + minutes / 60.0, seed=SEED, faults=[Switch(fault, at_h=begin_h)]))


@pytest.mark.parametrize("loop", LOOPS)
@pytest.mark.parametrize("fault", ["word-order", "register-offset", "register-offset@flow", "wrong-type"])
def test_wrong_tag_is_named_alone_within_three_minutes_under_load(fault: str, loop: str) -> None:
    told = all_told(faulty(fault, loop, 3.0))
    assert [(item.cause, item.link) for item in told] == [(fault.split("@")[0], Link.COMMUNICATION)], [
        (item.cause, item.link, item.sentence) for item in told
    ]
    assert told[0].begin >= BEGIN + LOADED_H * 3600 - 60


def test_halves_of_two_words_and_swapped_words_have_one_magnitude() -> None:
    """260.3 is 0x4382 2666 in IEEE 754 binary32 (checked with `struct`); its low word in front gives 7.99e-16 either way.

    The neighbour behind it, 38.0, is 0x4218 0000: joined 0x2666 4218. Worked example W10, derived again.
    """
    assert struct.pack(">f", 260.3).hex() == "43822666"
    swapped = struct.unpack(">f", bytes.fromhex("26664382"))[0]
    joined = struct.unpack(">f", bytes.fromhex("26664218"))[0]
    assert swapped == pytest.approx(7.99e-16, rel=2e-3)
    assert joined == pytest.approx(swapped, rel=1e-3)


def test_order_and_address_stay_a_tie_where_nothing_can_be_put_back() -> None:
    """Scaled tags no longer carry the bits that were read: both causes at equal odds, and what would decide."""
    window = faulty("word-order", "TB-07", 2.0)
    loop = window.loop
    scaled = {role: tag.model_copy(update={"scale": 2.0}) for role, tag in loop.tags.items()}
    window = replace(window, loop=loop.model_copy(update={"tags": scaled}))
    (told,) = findings(window, ())
    assert told.cause == UNKNOWN
    assert [(item.cause, item.odds) for item in told.alternatives] == [("word-order", 1.0), ("register-offset", 1.0)]
    assert "20 polls" in told.gate[0]


@pytest.mark.parametrize("marker", [65535.0, -32768.0, 4294967295.0])
def test_marker_of_a_missing_value_is_a_wrong_type(marker: float) -> None:
    def marked(flow: np.ndarray) -> np.ndarray:
        flow[-200::40] = marker
        return flow

    samples = changed(run_of("TB-07", 0.5, seed=SEED), flow=marked)
    assert causes(window_of(samples)) == ["wrong-type"]


@pytest.mark.parametrize("loop", LOOPS)
def test_sound_loops_have_none_at_any_hour(loop: str) -> None:
    samples = run_of(loop, 1.0, seed=SEED)
    for seconds in range(120, 3600, 240):
        window = window_of(samples[slice(0, seconds)])
        assert causes(window) == []


@pytest.mark.parametrize(
    "fault",
    ["time-base", "ton-unit", "upper-range", "gateway-zeros", "zero-counts", "stale-tag", "tach-lost", "open-loop",
     "forced-value", "live-zero-mix", "wrong-variable", "double-scaling"],
)  # fmt: skip
def test_look_alikes_are_no_wrong_tag(fault: str) -> None:
    for minutes in (0.5, 3.0):
        assert causes(faulty(fault, "TB-07", minutes)) == []


def test_ten_times_the_flow_at_both_ends_is_no_matter_of_the_tag() -> None:
    """Where the PLC itself is off by ten, the other numbers of the gauge stand by the flow."""
    window = window_of(run_of("TB-07", 0.7, seed=SEED, faults=[Switch("time-base", at_h=LOADED_H, severity=10.0)]))
    assert causes(window) == []
