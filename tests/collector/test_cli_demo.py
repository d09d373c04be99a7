"""`tallywire demo` and its switches, the service replaced by one that only notes how it was started."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from collector.cli import exits
from collector.cli.demo import pointer_path
from collector.cli.main import main
from collector.demo import PlantProcess, start_plant
from collector.service.run import ServiceOptions


@pytest.fixture(autouse=True)
def state(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """State of the user in a folder of the test."""
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    return tmp_path / "state"


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> list[ServiceOptions]:
    """Options of every service that was started; each switches a fault from within, as a second terminal would."""
    options: list[ServiceOptions] = []

    async def run_service(given: ServiceOptions) -> int:
        options.append(given)
        assert given.site.exists()
        assert all(path.exists() for path in given.history)
        assert main(["demo", "set", "build-up", "on", "--loop", "TB-08"]) == exits.NO_FINDING
        return exits.NO_FINDING

    monkeypatch.setattr("collector.service.run.run_service", run_service)
    return options


def test_demo_starts_plant_and_service_and_leaves_nothing_behind(
    started: list[ServiceOptions], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--fault", "upper-range", "--hours", "0.05", "--port", "0"]) == exits.NO_FINDING
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
    arguments = ["demo", "--data", str(tmp_path / "kept"), "--hours", "0.05"]
    assert main(arguments) == exits.NO_FINDING
    assert main(arguments) == exits.NO_FINDING
    first, second = started
    assert first.history != []
    assert second.history == []
    assert first.data == second.data == tmp_path / "kept" / "data"
    assert (tmp_path / "kept" / "site.yaml").exists()


def test_no_history_starts_with_none(started: list[ServiceOptions]) -> None:
    assert main(["demo", "--no-history"]) == exits.NO_FINDING
    assert started[0].history == []


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


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[PlantProcess]:
    running = start_plant(tmp_path / "plant")
    yield running
    running.stop()


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
