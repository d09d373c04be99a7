"""`tallywire calibration` on a stored run of the terminal whose mass is known."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.history.sqlite import open_store
from config.cautions import CAUTIONS
from config.load import load_site
from deploy.plant.site_file import site_text
from deploy.plant.terminal import fresh, specs_at
from tests.checks.runs_of_terminal import BEGIN, PLC_URL, run_of


def at(second: int) -> str:
    return datetime.fromtimestamp(BEGIN + second, UTC).strftime("%Y-%m-%d %H:%M:%S")


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, float]:
    """A site file, a data folder with an hour of TB-07, and the tonnes that its gauge made of that hour."""
    folder = tmp_path_factory.mktemp("calibration")
    specs = specs_at(fresh(BEGIN))
    file = folder / "site.yaml"
    file.write_text(site_text(specs, dict.fromkeys(specs, 1502), PLC_URL), encoding="utf-8")
    samples = run_of("TB-07", 1.0, seed=3)
    store = open_store(folder / "data", load_site(file).site, clock=SystemClock())
    store.append([samples])
    store.close()
    return file, folder / "data", float(np.nansum(samples.values["flow"])) / 3600.0


def calibrated(kept: tuple[Path, Path, float], *options: str) -> int:
    return main(["calibration", str(kept[0]), "--loop", "TB-07", "--data", str(kept[1]), *options])


def test_factor_that_is_two_percent_off_is_found(kept: tuple[Path, Path, float], capsys: pytest.CaptureFixture[str]) -> None:
    code = calibrated(kept, "--whole", "--run", f"{at(0)}, {at(3600)}, {1.02 * kept[2]:.3f} t", "--since", at(0))
    said = capsys.readouterr().out
    assert code == exits.FINDINGS
    assert "Reference over gauge: 1.0200" in said
    assert "Three runs or more" in said
    assert "would have been" in said
    assert f"gauge: {kept[2]:.2f} t" in said
    assert CAUTIONS[0][:40] in said
    assert [line for line in said.splitlines() if len(line) > 80] == []


def test_factor_that_is_right_is_left_alone(kept: tuple[Path, Path, float], capsys: pytest.CaptureFixture[str]) -> None:
    assert calibrated(kept, "--whole", "--run", f"{at(0)}, {at(3600)}, {kept[2]:.3f} t") == exits.NO_FINDING
    assert "no reason to change it" in " ".join(capsys.readouterr().out.split())


def test_edges_are_left_out_unless_the_reference_weighed_them(
    kept: tuple[Path, Path, float], capsys: pytest.CaptureFixture[str]
) -> None:
    run = ("--run", f"{at(0)}, {at(3600)}, {kept[2]:.3f} t")
    calibrated(kept, *run)
    within = capsys.readouterr().out
    calibrated(kept, "--whole", *run)
    whole = capsys.readouterr().out
    gauge_t = [float(text.split(" t, gauge: ")[1].split(" t")[0]) for text in (within, whole)]
    assert gauge_t[0] < gauge_t[1] == pytest.approx(kept[2], abs=0.005)
    assert "left out" in within
    assert "are counted" in whole


def test_ledger_lines_can_be_read_again(
    kept: tuple[Path, Path, float], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    calibrated(kept, "--whole", "--run", f"{at(0)}, {at(3600)}, {kept[2]:.3f} t")
    lines = capsys.readouterr().out.split("as YAML:\n")[1]
    (tmp_path / "ledger.yaml").write_text("spans:\n" + lines, encoding="utf-8")
    site = tmp_path / "site.yaml"
    site.write_text(kept[0].read_text(encoding="utf-8") + "ledger: ledger.yaml\n", encoding="utf-8")
    (span,) = load_site(site).site.ledger.spans
    assert span.loop == "TB-07"
    assert span.mass == pytest.approx(kept[2], abs=0.001)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--run", "yesterday"], "is no run"),
        (["--run", f"{at(0)}, {at(3600)}, 10"], "--run"),
        (["--run", f"{at(3600)}, {at(0)}, 10 t"], "is no run"),
        (["--run", f"soon, {at(0)}, 10 t"], "is no time"),
        (["--run", f"{at(90000)}, {at(93600)}, 10 t"], "no flow is stored of that time"),
        (["--run", f"{at(0)}, {at(3600)}, 10 t", "--window", f"{at(0)}, {at(9000)}"], "does not lie in the run"),
        (["--run", f"{at(0)}, {at(3600)}, 10 t", "--uncertainty", "-1"], "uncertainty"),
    ],
)
def test_bad_input_is_one_message(
    kept: tuple[Path, Path, float], options: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert calibrated(kept, *options) == exits.BAD_INPUT
    assert says in capsys.readouterr().err
