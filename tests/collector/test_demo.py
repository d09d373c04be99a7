"""The plant as a foreign process: found, started, switched, ended."""

from __future__ import annotations

import json
from importlib.metadata import EntryPoint, EntryPoints
from pathlib import Path

import pytest

from collector import demo
from config.errors import TallywireError


def test_collector_never_imports_the_plant() -> None:
    for module in (demo,):
        assert not any(name.startswith("deploy") for name in vars(module))
    assert demo.catalogue()["loops"] == ["TB-07", "TB-08", "TB-09"]


def test_history_then_plant_go_on_with_the_same_totals(tmp_path: Path) -> None:
    files = demo.write_history(tmp_path, 0.05)
    assert len(files) in (3, 6)
    before = json.loads((tmp_path / demo.BEGIN_FILE).read_text())
    plant = demo.start_plant(tmp_path)
    try:
        assert plant.site_path == tmp_path / "site.yaml"
        assert plant.site_path.exists()
        plant.set_fault(None, "build-up", True, 3.0)
        assert plant.switchboard.listing()["active"] == {"TB-07": {"build-up": 3.0}, "TB-08": {}, "TB-09": {}}
    finally:
        plant.stop()
    assert plant.process.returncode == 0
    after = json.loads((tmp_path / demo.BEGIN_FILE).read_text())
    assert after["tared_s"] == before["tared_s"]
    assert after["time_s"] >= before["time_s"]
    for loop, totals in after["totals"].items():
        assert all(0.0 <= now - then < 20.0 for now, then in zip(totals, before["totals"][loop], strict=True))


def test_plant_that_does_not_exist_is_named_with_those_that_do(tmp_path: Path) -> None:
    with pytest.raises(TallywireError, match="potash"):
        demo.start_plant(tmp_path, plant="sulphur")


@pytest.mark.parametrize("plant", ["broken", "chatty"])
def test_plant_that_ends_at_once_is_one_clear_message(plant: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    broken = EntryPoints([EntryPoint("broken", "config.errors", demo.GROUP), EntryPoint("chatty", "this", demo.GROUP)])
    monkeypatch.setattr(demo, "entry_points", lambda group: broken)
    with pytest.raises(TallywireError, match="did not start"):
        demo.start_plant(tmp_path, plant=plant)


def test_missing_and_damaged_control_file_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(TallywireError, match="no demo is running"):
        demo.read_control(tmp_path / "none.json")
    (tmp_path / "bad.json").write_text("[]")
    with pytest.raises(TallywireError, match="not the control file"):
        demo.read_control(tmp_path / "bad.json")


def test_plant_that_has_ended_does_not_answer() -> None:
    gone = demo.Switchboard("http://127.0.0.1:9", "token")
    with pytest.raises(TallywireError, match="does not answer"):
        gone.set_fault("TB-07", "build-up", True)
