"""Two deviations of one minute are one event; of different minutes, or of links that have nothing to do with each other, they stay two."""

from __future__ import annotations

from dataclasses import replace

import pytest

from checks.finding import UNKNOWN, Finding
from checks.result import CheckResult, Link, Verdict
from checks.telling import told
from checks.together import folded, ratio_evidence
from checks.window import LedgerEntry, Window
from tests.checks.runs_of_terminal import run_of, window_of

AT = 1_800_000_900
FIT = {"v_oo": 0.01, "v_og": 0.0, "v_gg": 1e-6, "s_oo": 0.01, "s_og": 0.0, "s_gg": 1e-6}


@pytest.fixture(scope="module")
def window() -> Window:
    """Twenty sound minutes of a loop of which no setting is read back."""
    return replace(window_of(run_of("TB-07", 1 / 3)), settings={}, ledger=())


def of_load(window: Window, cause: str = "calibration-factor", ratio: float = 1.04, at: int = AT) -> Finding:
    return told(
        window, Link.LOAD, cause, sentence="", begin=at, interval=(at - 20, at), evidence=[ratio_evidence(300.0 * (ratio - 1.0), 300.0, 0.6)]
    )  # fmt: skip


def of_line(window: Window, cause: str = UNKNOWN, link: Link = Link.INPUT_CARD, at: int = AT, wide: int = 30) -> Finding:
    return told(window, link, cause, sentence="", begin=at, interval=(at - wide, at + wide), check="scaling")


def fitted(gain: float, offset: float = 0.0, link: Link = Link.INPUT_CARD) -> list[CheckResult]:
    facts = {"gain": gain, "offset": offset, **FIT}
    return [CheckResult(check="scaling", link=link, verdict=Verdict.FAULT, reason="", facts=facts)]


def causes(found: list[Finding]) -> list[tuple[str, Link]]:
    return [(item.cause, item.link) for item in found]


def test_same_factor_in_the_gauge_and_behind_it_is_one_correction_entered_twice(window: Window) -> None:
    found = folded([of_load(window), of_line(window)], window, fitted(0.041))
    assert causes(found) == [("factor-twice", Link.INPUT_CARD)]
    assert "the same correction stands at both ends" in found[0].sentence
    assert found[0].begin_interval == (AT - 30, AT + 30)


@pytest.mark.parametrize(("gain", "offset"), [(0.10, 0.0), (-0.04, 0.0), (0.041, 12.0)])
def test_other_factor_or_a_line_that_misses_zero_is_no_correction_twice_but_a_backup(
    window: Window, gain: float, offset: float
) -> None:
    found = folded([of_load(window), of_line(window)], window, fitted(gain, offset))
    assert causes(found) == [("undocumented-change", Link.SETUP)]
    assert "calibration-factor" in {item.cause for item in found[0].alternatives}


@pytest.mark.parametrize(
    ("at", "wide", "cause", "link"),
    [
        (AT + 600, 30, UNKNOWN, Link.INPUT_CARD),  # ten minutes later
        (AT, 900, UNKNOWN, Link.INPUT_CARD),  # nobody knows when
        (AT, 30, "over-range", Link.INPUT_CARD),  # what a flow that is too high brings about
        (AT, 30, UNKNOWN, Link.SCALING_BLOCK),  # with raw counts read this lies in the PLC, not in the gauge
    ],
)
def test_two_faults_stay_two(window: Window, at: int, wide: int, cause: str, link: Link) -> None:
    both = [of_load(window, UNKNOWN, 1.02), of_line(window, cause, link, at, wide)]
    assert folded(both, window, fitted(-0.2, 3.0, link)) == both


def test_line_that_turned_with_a_setting_of_the_gauge_is_a_change_without_a_note(window: Window) -> None:
    entry = LedgerEntry(time_s=AT, kind="tare", role="empty_belt_rate", old=5200.0, new=5185.0)
    changed = replace(window, ledger=(entry,))
    found = folded([of_line(window, "upper-range")], changed, fitted(-0.1))
    assert causes(found) == [("undocumented-change", Link.SETUP)]
    assert {item.cause for item in found[0].alternatives} == {"upper-range"}


@pytest.mark.parametrize("kind", ["calibration", "bypass"])
def test_documented_work_range_read_back_and_no_change_leave_the_line_alone(window: Window, kind: str) -> None:
    line = [of_line(window, "upper-range")]
    tare = LedgerEntry(time_s=AT, kind="tare", role="empty_belt_rate", old=5200.0, new=5185.0)
    work = LedgerEntry(time_s=AT - 60, kind=kind, new=1.0)
    assert folded(line, window, fitted(-0.1)) == line
    assert folded(line, replace(window, ledger=(work, tare)), fitted(-0.1)) == line
    assert folded(line, replace(window, ledger=(tare,), settings={"gauge_range_high": 420.0}), fitted(-0.1)) == line
