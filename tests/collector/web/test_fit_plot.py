from __future__ import annotations

import numpy as np
import pytest

from checks.lines import Line, Scale
from checks.result import CheckResult, Evidence, Link, Verdict
from collector.history.store import Trend
from collector.web import fit_plot
from tests.collector.web import plant
from tests.collector.web.conftest import Serve
from tests.collector.web.test_pages import visible

LINE = Line(
    link=Link.SCALING_BLOCK, covers=(Link.SCALING_BLOCK,), label="flow to PLC flow", words="scaling block", unit="t/h",
    x_role="flow", y_role="plc_flow", x=Scale(), y=Scale(), low=0.0, high=420.0,
)  # fmt: skip
FACTS = {
    "gain": -0.16, "offset": 0.2, "pivot": 1.3, "pivot_low": -2.0, "pivot_high": 4.0, "pivot_ma": 4.05, "x_low": 20.0,
    "x_high": 380.0, "onset": 1800.0,
}  # fmt: skip


def trend(role: str, values: np.ndarray, times: np.ndarray | None = None) -> Trend:
    seconds = np.arange(len(values), dtype=np.int64) * 60 if times is None else times
    return Trend(loop="TB-07", role=role, unit="t/h", step_s=60, time_s=seconds, minimum=values, mean=values, maximum=values)


def result(verdict: Verdict, facts: dict[str, float]) -> CheckResult:
    evidence = (
        Evidence(name="slope", value=0.84, unit="1", standard_error=0.001),
        Evidence(name="offset", value=0.2, unit="t/h", standard_error=0.15),
    )
    return CheckResult(
        check="scaling",
        link=Link.SCALING_BLOCK,
        verdict=verdict,
        reason="x",
        evidence=evidence,
        used=200,
        total=300,
        facts=facts,
    )


def test_points_of_both_stations_meet_at_the_same_times_only() -> None:
    x = trend("flow", np.array([10.0, 20.0, np.nan, 40.0]))
    y = trend("plc_flow", np.array([11.0, 22.0, 33.0]), np.array([0, 120, 180]))
    times, across, up = fit_plot.paired(LINE, x, y)
    assert (times.tolist(), across.tolist(), up.tolist()) == ([0, 180], [10.0, 40.0], [11.0, 33.0])


def test_fault_parts_the_points_at_the_onset_and_marks_the_crossing() -> None:
    flow = np.linspace(20.0, 380.0, 60)
    picture = fit_plot.draw(LINE, result(Verdict.FAULT, FACTS), trend("flow", flow), trend("plc_flow", 0.84 * flow), 0.5)
    assert picture is not None
    assert (len(picture.before), len(picture.since)) == (30, 30)
    assert picture.pivot is not None
    x1, y1, x2, y2 = picture.fitted or (0.0, 0.0, 0.0, 0.0)
    identity = (picture.identity[3] - picture.identity[1]) / (picture.identity[2] - picture.identity[0])
    assert (y2 - y1) / (x2 - x1) == pytest.approx(0.84 * identity, rel=0.01)
    assert picture.sentence.startswith(
        "plc flow".replace("plc", "PLC") + " = 0.8400 × flow + 0.20 t/h. The fitted line crosses"
    )
    assert ("slope", "0.8400", "± 0.0020 (k = 2)") in picture.rows


def test_sound_line_says_so_and_marks_no_crossing() -> None:
    flow = np.linspace(20.0, 380.0, 60)
    picture = fit_plot.draw(
        LINE, result(Verdict.OK, {"gain": 0.0, "offset": 0.0, "pivot": 200.0, "pivot_low": 1.0, "pivot_high": 2.0}),
        trend("flow", flow), trend("plc_flow", flow), 0.5,
    )  # fmt: skip
    assert picture is not None
    assert picture.pivot is None
    assert not picture.since
    assert "identity as far as the limits ask" in picture.sentence


def test_line_without_a_fit_says_that_it_has_too_little() -> None:
    picture = fit_plot.draw(
        LINE, result(Verdict.NOT_EVALUATED, {}), trend("flow", np.ones(3)), trend("plc_flow", np.ones(3)), 0.5
    )
    assert picture is not None
    assert picture.fitted is None
    assert "too few" in picture.sentence


def test_nothing_stored_gives_no_picture() -> None:
    none = trend("flow", np.empty(0))
    assert fit_plot.draw(LINE, result(Verdict.OK, {}), none, none, 0.5) is None


async def test_page_of_lines_answers_for_a_loop_and_not_for_an_unknown_one(serve: Serve) -> None:
    served = serve(plant.faulty())
    answer = await served.get("/loops/TB-07/lines")
    assert answer.status_code == 200
    assert "the lines of its chain" in visible(answer.text)
    assert (await served.get("/loops/TB-99/lines")).status_code == 404
    assert (await serve(plant.faulty(), history=False).get("/loops/TB-07/lines")).status_code == 503
