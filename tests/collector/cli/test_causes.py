"""`causes`: the list, one cause, what a site's tags can name; 80 columns, exit codes, JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import config
from checks.causes import registry
from checks.causes.signatures import SIGNATURES
from collector.cli import exits, main
from config.cautions import caution_text

EXAMPLE = Path(config.__file__).parent / "examples" / "terminal.yaml"


def shown(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = exits.NO_FINDING) -> str:
    assert main.main(["causes", *arguments]) == code
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines()), default=0) <= 80
    return out


def test_list_has_every_cause_once_with_signal_and_mode(capsys: pytest.CaptureFixture[str]) -> None:
    out = shown(capsys)
    lines = out.splitlines()
    for cause in registry().values():
        (line,) = [line for line in lines if line.startswith(f"  {cause.id} ")]
        assert cause.title[:40] in line
        assert line.split()[-2:] == [cause.signal.value, cause.mode.value]
    assert out.startswith("76 causes")


def test_one_cause_tells_signature_look_alikes_checks_and_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    out = shown(capsys, "product-gammas")
    flat = " ".join(out.split())
    for part in (SIGNATURES["product-gammas"], "needs tags count_rate, product", "NE 107 M, maintenance required",
                 "ISO 14224 LOO, low", "calibration-factor: closed-shutter counts", "1) take closed-shutter counts"):  # fmt: skip
        assert " ".join(part.split()) in flat
    assert caution_text(80) in out


@pytest.mark.parametrize("cause", list(registry()))
def test_every_cause_fits_80_columns(capsys: pytest.CaptureFixture[str], cause: str) -> None:
    assert "First three checks" in shown(capsys, cause)


def test_cause_behind_the_cabinet_needs_no_cautions(capsys: pytest.CaptureFixture[str]) -> None:
    assert "Before anyone goes" not in shown(capsys, "total-time-base")
    assert "not reported" in shown(capsys, "decay-in-steps")


def test_site_says_alone_in_a_set_not_at_all_and_one_more_tag(capsys: pytest.CaptureFixture[str]) -> None:
    out = shown(capsys, "--site", str(EXAMPLE))
    flat = " ".join(out.split())
    assert all(loop in out for loop in ("TB-07", "TB-08", "TB-09"))
    assert "wet-dry-basis needs moisture" in flat
    assert "current-offset with output-trim" in flat
    assert "one more tag:" in flat
    only = shown(capsys, "--site", str(EXAMPLE), "--loop", "TB-08")
    assert "TB-07" not in only


def test_one_cause_at_a_site_says_it_for_each_loop(capsys: pytest.CaptureFixture[str]) -> None:
    flat = " ".join(shown(capsys, "current-leak", "--site", str(EXAMPLE)).split())
    assert "TB-07 Belt TB-07 to ship loader, standard grade the tags suffice to name it" in flat
    assert "only in a set with output-trim" in " ".join(shown(capsys, "current-offset", "--site", str(EXAMPLE)).split())
    assert "cannot be named: needs moisture" in " ".join(shown(capsys, "wet-dry-basis", "--site", str(EXAMPLE)).split())


def test_loop_without_raw_counts_is_told_that_they_part_most(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(
        "schema: 1\nsite: terminal\nloops:\n  TB-07:\n    gauge: {range: {high: 420 t/h}}\n"
        "    plc: {range: {high: 420 t/h}}\n    tags:\n      flow: {}\n      plc_flow: {}\n      plc_total: {}\n"
    )
    assert "one more tag: ai_raw would part" in shown(capsys, "--site", str(path))


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("curent-leak",), "did you mean current-leak"),
        (("zzz",), "tallywire causes lists them all"),
        (("--loop", "TB-07"), "add --site"),
        (("--site", str(EXAMPLE), "--loop", "TB-70"), "known: TB-07, TB-08, TB-09"),
        (("--site", "nowhere.yaml"), "there is no file"),
    ],
)
def test_wrong_words_leave_one_message_and_code_2(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], said: str
) -> None:
    assert main.main(["causes", *arguments]) == exits.BAD_INPUT
    told = capsys.readouterr()
    assert said in told.err
    assert told.out == ""


def test_json_holds_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    whole = _json(capsys, "--json")
    assert len(whole["causes"]) == 76
    assert whole["loops"] == []
    one = _json(capsys, "upper-range", "--site", str(EXAMPLE), "--loop", "TB-07", "--json")
    (cause,) = one["causes"]
    assert (cause["id"], cause["iso_14224"], len(cause["checks"])) == ("upper-range", "PDE", 3)
    (loop,) = one["loops"]
    assert loop["loop"] == "TB-07"
    assert sum(len(loop[key]) for key in ("alone", "sets", "missing")) == 76


def _json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict[str, Any]:
    assert main.main(["causes", *arguments]) == exits.NO_FINDING
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found
