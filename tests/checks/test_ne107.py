"""Verdicts as NE 107 status signals. Letters: seen in the publisher's abstract; names second-hand, several texts agree."""

from __future__ import annotations

import pytest

from checks.ne107 import Status, status
from checks.result import Verdict


@pytest.mark.parametrize(
    ("verdict", "unusable", "expected"),
    [
        (Verdict.FAULT, True, Status.FAILURE),
        (Verdict.FAULT, False, Status.OUT_OF_SPECIFICATION),
        (Verdict.SUSPECT, False, Status.MAINTENANCE_REQUIRED),
        (Verdict.OK, False, Status.GOOD),
        (Verdict.NOT_EVALUATED, False, None),
    ],
)
def test_verdict_gives_its_signal(verdict: Verdict, unusable: bool, expected: Status | None) -> None:
    assert status(verdict, unusable=unusable) is expected


@pytest.mark.parametrize("verdict", list(Verdict))
def test_work_in_progress_is_a_function_check_whatever_the_verdict(verdict: Verdict) -> None:
    assert status(verdict, unusable=True, working=True) is Status.FUNCTION_CHECK


def test_letters_and_names() -> None:
    assert {signal.value: signal.words for signal in Status} == {
        "F": "Failure", "C": "Function check", "S": "Out of specification", "M": "Maintenance required", "": "Good",
    }  # fmt: skip
