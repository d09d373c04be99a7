"""Every cause that is scored is recognised on the invented plant; honest plants have no findings; consequences fold."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np
import pytest

from checks.catalogue import CHECKS
from checks.diagnose import diagnose
from checks.finding import UNKNOWN, Finding
from checks.result import Link, Verdict
from checks.window import Window
from config.cautions import CAUTIONS
from deploy.plant.model import Switch
from deploy.plant.scenario import Scenario
from tests.checks.runs_of_terminal import BEGIN, run_of, window_of
from tests.checks.simulation import Chain, steady_load

READ_BACK = ("gauge_range_low", "gauge_range_high", "plc_range_low", "plc_range_high", "plc_unit", "gauge_unit")


def without(window: Window, roles: Sequence[str]) -> Window:
    """The window of a loop whose settings nobody reads back."""
    from dataclasses import replace

    kept = {role: value for role, value in window.settings.items() if role not in roles}
    return replace(window, settings=kept, ledger=tuple(entry for entry in window.ledger if entry.role not in roles))


def told(window: Window) -> tuple[Finding, ...]:
    return diagnose(window, [result for check in CHECKS for result in check.check(window)])


@cache
def found(
    *faults: str, loop: str = "TB-07", quiet_h: float = 0.5, hours: float = 0.75, blind: bool = False,
    scenario: Scenario | None = None,
) -> tuple[Finding, ...]:  # fmt: skip
    switches = [Switch(fault, at_h=quiet_h) for fault in faults]
    window = window_of(run_of(loop, quiet_h + hours, faults=switches, scenario=scenario))
    return told(without(window, READ_BACK) if blind else window)


SECONDS = 30 / 3600
MINUTES = 5 / 60


@pytest.mark.parametrize(
    ("fault", "link", "after_h"),
    [
        ("zero-counts", Link.COUNTS, SECONDS),
        ("detector-temperature", Link.COUNTS, SECONDS * 2),
        ("shutter-closed", Link.COUNTS, SECONDS),
        ("shutter-contradiction", Link.COUNTS, SECONDS),
        ("counts-frozen", Link.COUNTS, MINUTES),
        ("gateway-zeros", Link.COMMUNICATION, SECONDS),
        ("word-order", Link.COMMUNICATION, SECONDS),
        ("tach-lost", Link.DRIVE, SECONDS),
        ("forced-value", Link.SCALING_BLOCK, SECONDS),
        ("mode-left-on", Link.GAUGE_OUTPUT, MINUTES),
        ("open-loop", Link.CURRENT, SECONDS),
        ("burnout-value", Link.INPUT_CARD, SECONDS),
        ("output-frozen", Link.CURRENT, MINUTES),
        ("stale-tag", None, MINUTES),
        ("total-discontinuity", Link.TOTALS, SECONDS),
    ],
)
def test_sudden_fault_is_named_without_odds_and_everything_behind_it_is_folded(
    fault: str, link: Link | None, after_h: float
) -> None:
    findings = found(fault, hours=after_h)
    assert [finding.cause for finding in findings] == [fault], [(item.cause, item.link, item.sentence) for item in findings]
    assert link in (None, findings[0].link)
    assert findings[0].odds is None
    assert findings[0].begin >= BEGIN + 1800 - 10
    assert len(findings[0].advice) >= 3


def test_speed_held_on_a_standing_belt_is_named() -> None:
    stopped = np.arange(3000) >= 2400
    window = Chain(load=np.full(3000, 260.0), override={"drive_running": lambda bits: np.where(stopped, 0.0, bits)}).window()
    assert [finding.cause for finding in told(window)] == ["speed-held"]


@pytest.mark.parametrize(
    "fault",
    [
        "upper-range", "upper-range@plc", "lower-range", "lower-range@plc", "ton-unit", "time-base", "current-leak",
        "current-leak-in", "current-offset", "output-trim", "live-zero-mix", "raw-span", "square-root", "compliance-ceiling",
    ],
)  # fmt: skip
def test_fault_of_a_line_is_named_by_the_flow_alone_once_the_load_has_swung(fault: str) -> None:
    findings = found(fault, hours=1.0, blind=True)
    assert [finding.cause for finding in findings] == [fault.split("@")[0]], [
        (item.cause, item.link, item.odds, item.gate, item.sentence) for item in findings
    ]
    assert abs(findings[0].begin - (BEGIN + 1800)) < 600


@pytest.mark.parametrize(
    ("fault", "hours"), [("zero-clamp", 1.5), ("low-cutoff", 1.0), ("extra-filter", 1.0), ("over-range", 1.0)]
)
def test_what_happens_at_the_ends_and_in_time_is_named(fault: str, hours: float) -> None:
    assert [finding.cause for finding in found(fault, hours=hours)] == [fault]


@pytest.mark.parametrize(
    ("fault", "hours"), [("total-time-base", 0.5), ("counted-twice", 0.3), ("total-precision", 0.4), ("total-gating", 0.75)]
)
def test_fault_of_a_total_is_named_within_30_min(fault: str, hours: float) -> None:
    findings = found(fault, hours=hours)
    assert [(finding.cause, finding.link) for finding in findings] == [(fault, Link.TOTALS)]


@pytest.mark.parametrize(
    "event", ["belt-stop", "empty-belt", "steady-load", "maintenance", "calibration", "product-change", "range-both-ends"]
)
def test_honest_event_has_no_finding(event: str) -> None:
    for hours in (SECONDS, MINUTES, 0.4):
        findings = found(event, hours=hours)
        assert findings == (), [(item.cause, item.link, item.sentence) for item in findings]


def test_range_that_is_read_back_is_named_at_once() -> None:
    for fault, link in (("upper-range", Link.GAUGE_OUTPUT), ("upper-range@plc", Link.SCALING_BLOCK)):
        findings = found(fault, hours=SECONDS)
        assert [(item.cause, item.link) for item in findings] == [("upper-range", link)]


def test_setting_that_changed_at_the_onset_is_told_with_the_finding() -> None:
    (finding,) = found("upper-range", hours=0.75)
    assert "gauge_range_high went from 420 to 500 t/h" in finding.sentence


def test_steady_load_gives_ends_differ_with_candidates_and_the_need_but_no_name() -> None:
    calm = steady_load(np.random.default_rng(5), 3000, 260.0, 5.0)
    chain = Chain(load=calm, fault_from=1200, current_of=lambda ma: ma * 20.0 / 20.25)
    (finding,) = told(chain.window())
    assert (finding.cause, finding.title, finding.link) == (UNKNOWN, "ends differ", Link.INPUT_CARD)
    assert finding.verdict is Verdict.FAULT
    assert "more minutes below" in finding.gate[0]
    assert {item.cause for item in finding.alternatives} >= {"current-leak", "output-trim"}
    assert all(item.separated_by for item in finding.alternatives)


def test_two_faults_that_do_not_explain_each_other_are_both_named() -> None:
    findings = found("current-leak", "total-time-base", hours=0.75, blind=True)
    assert {item.cause for item in findings} == {"current-leak", "total-time-base"}


def test_finding_of_a_range_tells_where_since_when_how_many_tonnes_and_what_to_enter() -> None:
    (finding,) = found("upper-range", hours=1.0, blind=True)
    assert finding.implied is not None
    assert finding.implied.range_high == pytest.approx(500.0, abs=3.0)
    assert finding.implied.range_low == pytest.approx(0.0, abs=2.0)
    assert finding.tonnes is not None
    assert finding.tonnes_uncertainty is not None
    assert finding.tonnes < -3.0 * finding.tonnes_uncertainty
    assert "500 t/h" in finding.advice[0]
    assert "Ends differ since" in finding.sentence
    assert finding.begin_interval[0] <= BEGIN + 1800 <= finding.begin_interval[1] + 60


def test_whoever_is_sent_to_the_gauge_gets_the_cautions() -> None:
    assert found("zero-counts", hours=SECONDS)[0].cautions == CAUTIONS


def test_odds_never_pass_99_and_alternatives_name_what_separates_them() -> None:
    (finding,) = found("upper-range@plc", hours=1.0, blind=True)
    assert finding.odds is not None
    assert finding.odds <= 99.0
    assert all(item.odds <= 99.0 and item.separated_by for item in finding.alternatives)


def test_same_window_gives_the_same_findings() -> None:
    window = window_of(run_of("TB-07", 0.6, faults=[Switch("current-leak", at_h=0.3)]))
    assert told(window) == told(window)
