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
from checks.samples import Samples
from checks.tag_findings import findings, torn
from checks.window import LedgerEntry, Window
from deploy.plant.model import Switch
from tests.checks.runs_of_terminal import BEGIN, changed, run_of, window_of
from tests.checks.simulation import Chain, swinging_load

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
        assert list(torn(window, ())) == []


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


def window_with(*entries: LedgerEntry) -> Window:
    chain = Chain(load=swinging_load(np.random.default_rng(3), 1200), ledger=entries)
    return chain.window()


def jump(size: float, role: str = "plc_total", kind: str = "total-transient", back: int = 100) -> LedgerEntry:
    window = window_with()
    return LedgerEntry(time_s=window.end_s - back, kind=kind, role=role, old=5000.0, new=5000.0 + size)


@pytest.mark.parametrize("words", [1, -1, 2])
def test_jump_of_65536_digits_for_a_moment_is_a_torn_read(words: int) -> None:
    window = window_with(jump(words * 65536 * 0.1 + 0.1))
    (told,) = torn(window, ())
    assert (told.cause, told.link) == ("wrong-type", Link.TOTALS)
    assert "65,536" in told.sentence or "131,072" in told.sentence


def test_other_jumps_are_no_torn_read() -> None:
    for entry in (
        jump(6500.0), jump(100.0), jump(6553.6, kind="total-rollover"), jump(-5000.0, kind="total-reset"), jump(6553.6, back=4000),
    ):  # fmt: skip
        assert list(torn(window_with(entry), ())) == []


def test_torn_total_in_the_stream_is_seen_through_the_blocks() -> None:
    def torn_once(total: np.ndarray) -> np.ndarray:
        total[-100] += 6553.6
        return total

    samples: Samples = changed(run_of("TB-07", 0.5, seed=SEED), gauge_total=torn_once)
    assert [item.cause for item in torn(window_of(samples), ())] == ["wrong-type"]
