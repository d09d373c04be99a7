"""`tallywire demo` and its switches, the service replaced by one that only notes how it was started.

Tests that ask what is started behind the plant, not of the plant itself, share one that runs.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest

from collector.cli import exits
from collector.cli.demo import pointer_path
from collector.cli.main import main
from collector.demo import CONTROL_FILE, PlantProcess, start_plant
from collector.service.run import ServiceOptions


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PlantProcess]:
    """A plant that runs."""
    running = start_plant(tmp_path_factory.mktemp("plant"))
    yield running
    running.stop()


@dataclass(frozen=True, slots=True)
class Lent(PlantProcess):
    """The plant that runs, under the site file of another folder; it goes on when the demo ends."""

    def stop(self) -> None:
        """Leave it as it was."""
        for loop, faults in self.switchboard.listing()["active"].items():
            for fault in faults:
                self.set_fault(loop, fault, False)


@pytest.fixture
def lent(plant: PlantProcess, monkeypatch: pytest.MonkeyPatch) -> None:
    """A demo that starts gets the plant that runs already."""

    def start(workdir: Path) -> PlantProcess:
        workdir.mkdir(parents=True, exist_ok=True)
        for name in (plant.site_path.name, CONTROL_FILE):
            shutil.copy(plant.site_path.parent / name, workdir / name)
        return Lent(workdir / plant.site_path.name, plant.control_url, plant.token, plant.process)

    monkeypatch.setattr("collector.demo.start_plant", start)


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """State of the user in a folder of the test."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state"


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> list[ServiceOptions]:
    """Options of every service that was started; each switches a fault from within, as a second terminal would."""
    options: list[ServiceOptions] = []
    broken_off = getattr(request, "param", "") == "broken off"

    async def run_service(given: ServiceOptions) -> int:
        options.append(given)
        assert given.site.exists()
        assert all(path.exists() for path in given.history)
        if not broken_off:
            for path in given.history:
                path.unlink()  # brought in
        assert main(["demo", "set", "build-up", "on", "--loop", "TB-08"]) == exits.NO_FINDING
        return exits.NO_FINDING

    monkeypatch.setattr("collector.service.run.run_service", run_service)
    return options


def test_demo_starts_plant_and_service_and_leaves_nothing_behind(
    started: list[ServiceOptions], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--fault", "upper-range", "--history", "0.002", "--port", "0"]) == exits.NO_FINDING
    out = capsys.readouterr().out
    assert "fault on: upper-range on TB-07" in out
    assert "tallywire demo set zero-counts on --loop TB-07" in out
    assert "build-up is on; now on: TB-07: upper-range; TB-08: build-up" in out
    (options,) = started
    assert options.port == 0
    assert len(options.history) in (3, 6)
    assert not options.site.exists()
    assert not pointer_path().is_symlink()


def test_demo_with_a_folder_keeps_it_and_goes_on(started: list[ServiceOptions], tmp_path: Path) -> None:
    arguments = ["demo", "--data", str(tmp_path / "kept"), "--history", "0.002"]
    assert main(arguments) == exits.NO_FINDING
    assert main(arguments) == exits.NO_FINDING
    first, second = started
    assert first.history != []
    assert second.history == []
    assert first.data == second.data == tmp_path / "kept" / "data"
    assert (tmp_path / "kept" / "site.yaml").exists()


@pytest.mark.usefixtures("lent")
@pytest.mark.parametrize("started", ["broken off"], indirect=True)
def test_recorded_files_of_a_start_that_was_broken_off_are_brought_in_by_the_next(
    started: list[ServiceOptions], tmp_path: Path
) -> None:
    arguments = ["demo", "--data", str(tmp_path / "kept"), "--history", "0.002"]
    assert main(arguments) == exits.NO_FINDING
    assert main(arguments) == exits.NO_FINDING
    first, second = started
    assert first.history != []
    assert sorted(second.history) == sorted(first.history)


@pytest.mark.usefixtures("lent")
def test_a_long_history_begins_at_a_midnight_and_the_days_before_are_planned(
    started: list[ServiceOptions], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["demo", "--data", str(tmp_path / "kept"), "--history", "5"]
    assert main(arguments) == exits.NO_FINDING
    assert "the 3 days before are laid down while the page is up" in capsys.readouterr().out
    assert main(arguments) == exits.NO_FINDING
    first, second = started
    assert first.past is not None
    assert second.past is not None
    assert second.history == []
    assert first.past.folder == second.past.folder == tmp_path / "kept" / "past"
    plan = json.loads((first.past.folder / "past.json").read_text())
    assert (plan["days"], plan["until_s"] % 86400) == (3, 0)
    assert (
        sorted(path.name for path in first.history)[0]
        == f"TB-07-{datetime.fromtimestamp(plan['until_s'], UTC):%Y-%m-%d}.parquet"
    )


@pytest.mark.parametrize("days", ["0", "-1", "1000"])
def test_a_history_that_cannot_be_laid_is_refused(
    started: list[ServiceOptions], days: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--history", days]) == exits.BAD_INPUT
    assert "--history" in capsys.readouterr().err
    assert started == []


@pytest.mark.usefixtures("lent")
def test_no_history_starts_with_none(started: list[ServiceOptions]) -> None:
    assert main(["demo", "--no-history"]) == exits.NO_FINDING
    assert started[0].history == []
    assert started[0].past is None


def test_unknown_fault_is_refused_before_anything_starts(
    started: list[ServiceOptions], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--fault", "zero-cuonts"]) == exits.BAD_INPUT
    assert "did you mean zero-counts" in capsys.readouterr().err
    assert started == []


@pytest.mark.parametrize("option", [["--loop", "TB-07"], ["--severity", "2"]])
def test_loop_or_severity_without_a_fault_is_refused(option: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", *option]) == exits.BAD_INPUT
    assert "--fault" in capsys.readouterr().err


def test_set_without_a_running_demo_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "set", "build-up", "on"]) == exits.BAD_INPUT
    assert "no demo is running" in capsys.readouterr().err


def test_faults_are_listed_without_a_running_demo(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "faults"]) == exits.NO_FINDING
    out = capsys.readouterr().out
    assert "zero-counts" in out
    assert "[500 t/h at 20 mA in the gauge]" in out


def test_set_finds_the_demo_by_its_folder_and_names_the_nearest_fault(
    plant: PlantProcess, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = str(plant.site_path.parent)
    assert main(["demo", "set", "buildup", "on", "--data", folder]) == exits.BAD_INPUT
    assert "build-up" in capsys.readouterr().err
    assert main(["demo", "set", "build-up", "on", "--data", folder, "--severity", "4"]) == exits.NO_FINDING
    assert plant.switchboard.listing()["active"]["TB-07"] == {"build-up": 4.0}
    capsys.readouterr()
    assert main(["demo", "faults", "--data", folder]) == exits.NO_FINDING
    assert "now on: TB-07: build-up" in capsys.readouterr().out
