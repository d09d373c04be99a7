"""A restored backup, another controller and a correction entered twice are named with when, old and new; honest work is not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from checks import event_findings
from checks.catalogue import CHECKS
from checks.diagnose import diagnose
from checks.events import beside, between, documented, event_words, net_changes
from checks.finding import UNKNOWN, Finding
from checks.references import MaterialTest, Reference, Tare
from checks.result import CheckResult, Link
from checks.samples import Samples
from checks.window import LedgerEntry, Window
from deploy.plant.model import Switch
from tests.checks.runs_of_terminal import BEGIN, changed, run_of, window_of

SEED = 7
AT = BEGIN + 3600
SECOND = 1.0 / 3600.0


@cache
def run(*faults: str, loop: str = "TB-07", after_h: float = 0.1, severity: float | None = None) -> Samples:
    return run_of(loop, 1.0 + after_h, seed=SEED, faults=[Switch(fault, 1.0, severity=severity) for fault in faults])


def results_of(window: Window) -> list[CheckResult]:
    return [result for check in CHECKS for result in check.check(window)]


def told(window: Window) -> list[Finding]:
    return list(event_findings.findings(window, results_of(window)))


def every(window: Window) -> list[tuple[str, Link]]:
    return [(item.cause, item.link) for item in diagnose(window, results_of(window))]


def at_once(old: float, new: float, late_s: int = 0) -> Callable[[np.ndarray], np.ndarray]:
    return lambda column: np.where(np.arange(len(column)) < 3600 + late_s, old, new)


def test_restored_backup_is_one_finding_with_every_setting_old_and_new() -> None:
    window = window_of(run("undocumented-change"))
    (finding,) = told(window)
    assert (finding.cause, finding.link) == ("undocumented-change", Link.SETUP)
    assert finding.begin == AT
    for words in ("gauge_range_high went from 420 to 500 t/h", "background_rate went from 60 to 45 1/s", "09:00 UTC"):
        assert words in finding.sentence
    assert finding.tonnes is not None
    assert finding.tonnes < 0.0
    assert every(window) == [("undocumented-change", Link.SETUP)]


def test_settings_read_some_seconds_apart_are_one_event() -> None:
    samples = changed(
        run(),
        gauge_range_high=at_once(420.0, 500.0),
        background_rate=at_once(60.0, 45.0, 10),
        gauge_unit=at_once(4534584.0, 1.0, 40),
    )
    (finding,) = told(window_of(samples))
    assert len(finding.evidence) == 3


def test_restart_of_the_gauge_beside_it_is_told_with_it() -> None:
    samples = changed(
        run("undocumented-change"), gauge_uptime=lambda up: np.where(np.arange(len(up)) < 3590, up, np.arange(len(up)) - 3590)
    )
    (finding,) = told(window_of(samples))
    assert "The gauge restarted at 2027-01-15 08:59:50 UTC" in finding.sentence


HONEST: dict[str, Callable[[], Samples]] = {
    "one range": lambda: run("upper-range"),
    "range at both ends": lambda: run("range-both-ends"),
    "range at both ends and a tare": lambda: changed(run("range-both-ends"), empty_belt_rate=at_once(5200.0, 5000.0)),
    "tare with its background": lambda: changed(run(), empty_belt_rate=at_once(5200.0, 5000.0), background_rate=at_once(60.0, 55.0)),
    "during a calibration": lambda: changed(
        run("undocumented-change"), calibrating=lambda bit: ((np.arange(len(bit)) > 3300) & (np.arange(len(bit)) < 3650)) * 1.0
    ),
    "during maintenance": lambda: changed(run("undocumented-change"), maintenance=lambda bit: (np.arange(len(bit)) > 600) * 1.0),
    "settings an hour apart": lambda: changed(
        run(), gauge_range_high=at_once(420.0, 500.0, -1800), background_rate=at_once(60.0, 45.0)
    ),
    "gateway zeros": lambda: run("gateway-zeros"),
    "back at once": lambda: changed(
        run(), gauge_range_high=lambda c: np.where(np.arange(len(c)) // 10 == 360, 0.0, c),
        background_rate=lambda c: np.where(np.arange(len(c)) // 10 == 360, 0.0, c),
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", HONEST)
def test_honest_or_other_change_is_no_restored_backup(what: str) -> None:
    window = window_of(HONEST[what]())
    assert "undocumented-change" not in [cause for cause, _ in every(window)]


def test_backup_that_makes_the_settings_those_of_the_site_file_is_no_fault() -> None:
    samples = changed(run(), gauge_range_high=at_once(500.0, 420.0), background_rate=at_once(45.0, 60.0))
    assert told(window_of(samples)) == []


def test_tare_of_the_ledger_documents_a_change() -> None:
    window = window_of(run("undocumented-change"))
    tare = Tare(begin_s=AT - 900, end_s=AT - 300, rate=5185.0)
    assert told(replace(window, references=(tare,))) == []
    early = Tare(begin_s=AT - 9000, end_s=AT - 8000, rate=5185.0)
    assert len(told(replace(window, references=(early,)))) == 1


def test_one_setting_that_no_line_shows_is_told_with_its_moment() -> None:
    window = window_of(changed(run(), gauge_unit=at_once(4534584.0, 4404276.0)))
    (finding,) = diagnose(window, results_of(window))
    assert (finding.cause, finding.link, finding.begin) == ("undocumented-change", Link.SETUP, AT)
    assert "gauge_unit went from" in finding.sentence


def test_setting_that_always_differed_keeps_no_cause() -> None:
    window = window_of(changed(run(), gauge_unit=lambda column: np.full(len(column), 4404276.0)))
    (finding,) = diagnose(window, results_of(window))
    assert (finding.cause, finding.title) == (UNKNOWN, "settings differ")


def test_other_controller_with_an_old_total_is_named_and_the_total_is_not_told_again() -> None:
    window = window_of(run("controller-switch"))
    (finding,) = told(window)
    assert (finding.cause, finding.link, finding.begin) == ("controller-switch", Link.TOTALS, AT)
    assert "Another controller took over" in finding.sentence
    assert finding.alternatives == ()
    assert every(window) == [("controller-switch", Link.TOTALS)]


def test_total_lost_at_a_restart_of_the_plc_is_a_tie_with_another_controller() -> None:
    beat = lambda column: np.where(np.arange(len(column)) < 3600, column, np.arange(len(column)) - 3600.0)  # noqa: E731
    (finding,) = told(window_of(changed(run("total-discontinuity"), plc_heartbeat=beat)))
    assert finding.cause == "total-discontinuity"
    assert [(item.cause, item.odds) for item in finding.alternatives] == [("controller-switch", 1.0)]


def test_controller_with_another_range_in_its_block_is_named_by_the_step_of_its_line() -> None:
    beat = lambda column: np.where(np.arange(len(column)) < 3600, column, column + 12_000.0)  # noqa: E731
    samples = changed(run("upper-range@plc", after_h=1.0), plc_heartbeat=beat)
    window = window_of(samples)
    (finding,) = told(window)
    assert (finding.cause, finding.link) == ("controller-switch", Link.SCALING_BLOCK)
    assert "% of span" in finding.sentence
    assert finding.tonnes is not None
    assert every(window) == [("controller-switch", Link.SCALING_BLOCK)]


@pytest.mark.parametrize("fault", ["", "total-discontinuity", "upper-range@plc"])
def test_total_or_line_without_a_jump_of_the_heartbeat_is_no_other_controller(fault: str) -> None:
    window = window_of(run(fault) if fault else run())
    assert told(window) == []


def test_restart_alone_is_an_event_and_no_finding() -> None:
    beat = lambda column: np.where(np.arange(len(column)) < 3600, column, np.arange(len(column)) - 3600.0)  # noqa: E731
    window = window_of(changed(run(), plc_heartbeat=beat))
    assert every(window) == []
    setup = next(result for result in results_of(window) if result.check == "setup")
    assert "the heartbeat of the PLC jumped from" in setup.reason


# --- a correction entered twice ---------------------------------------------------------------------------------------


def lot(factor: float | None = 1.04, end_s: int = AT - 600) -> MaterialTest:
    before = 150.0 if factor is not None else None
    after = 150.0 * factor if factor is not None else None
    return MaterialTest(
        begin_s=end_s - 3600, end_s=end_s, reference_t=200.0, reference_u_t=0.5, factor_before=before, factor_after=after
    )


@cache
def twice() -> Window:
    return window_of(run("factor-twice", after_h=1.0))


def blind(window: Window, references: Sequence[Reference]) -> Window:
    """Ranges that nobody reads back."""
    kept = {role: value for role, value in window.settings.items() if "range" not in role}
    return replace(window, settings=kept, references=tuple(references))


@pytest.mark.parametrize("read_back", [True, False])
def test_correction_entered_at_both_ends_is_named_by_its_factor(read_back: bool) -> None:
    window = replace(twice(), references=(lot(),)) if read_back else blind(twice(), (lot(),))
    (finding,) = told(window)
    assert finding.cause == "factor-twice"
    assert finding.link in (Link.INPUT_CARD, Link.SCALING_BLOCK)
    assert abs(finding.begin - AT) < 300
    assert "1.04 times" in finding.sentence or "1.040" in finding.sentence
    assert finding.odds is not None
    assert 1.0 <= finding.odds <= 99.0
    assert [item.cause for item in finding.alternatives] == ["upper-range"]
    assert finding.tonnes is not None
    assert finding.tonnes > 0.0
    assert every(window) == [("factor-twice", finding.link)]


@pytest.mark.parametrize(
    "references",
    [(), (lot(1.08),), (lot(1.0),), (lot(0.96),), (lot(end_s=AT - 3 * 86400),), (lot(end_s=AT + 3000),)],
    ids=["none", "other factor", "no change", "other way", "days before", "after it"],
)
def test_line_that_does_not_fit_the_last_correction_is_not_laid_on_it(references: tuple[Reference, ...]) -> None:
    assert "factor-twice" not in [item.cause for item in told(replace(twice(), references=references))]


def test_factor_that_was_not_written_down_is_asked_for() -> None:
    window = replace(twice(), references=(lot(None),))
    line = next(
        result
        for result in results_of(window)
        if result.check == "scaling" and result.facts.get("onset_nats") and result.link in (Link.INPUT_CARD, Link.SCALING_BLOCK)
    )
    assert "old and the new factor" in event_findings.factor_gate(window, line)[0]
    assert event_findings.factor_gate(replace(window, references=()), line) == ()
    assert event_findings.factor_gate(replace(window, references=(lot(),)), line) == ()


def test_sound_chain_after_a_calibration_has_no_finding() -> None:
    assert told(replace(window_of(run()), references=(lot(),))) == []


# --- words and the net ------------------------------------------------------------------------------------------------


def entry(
    time_s: int, kind: str = "parameter-change", role: str = "plc_range_high", old: float = 420.0, new: float = 400.0
) -> LedgerEntry:
    return LedgerEntry(time_s=time_s, kind=kind, role=role, old=old, new=new)


def test_net_of_changes_leaves_out_what_went_back() -> None:
    there, back = entry(10), entry(20, old=400.0, new=420.0)
    assert net_changes([there, back]) == []
    (change,) = net_changes([there, back, entry(30, new=380.0)])
    assert (change.old, change.new, change.end_s) == (420.0, 380.0, 30)


def test_entries_between_two_moments_include_both() -> None:
    ledger = [entry(10), entry(20), entry(30)]
    assert [item.time_s for item in between(ledger, 20, 30)] == [20, 30]


@pytest.mark.parametrize(
    ("event", "words"),
    [
        (entry(BEGIN, "calibration", "calibrating", 0.0, 1.0), "calibration began at 2027-01-15 08:00:00 UTC"),
        (entry(BEGIN, "bypass", "maintenance", 1.0, 0.0), "maintenance ended at"),
        (entry(BEGIN, "force", "plc_forced", 0.0, 1.0), "force began at"),
        (entry(BEGIN, "gauge-restart", "gauge_uptime"), "the gauge restarted at"),
        (entry(BEGIN, "clock-step", "gauge_clock", 2.0, -3598.0), "the clock of the gauge was set by -3600 s at"),
        (entry(BEGIN, "tare", "empty_belt_rate", 5200.0, 5180.0), "empty_belt_rate went from 5200 to 5180 1/s at"),
    ],
)
def test_event_in_words(event: LedgerEntry, words: str) -> None:
    assert words in event_words(event)


def test_what_came_at_once_with_nothing_read_beside_it_is_said() -> None:
    window = window_of(run())
    quiet = replace(window, ledger=())
    assert "no setting that is read changed" in beside(quiet, (AT - 20, AT), 120, sharp=True)
    assert beside(quiet, (AT - 900, AT), 120, sharp=True) == ""
    assert beside(quiet, (AT - 20, AT), 120) == ""
    moved = replace(window, ledger=(entry(AT),))
    assert "plc_range_high went from 420 to 400 t/h" in beside(moved, (AT - 20, AT), 120, sharp=True)


def test_maintenance_that_began_long_before_documents_until_it_ends() -> None:
    window = window_of(run())
    on = replace(window, ledger=(entry(BEGIN, "bypass", "maintenance", 0.0, 1.0),))
    assert documented(on, BEGIN + 3500)
    off = replace(on, ledger=(*on.ledger, entry(BEGIN + 60, "bypass", "maintenance", 1.0, 0.0)))
    assert not documented(off, BEGIN + 3500)
