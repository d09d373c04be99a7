"""Reports made from a history: links, findings, tonnes, uptime, coverage, settings; and what restates them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from checks.accounting.balance import Excluded, PeriodBalance
from checks.accounting.bridge import Bridge, Step, bridge
from checks.accounting.calendar import Period
from checks.finding import ShiftTonnes
from checks.reliability.timeline import Annotation, LoopState
from checks.result import Link, Verdict
from collector.records import periods
from collector.records.chain_report import ChainReport, Restatement
from collector.records.content import plain
from collector.records.desk import RecordDesk
from collector.records.reporting import chain_report, uptime_report
from config.errors import TallywireError
from tests.checks.runs_of_terminal import BEGIN, run_of
from tests.collector.records.conftest import END, HOURS, Terminal, raised
from tests.collector.web.plant import alert

SHIFT = "2027-01-15 06:00"


def first_shift(history: Terminal) -> Period:
    return periods.named(history.site, "shift", SHIFT, history.clock.now())


def test_a_healthy_shift_agrees_with_two_numbers_at_each_line_of_the_chain(history: Terminal) -> None:
    report = chain_report(history.sources, "TB-07", first_shift(history), by="R. Ortega")
    assert report.verdict is Verdict.OK
    assert report.findings == ()
    lines = {line.link: line for line in report.links if line.deviation_span is not None}
    for link in (Link.GAUGE_OUTPUT, Link.CURRENT, Link.INPUT_CARD, Link.SCALING_BLOCK, Link.TOTALS, Link.LOAD):
        assert lines[link].shown is not None
        assert lines[link].expected is not None
        assert lines[link].uncertainty_span is not None
        assert lines[link].limit_span is not None
    assert report.looked_at == first_shift(history).end
    assert {row.name for row in report.settings} >= {"flow at 20 mA", "nuclide", "damping, filter"}


def test_tonnes_and_hours_are_those_of_the_samples(history: Terminal) -> None:
    report = chain_report(history.sources, "TB-07", first_shift(history), by="R. Ortega")
    samples = run_of(hours=HOURS)
    inside = samples.time_s < first_shift(history).end
    by_hand = float(np.nansum(samples.column("flow")[inside])) / 3600.0  # one second each, from BEGIN on
    assert report.tonnes.own == pytest.approx(by_hand, rel=1e-4)
    assert report.coverage.period_h == 8.0
    assert report.coverage.covered_h == pytest.approx(6.0, abs=0.01)  # the samples begin two hours into the shift
    assert sum(bar.own or 0.0 for bar in report.bars) == pytest.approx(by_hand, rel=1e-4)
    assert [bar.own is None for bar in report.bars] == [True, True] + [False] * 6
    assert report.uptime is not None
    assert report.uptime.no_data_h == pytest.approx(2.0, abs=0.01)


def test_the_same_history_gives_the_same_content(history: Terminal) -> None:
    first, again = (plain(chain_report(history.sources, "TB-07", first_shift(history), by="R. Ortega")) for _ in range(2))
    assert first == again


def test_findings_of_the_period_are_told_with_begin_tonnes_and_their_part(history: Terminal) -> None:
    period = first_shift(history)
    inside = raised(alert(), BEGIN + 3600)
    parts = (
        ShiftTonnes(shift="06:00", begin=BEGIN + 3600, end=period.end, tonnes=-100.0, tonnes_uncertainty=2.0),
        ShiftTonnes(shift="14:00", begin=period.end, end=period.end + 3600, tonnes=-86.2, tonnes_uncertainty=2.1),
    )
    split = replace(inside, id="split", finding=replace(inside.finding, by_shift=parts, tonnes=-186.3))
    before = raised(alert(), period.begin - 9000, end=period.begin - 60, tonnes=-900.0)
    after = raised(alert(), period.end + 60, tonnes=-900.0)
    history.alerts = [inside, split, before, after]
    report = chain_report(history.sources, "TB-07", period, by="R. Ortega")
    assert [item.alert for item in report.findings] == ["split", inside.id]
    assert (report.findings[0].tonnes_here, report.findings[1].tonnes_here) == (-100.0, None)
    assert report.findings[1].begin == BEGIN + 3600
    assert report.verdict is Verdict.FAULT
    (line,) = [line for line in report.links if line.label == "input card to PLC flow"]
    assert (line.verdict, line.worst) == (Verdict.OK, Verdict.FAULT)


def test_the_site_files_in_force_are_named(history: Terminal) -> None:
    report = chain_report(history.sources, "TB-07", first_shift(history), by="R. Ortega")
    assert [(item.since, item.sha256[:2]) for item in report.site_files] == [(BEGIN - 7200.0, "ab"), (BEGIN + 3600.0, "cd")]


class Accounts:
    """Knows one balance."""

    def account(self, loop: str, period: Period) -> tuple[PeriodBalance, Bridge | None] | None:
        silent = Excluded(begin=period.begin, end=BEGIN, hours=2.0, method="mean load of the shift", tonnes=400.0, standard=9.0)
        balance = PeriodBalance(
            period=period, gauge=1010.0, plc=1013.0, own=1011.0, best=1411.0, random=9.0, systematic=5.0, measured_h=6.0,
            excluded=(silent,), by_state={"loaded": 2.0},
        )  # fmt: skip
        return balance, bridge(1013.0, 1411.0, [Step(name="ends differ", tonnes=2.0)], {})


def test_an_account_is_taken_with_its_uncertainty_stand_ins_and_bridge(history: Terminal) -> None:
    sources = replace(history.sources, balances=Accounts())
    tonnes = chain_report(sources, "TB-07", first_shift(history), by="R. Ortega").tonnes
    assert (tonnes.best, tonnes.plc, tonnes.complete) == (1411.0, 1013.0, True)
    assert tonnes.uncertainty == pytest.approx(2.0 * np.hypot(9.0, 5.0))
    assert tonnes.stand_ins[0].tonnes == 400.0
    assert tonnes.by_cause[-1][0] in {"not explained", "ends differ"}
    assert sum(part for _, part, _ in tonnes.by_cause) == pytest.approx(1013.0 - 1411.0)


def test_an_uptime_report_is_of_all_its_loops(history: Terminal) -> None:
    report = uptime_report(history.sources, ["TB-07", "TB-08"], first_shift(history), by="R. Ortega")
    assert [part.loop for part in report.uptimes] == ["TB-07", "TB-08"]
    assert report.uptimes[0].availability == 1.0
    assert report.uptimes[1].availability is None


def test_a_report_of_nothing_is_refused(history: Terminal) -> None:
    desk = RecordDesk(history.book, history.sources)
    with pytest.raises(TallywireError, match="nothing is stored of TB-08"):
        desk.report("TB-08", "shift", SHIFT, by="R. Ortega")


def test_a_correction_is_restated_beside_the_old_record(own_history: Terminal) -> None:
    desk = RecordDesk(own_history.book, own_history.sources)
    old = desk.report("TB-07", "shift", SHIFT, by="R. Ortega")
    with pytest.raises(TallywireError, match="nothing has changed"):
        desk.restate(old.number, reason="belt test", by="K. Weber")
    note = Annotation(
        loop="TB-07", begin=BEGIN + 3600, end=BEGIN + 7200, state=LoopState.MAINTENANCE, by="K. Weber", reason="belt test",
        made=float(END),
    )  # fmt: skip
    own_history.store.annotate(note)
    made = desk.restate(old.number, reason="belt test", by="K. Weber")
    assert made is not None
    note_content = made.content
    assert isinstance(note_content, Restatement)
    assert (note_content.restates, note_content.restates_sha256) == (old.number, old.sha256)
    changed = {figure.name: (figure.old, figure.new) for figure in note_content.figures}
    before, after = changed["availability"]
    assert before == 100.0
    assert after is not None
    assert after < 100.0
    assert own_history.book.find(old.number) == old
    assert isinstance(old.content, ChainReport)
    assert own_history.book.verify().broken is None
    with pytest.raises(TallywireError, match="only reports can be restated"):
        desk.restate(made.number, reason="x", by="K. Weber")
    assert desk.restate(999, reason="x", by="K. Weber") is None


@pytest.mark.parametrize(("reason", "by"), [(" ", "K. Weber"), ("belt test", "")])
def test_a_restatement_needs_a_reason_and_a_name(history: Terminal, reason: str, by: str) -> None:
    desk = RecordDesk(history.book, history.sources)
    old = desk.report("TB-07", "day", "2027-01-15", by="R. Ortega")
    with pytest.raises(TallywireError, match="needs a reason and a name"):
        desk.restate(old.number, reason=reason, by=by)
