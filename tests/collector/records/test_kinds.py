"""What stands in a record."""

from __future__ import annotations

import json

import pytest

from checks.accounting.balance import PeriodBalance
from checks.accounting.bridge import Step, bridge
from checks.accounting.calendar import Period
from collector.records.chain import link, verify
from collector.records.kinds import chain_report, restatement
from config.errors import StoreError

BALANCE = PeriodBalance(
    period=Period(kind="shift", name="2026-10-25 06:00", begin=0, end=28800), gauge=1920.0, plc=1950.0, own=1921.0, best=1921.0,
    random=3.0, systematic=4.0, measured_h=8.0, excluded=(), by_state={"loaded": 29.0},
)  # fmt: skip
REPORT = chain_report(
    site="north-terminal", loop="TB-07", made="2026-10-25T14:05:00Z", balance=BALANCE,
    bridge=bridge(1950.0, 1921.0, [Step(name="ends differ", tonnes=28.0)], BALANCE.by_state), units="gauge t/h", basis="wet",
)  # fmt: skip


def test_report_can_be_chained_and_read_back() -> None:
    first = link(None, REPORT)
    again = json.loads(first.text)
    assert again["balance"]["uncertainty"] == 10.0
    assert again["bridge"]["by_cause"][-1] == {"name": "not explained", "tonnes": 1.0, "uncertainty": None}


def test_restatement_stands_beside_the_record_it_restates() -> None:
    first = link(None, REPORT)
    second = link(first, restatement(REPORT, of=first.number, reason="range corrected", by="K. Weber"))
    assert json.loads(second.text)["restates"] == 1
    assert verify([first, second]) is None


@pytest.mark.parametrize(("reason", "by"), [("", "K. Weber"), ("range corrected", "  ")])
def test_restatement_without_reason_or_name_is_refused(reason: str, by: str) -> None:
    with pytest.raises(StoreError, match="needs a reason and a name"):
        restatement(REPORT, of=1, reason=reason, by=by)
