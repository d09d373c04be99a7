"""The record of a calibration: its figures follow from its runs, or it is refused."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from collector.records.render import html
from tests.collector.records.examples import calibration
from tests.collector.records.test_render import record_of


def test_figures_stand_on_the_paper_with_the_window_that_was_moved() -> None:
    """1.019708 and 160.094 kg/m are reckoned by hand in tests/checks/commissioning/test_calibration_sum.py."""
    page = html(record_of(calibration()))
    for text in (
        "1.01971 ± 0.00380 (k = 2)",
        "160.094 ± 0.6 kg/m",
        "0.317 %",
        "moved by hand",
        "left out, the reference weighed",
    ):
        assert text in page, text
    assert page.count("moved by hand") == 1


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"ratio": 1.02}, "ratio does not follow"),
        ({"factor": 161.0}, "factor does not follow"),
        ({"factor_u": 0.1}, "factor_u does not follow"),
        ({"repeatability": None}, "repeatability does not follow"),
        ({"edges": "counted"}, "ratio does not follow"),
        ({"loops": ("TB-07", "TB-08")}, "of one loop"),
        ({"runs": ()}, "at least 1"),
    ],
)
def test_what_does_not_follow_is_refused(changed: dict[str, Any], says: str) -> None:
    with pytest.raises(ValidationError, match=says):
        calibration(**changed)


def test_window_outside_of_its_run_is_refused() -> None:
    run = calibration().runs[0]
    with pytest.raises(ValidationError, match="does not lie in its run"):
        type(run)(**{**run.model_dump(), "window_end": run.end + 1.0})
