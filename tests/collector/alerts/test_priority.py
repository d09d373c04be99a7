from __future__ import annotations

import pytest

from checks.causes import registry
from checks.finding import UNKNOWN
from checks.result import Verdict
from collector.alerts.model import Priority
from collector.alerts.priority import BLIND, LARGE_T_H, SAFETY, priority_of
from tests.collector.alerts.raised import finding


@pytest.mark.parametrize("cause", sorted(SAFETY))
@pytest.mark.parametrize("verdict", [Verdict.FAULT, Verdict.SUSPECT])
def test_what_concerns_people_near_the_source_is_high_whatever_the_verdict(cause: str, verdict: Verdict) -> None:
    priority, why = priority_of(finding(cause=cause, verdict=verdict, rate_error_t_h=0.0))
    assert priority is Priority.HIGH
    assert "people" in why


@pytest.mark.parametrize("cause", sorted(BLIND))
def test_number_without_meaning_is_high_when_it_is_sure(cause: str) -> None:
    assert priority_of(finding(cause=cause, rate_error_t_h=None))[0] is Priority.HIGH
    assert priority_of(finding(cause=cause, verdict=Verdict.SUSPECT))[0] is Priority.LOW


@pytest.mark.parametrize(
    ("rate", "priority"),
    [
        (LARGE_T_H, Priority.HIGH),
        (-LARGE_T_H, Priority.HIGH),
        (9.9, Priority.MEDIUM),
        (0.0, Priority.MEDIUM),
        (None, Priority.MEDIUM),
    ],
)
def test_rest_goes_by_the_tonnes_an_hour(rate: float | None, priority: Priority) -> None:
    found, why = priority_of(finding(cause=UNKNOWN, rate_error_t_h=rate))
    assert found is priority
    assert ("t/h" in why) is (rate is not None)


def test_causes_named_here_are_those_of_the_catalogue() -> None:
    assert {*SAFETY, *BLIND} <= set(registry())
