"""The JSON object keeps to its schema, and null stands where there is no number."""

from __future__ import annotations

import json

import jsonschema
import pytest

from checks.result import Link, Verdict
from collector.replay.report import Outcome, by_consequence, report, schema, to_bytes, utc
from tests.collector.replay.outcomes import T0, check, finding, outcome


def test_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(schema())


@pytest.mark.parametrize(
    "given",
    [
        outcome(),
        outcome(
            finding(), finding(odds=None, tonnes=None, implied=None, end=T0 + 500, cause="unknown", gate=("30 more minutes",))
        ),
        outcome(checks=()),
    ],
    ids=["sound", "findings", "nothing"],
)
def test_report_keeps_to_the_schema_and_has_no_nan(given: Outcome) -> None:
    found = json.loads(to_bytes(given), parse_constant=lambda name: pytest.fail(f"{name} in the report"))
    jsonschema.Draft202012Validator(schema(), format_checker=jsonschema.FormatChecker()).validate(found)
    assert found == report(given)


def test_number_that_is_not_finite_is_null() -> None:
    found = report(outcome(finding()))
    assert found["loops"][0]["findings"][0]["rate_error_t_h"] is None
    assert found["loops"][0]["checks"][0]["evidence"][0]["value"] is None


def test_largest_consequence_comes_first_and_unknown_tonnes_last() -> None:
    small, large, none = finding(tonnes=1.0), finding(tonnes=-50.0), finding(tonnes=None)
    assert by_consequence([small, none, large]) == [large, small, none]


def test_times_are_utc_with_z() -> None:
    assert utc(T0) == "2027-01-15T08:00:00Z"


def test_same_outcome_gives_the_same_bytes() -> None:
    assert to_bytes(outcome(finding())) == to_bytes(outcome(finding()))


def test_outcome_knows_whether_anything_was_evaluated() -> None:
    assert outcome().evaluated_anything()
    assert not outcome(checks=(check(Link.COUNTS, Verdict.NOT_EVALUATED),)).evaluated_anything()
    assert not outcome(checks=()).evaluated_anything()
