"""The report for people: 80 columns, the cautions, the last line."""

from __future__ import annotations

import pytest

from checks.result import CheckResult, Link, Verdict
from collector.replay.report import Outcome
from collector.replay.text import ratio, text
from config.cautions import caution_text
from tests.collector.replay.outcomes import check, finding, outcome

LONG = "a reason that goes on and on " * 12


@pytest.mark.parametrize(
    "given",
    [
        outcome(),
        outcome(finding(), finding(sentence=LONG, title=LONG)),
        outcome(checks=(check(Link.COUNTS, Verdict.FAULT, LONG),)),
    ],
    ids=["sound", "findings", "long"],
)
def test_no_line_is_wider_than_80_columns(given: Outcome) -> None:
    shown = text(given, source="export.csv", warnings=[LONG])
    assert max(map(len, shown.splitlines())) <= 80


def test_finding_says_what_since_when_how_much_and_what_to_do() -> None:
    shown = " ".join(text(outcome(finding()), source="export.csv").split())
    for part in (
        "ends differ, link scaling-block: differs",
        "Since 2027-01-15 08:01:40 UTC (95 %: 2027-01-15 08:01:30 UTC to 2027-01-15 08:02:10 UTC), still there at the end.",
        "Cause: plc-range, 19:1 against all other causes.",
        "Not ruled out: gauge-range (1:20); told apart by: read the range that the gauge shows",
        "The PLC booked 17.9 t ± 0.42 t (k = 2) too much since then.",
        "as if its range were 0 to 500 t/h",
        "To check, in this order: 1) compare the range",
    ):
        assert part in shown


def test_cautions_stand_where_a_person_is_sent_to_the_gauge_and_nowhere_else() -> None:
    shown = text(outcome(finding()), source="x")
    assert caution_text(80) in shown
    assert "lock out the conveyor" in shown
    assert caution_text(80) not in text(outcome(), source="x")


def test_last_line_counts_the_links_that_could_not_be_evaluated() -> None:
    assert text(outcome(), source="x").splitlines()[-1] == "No finding; 1 of 3 links could not be evaluated"
    assert text(outcome(finding()), source="x").splitlines()[-1] == "1 finding; 1 of 3 links could not be evaluated"


def test_sound_chain_carries_the_sentence_that_it_does_not_prove_the_weight() -> None:
    assert "does not prove the weight" in text(outcome(), source="x")


@pytest.mark.parametrize(("odds", "said"), [(19.0, "19:1"), (1 / 3, "1:3"), (5e4, "over 1000:1"), (1e-9, "under 1:1000")])
def test_odds_read_as_people_say_them(odds: float, said: str) -> None:
    assert ratio(odds) == said


def weighed(verdict: Verdict) -> CheckResult:
    return CheckResult(
        check="truth",
        link=Link.TOTALS,
        verdict=verdict,
        reason="agreement does not prove the weight",
        needs=("4 material tests",),
    )


def test_weight_has_a_line_of_its_own_and_says_what_it_needs() -> None:
    totals = check(Link.TOTALS, Verdict.OK, "the totals agree")
    shown = text(outcome(checks=(totals, weighed(Verdict.NOT_EVALUATED))), source="x")
    assert "totals         agrees        the totals agree" in shown
    assert "weight         not evaluated agreement does not prove the weight; needs 4" in shown
    assert "Only a reference mass can show it" in " ".join(shown.split())


def test_weight_that_lots_prove_needs_no_warning() -> None:
    totals = check(Link.TOTALS, Verdict.OK, "the totals agree")
    assert "Only a reference mass" not in text(outcome(checks=(totals, weighed(Verdict.OK))), source="x")


def test_shifts_and_what_puts_it_right_are_told() -> None:
    shown = " ".join(text(outcome(finding()), source="x").split())
    assert "By shift: 06:00 from 2027-01-15 08:00 UTC: +8.95 t ± 0.21 t" in shown
    assert "Enter 420 t/h as flow at 20 mA in the PLC; it acts as 500 t/h" in shown
    assert shown.index("To check, in this order") < shown.index("What puts it right")
