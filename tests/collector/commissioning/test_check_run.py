"""A loop check on a plant whose far side has another range: fails as found, passes as left after the correction, and makes a record."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import pytest

from checks.result import Verdict
from collector.clock import SystemClock
from collector.commissioning.capture import Window, capture
from collector.commissioning.check_run import CheckRun, Method, Stage, begin, performances, resume, save
from collector.commissioning.walking import StoppedError, walk
from collector.history.sqlite import open_store
from collector.reading import BAD, GOOD, Reading
from collector.records.book import RecordBook
from collector.records.render import html
from config.cautions import CAUTIONS
from config.errors import TallywireError
from deploy.plant.faults import Faulty
from deploy.plant.model import LoopModel
from deploy.plant.terminal import fresh, specs_at
from tests.checks.runs_of_terminal import BEGIN, terminal
from tests.collector.commissioning.instant import Instant

LOOP = terminal().loops["TB-07"]
NOW = float(BEGIN)


class Plant:
    """The loop of the terminal with a current sent into its card: what the far side makes of it, a second a reading."""

    def __init__(self, *faults: str) -> None:
        self.faulty = Faulty(LoopModel(specs_at(fresh(BEGIN))["TB-07"], 5, start=BEGIN))
        for fault in faults:
            self.faulty.set(fault, True)
        self.sound = self.faulty.model.spec

    def send(self, current: float) -> None:
        """The calibrator at the card."""
        self.faulty.model.spec = self.faulty.model.spec.with_("wire", held=current)

    async def read(self) -> Mapping[str, Reading]:
        values = self.faulty.model.advance(1)
        return {
            role: Reading(loop="TB-07", role=role, value=float(column[-1]), quality=GOOD, receive_time=0.0)
            for role, column in values.items()
        }


class Technician:
    """Sends what is asked, corrects the range when it is time, and answers."""

    def __init__(self, plant: Plant, *, corrects: bool, stops_at: int = 99) -> None:
        self.plant, self.corrects, self.stops_at = plant, corrects, stops_at
        self.heard: list[str] = []
        self.points = 0
        self.adjustment = iter(["plc", "range at 20 mA", "t/h", "400", "420", "wrong since the change of the block", ""])

    def ask(self, text: str) -> str:
        self.heard.append(text)
        if "mA" in text and "point" in text:
            self.points += 1
            if self.points == self.stops_at:
                return "q"
            self.plant.send(float(text.split("mA")[0].split()[-1]))
            return ""
        if not self.corrects:
            return ""
        answer = next(self.adjustment)
        if answer == "420":
            self.plant.faulty.set("upper-range@plc", False)
        return answer

    def tell(self, text: str) -> None:
        self.heard.append(text)


async def walked(technician: Technician, path: Path, run: CheckRun | None = None) -> CheckRun:
    check = run or begin(LOOP, "TB-07", Method.CALIBRATOR, by="R. Ortega", now=NOW)
    await walk(check, technician.plant, Instant(NOW), technician, path)
    return check


async def test_range_fault_fails_as_found_and_passes_as_left_and_is_recorded_in_both_formats(tmp_path: Path) -> None:
    run = await walked(Technician(Plant("upper-range@plc"), corrects=True), tmp_path / "check.json")
    found, left = run.series(Stage.FOUND), run.series(Stage.LEFT)
    assert found is not None
    assert left is not None
    assert found.verdict is Verdict.FAULT
    assert left.verdict is Verdict.OK
    wrong = {run.stations[line.at].name for line in found.lines if line.verdict is Verdict.FAULT}
    assert wrong == {"scaling block"}
    store = open_store(tmp_path / "data", terminal(), clock=SystemClock())
    try:
        record = RecordBook(store.state).add(run.record(terminal(), "5d1f" * 16, NOW + 7200.0))
    finally:
        store.close()
    page = html(record)
    for part in ("as found", "as left", "range at 20 mA", record.sha256[:16], CAUTIONS[0][:30]):
        assert part.lower() in page.lower()
    from collector.records.paper import pdf

    assert pdf(record).startswith(b"%PDF")


async def test_sound_loop_passes_as_found_and_needs_no_second_walk(tmp_path: Path) -> None:
    technician = Technician(Plant(), corrects=False)
    run = await walked(technician, tmp_path / "check.json")
    assert run.series(Stage.LEFT) is None
    content = run.record(terminal(), "", NOW + 7200.0)
    assert content.verdict is Verdict.OK
    figures = {station.name: item for station, item in performances(run, Stage.FOUND)}
    assert figures["scaling block"].inaccuracy < 0.5
    heard = "".join(technician.heard)
    assert "IEC 61298-2" in heard
    assert [line for line in heard.splitlines() if len(line) > 80] == []


async def test_check_that_was_stopped_goes_on_where_it_was(tmp_path: Path) -> None:
    path = tmp_path / "check.json"
    with pytest.raises(StoppedError):
        await walked(Technician(Plant(), corrects=False, stops_at=4), path)
    kept = resume(path)
    assert kept is not None
    assert len(kept.found) == 3
    run = await walked(Technician(Plant(), corrects=False), path, kept)
    assert len(run.found) == 9


def test_last_point_can_be_taken_back() -> None:
    run = begin(LOOP, "TB-07", Method.CALIBRATOR, by="R. Ortega", now=NOW)
    assert not run.undo()
    run.take(4.0, {"loop_current": 4.0, "ai_raw": 0.0, "plc_flow": 0.0})
    assert run.undo()
    assert run.target is not None
    assert run.target.percent == 0.0


async def test_range_of_the_gauge_is_found_where_a_flow_is_simulated_in_it(tmp_path: Path) -> None:
    class Gauge:
        """Shows the flow that is set and sends it on a range of 500 t/h; the far side has 420 t/h."""

        flow = 0.0

        async def read(self) -> Mapping[str, Reading]:
            current = 4.0 + 16.0 * self.flow / 500.0
            shown = {"flow": self.flow, "gauge_output": current, "loop_current": current, "ai_raw": (current - 4.0) * 1728.0,
                     "plc_flow": (current - 4.0) / 16.0 * 420.0}  # fmt: skip
            return {r: Reading(loop="TB-07", role=r, value=v, quality=GOOD, receive_time=0.0) for r, v in shown.items()}

    class Sets:
        """Sets what is asked in the gauge."""

        def __init__(self, gauge: Gauge) -> None:
            self.gauge = gauge

        def ask(self, text: str) -> str:
            if "t/h" in text:
                self.gauge.flow = float(text.split("t/h")[0].split()[-1])
            return ""

        def tell(self, text: str) -> None:
            pass

    gauge = Gauge()
    run = begin(LOOP, "TB-07", Method.SIMULATED_FLOW, by="R. Ortega", now=NOW)
    await walk(run, gauge, Instant(NOW), Sets(gauge), tmp_path / "check.json")
    found = run.series(Stage.FOUND)
    assert found is not None
    assert {run.stations[line.at].name for line in found.lines if line.verdict is Verdict.FAULT} == {"gauge output"}


def test_three_walks_are_walked_one_after_the_other() -> None:
    run = begin(LOOP, "TB-07", Method.CALIBRATOR, by="R. Ortega", now=NOW, percents=[0.0, 50.0, 100.0], cycles=3)
    assert [(t.percent, t.direction, t.cycle) for t in run.targets][:6] == [
        (0.0, "up", 1), (50.0, "up", 1), (100.0, "up", 1), (50.0, "down", 1), (0.0, "down", 1), (0.0, "up", 2),
    ]  # fmt: skip
    for target in run.targets:
        current = run.aim(target)
        run.take(current, {"loop_current": current, "ai_raw": 276.48 * target.percent, "plc_flow": 4.2 * target.percent})
    content = run.record(terminal(), "", NOW + 1.0)
    assert content.verdict is Verdict.OK
    assert all(item.repeatability == pytest.approx(0.0, abs=1e-9) for _, item in performances(run, Stage.FOUND))


@pytest.mark.parametrize("percents", [[50.0], [50.0, 0.0], [0.0, 101.0], [0.0, 0.0, 100.0]])
def test_points_go_up_from_zero_to_a_hundred(percents: list[float]) -> None:
    with pytest.raises(TallywireError, match="do not go up"):
        begin(LOOP, "TB-07", Method.CALIBRATOR, by="R. Ortega", now=NOW, percents=percents)


def test_loop_without_a_far_side_cannot_be_checked() -> None:
    bare = LOOP.model_copy(update={"tags": {"flow": LOOP.tags["flow"]}})
    with pytest.raises(TallywireError, match="no tag behind the current"):
        begin(bare, "TB-07", Method.CALIBRATOR, by="R. Ortega", now=NOW)


def test_incomplete_check_makes_no_record() -> None:
    run = begin(LOOP, "TB-07", Method.CALIBRATOR, by="R. Ortega", now=NOW)
    with pytest.raises(TallywireError, match="not complete"):
        run.record(terminal(), "", NOW)
    with pytest.raises(TallywireError, match="nothing was adjusted"):
        run.begin_left(NOW)


def test_damaged_file_of_a_check_is_one_message(tmp_path: Path) -> None:
    path = tmp_path / "check.json"
    path.write_text(json.dumps({"version": 2}), encoding="utf-8")
    with pytest.raises(TallywireError, match="cannot be read"):
        resume(path)
    assert resume(tmp_path / "none.json") is None
    with pytest.raises(TallywireError, match="cannot be kept"):
        save(begin(LOOP, "TB-07", Method.CALIBRATOR, by="R", now=NOW), Path("/proc/none/check.json"))


def reading(value: float, quality: int = GOOD) -> dict[str, Reading]:
    return {"plc_flow": Reading(loop="TB-07", role="plc_flow", value=value, quality=quality, receive_time=0.0)}


def test_ramp_and_noise_do_not_stand_still_and_a_level_does() -> None:
    ramp, noise, level = (Window({"plc_flow": 420.0}) for _ in range(3))
    for second in range(10):
        ramp.add(reading(100.0 + second))
        noise.add(reading(100.0 + 10.0 * (-1) ** second))
        level.add(reading(100.0 + 0.01 * second))
    assert not ramp.look().still
    assert "plc_flow still moves" in ramp.look().why
    assert not noise.look().still
    assert level.look().still
    assert level.look().values["plc_flow"] == pytest.approx(100.045)


async def test_role_that_is_not_read_never_stands_still_and_is_named() -> None:
    class Silent:
        async def read(self) -> Mapping[str, Reading]:
            return reading(float("nan"), BAD)

    found = await capture(Silent(), Instant(NOW), {"plc_flow": 420.0}, longest_s=20.0)
    assert not found.still
    assert "plc_flow is not read" in found.why
