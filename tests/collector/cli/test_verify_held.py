"""`tallywire verify` of an export in which only changes were stored: asked, judged with what is not known, and saved."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from ruamel.yaml import YAML

from collector.cli import exits
from collector.cli.main import main
from config.load import load_site
from tests.collector.replay.plants import T0, flows
from tests.collector.replay.recorders import by_exception

ANSWERS = "columns: {Massflow: 'flow, t/h', PLC flow: 'plc_flow, t/h'}\ngauge_range: 0 to 420 t/h\nzone: UTC\n"


@pytest.fixture(scope="module")
def export(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> tuple[Path, float]:
    """Forty minutes, one row a reading, each tag stored when it had moved by 1.5 t/h or after ten minutes."""
    path = tmp_path_factory.mktemp("export") / "held.csv"
    flow, shown = flows(2400, 1200, 7, request.param)
    rows = []
    for name, values in (("Massflow", flow), ("PLC flow", shown)):
        times, kept = by_exception(T0 + np.arange(2400.0), values, 1.5, 600.0)
        rows += [(time, name, value) for time, value in zip(times.tolist(), kept.tolist(), strict=True)]
    path.write_text("time,tag,value\n" + "".join(f"{time:.0f},{name},{value:.4f}\n" for time, name, value in sorted(rows)))
    return path, request.param


@pytest.mark.parametrize("export", [1.12], indirect=True, ids=["wrong"])
def test_export_of_changes_is_asked_judged_and_saved(
    export: tuple[Path, float], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, _ = export
    assert main(["verify", str(path), "--questions"]) == exits.NO_FINDING
    asked = YAML(typ="safe").load(capsys.readouterr().out)
    assert re.fullmatch(r"flow=step:(1\.[5-9]|2\.\d) t/h:\d+ s; plc_flow=step:\d\.\d+ t/h:\d+ s", asked["kept"])
    answers, site = tmp_path / "answers.yaml", tmp_path / "site.yaml"
    answers.write_text(ANSWERS + "kept: 'flow=step:1.5 t/h:10 min; plc_flow=step:1.5 t/h:10 min'\n")
    code = main(["verify", str(path), "--answers", str(answers), "--save", str(site)])
    said = " ".join(capsys.readouterr().out.split())
    assert code == exits.FINDINGS
    assert "was 'Massflow' stored only when it had moved?" in said
    assert "within 1.5 t/h of it: standard uncertainty 0.87 t/h, 0.21 % of span (rectangular), part of U" in said
    tag = load_site(site).site.loops["loop"].tags["plc_flow"]
    assert (tag.model_dump()["stored"], tag.model_dump()["deadband"], tag.model_dump()["longest"]) == ("step", 1.5, 600.0)


@pytest.mark.parametrize("export", [1.0], indirect=True, ids=["sound"])
def test_answer_none_and_an_answer_that_cannot_be(
    export: tuple[Path, float], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, _ = export
    answers = tmp_path / "answers.yaml"
    for kept, code in (("none", None), ("flow=step:1.5", exits.BAD_INPUT), ("flux=step", exits.BAD_INPUT)):
        answers.write_text(ANSWERS + f"kept: '{kept}'\n")
        ended = main(["verify", str(path), "--answers", str(answers)])
        shown = capsys.readouterr()
        if code is None:
            assert ended == exits.NO_FINDING
            assert "part of U" not in shown.out
        else:
            assert ended == code
            assert "fix:" in shown.err
