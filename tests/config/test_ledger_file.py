"""The reference ledger beside the site file: YAML and CSV, every problem with file and line."""

from __future__ import annotations

from pathlib import Path

import pytest

from config.load import digest, load_site, parse_site
from config.problems import Problem, SiteFileError
from tests.config.bad_files import SOUND, TODAY

LEDGER = """\
# lots of the terminal
material_tests:
  - loop: TB-07
    begin: 2026-05-04 06:10
    end: 2026-05-04T09:40Z
    reference: 912.4 t
    uncertainty: 1.8 t
    gauge: 909.6 t
    moisture: 0.3 %
    product: 4
    method: draught survey
tares:
  - {loop: TB-07, begin: 2026-05-03T05:00Z, end: 2026-05-03T05:11Z, rate: 5140 1/s, turns: 5, source: ticket 12}
spans:
  - {loop: TB-07, begin: 2026-05-03T05:20Z, end: 2026-05-03T05:30Z, load: 38 kg/m, gauge_load: 37.6 kg/m}
"""
TABLE = """\
kind,loop,begin,end,reference [t],uncertainty,gauge [t],rate [1/s],factor_after,load [kg/m]
material_test,TB-07,2026-05-04 06:10,2026-05-04 09:40,912.4,1.8 t,909.6,,153.2,
tare,TB-07,2026-05-03 05:00,2026-05-03 05:11,,,,5140,,
span,TB-07,2026-05-03 05:20,2026-05-03 05:30,,,,,,38
"""


def written(folder: Path, ledger: str, name: str = "ledger.yaml", site: str = SOUND) -> Path:
    (folder / name).write_text(ledger)
    (folder / "site.yaml").write_text(site + f"ledger: {name}\n")
    return folder / "site.yaml"


def problems(path: Path) -> list[Problem]:
    with pytest.raises(SiteFileError) as caught:
        load_site(path, today=TODAY)
    return list(caught.value.problems)


def test_yaml_ledger_is_read_with_units_and_named_lines(tmp_path: Path) -> None:
    loaded = load_site(written(tmp_path, LEDGER), today=TODAY)
    ledger = loaded.site.ledger
    test = ledger.material_tests[0]
    assert (test.reference, test.uncertainty, test.gauge, test.moisture) == (912.4, 1.8, 909.6, 0.3)
    assert (test.product, test.source, test.begin.tzinfo) == ("4", "ledger.yaml:3", None)
    assert (ledger.tares[0].rate, ledger.tares[0].source) == (5140.0, "ticket 12")
    assert ledger.spans[0].load == 38.0


def test_csv_ledger_holds_the_same(tmp_path: Path) -> None:
    ledger = load_site(written(tmp_path, TABLE, "ledger.csv"), today=TODAY).site.ledger
    assert (ledger.material_tests[0].reference, ledger.material_tests[0].factor_after) == (912.4, 153.2)
    assert ledger.material_tests[0].source == "ledger.csv:2"
    assert (ledger.tares[0].rate, ledger.spans[0].load) == (5140.0, 38.0)


def test_ledger_is_part_of_the_digest(tmp_path: Path) -> None:
    before = load_site(written(tmp_path, LEDGER), today=TODAY)
    assert before.files[-1].name == "ledger.yaml"
    assert digest(before.files) == before.sha256
    (tmp_path / "ledger.yaml").write_text(LEDGER.replace("909.6", "909.7"))
    assert digest(before.files) != before.sha256


def test_every_problem_is_told_at_once_with_its_line(tmp_path: Path) -> None:
    wrong = """\
material_tests:
  - {loop: TB-70, begin: 2026-05-04 06:10, end: 2026-05-04 09:40, reference: 912 t, uncertainty: 2 t}
  - {loop: TB-07, begin: 2026-05-04, end: 2026-05-04 09:40, reference: 912, uncertainty: 2 t}
  - {loop: TB-07, begin: 2026-05-04 09:40, end: 2026-05-04 06:10, reference: 0 t, uncertainty: 2 t, gauged: 3 t}
  - loop: TB-07
    begin: 2026-05-04 09:40
    end: 2026-05-04 06:10
    reference: 5 t
    uncertainty: 6 t
tare: []
"""
    told = [
        str(problem) for problem in problems(written(tmp_path, wrong, site=SOUND.replace("TB-07:", "TB-07:\n    titel: x")))
    ]
    lines = [line.partition("\n")[0] for line in told]
    assert any("site.yaml" in line and "titel" in line for line in lines)
    for line, words in ((2, "there is no loop 'TB-70'"), (3, "is no moment"), (3, "bare number"), (4, "unknown key 'gauged'"),
                        (7, "does not come after"), (9, "between zero and the reference"), (10, "unknown key 'tare'")):  # fmt: skip
        assert any(f"ledger.yaml:{line}:" in told and words in told for told in lines), (line, words)
    assert any("did you mean tares?" in line for line in told)
    assert any("did you mean gauge?" in line for line in told)


@pytest.mark.parametrize(
    ("ledger", "name", "words"),
    [
        ("", "ledger.yaml", "the ledger is empty"),
        ("- 1\n", "ledger.yaml", "not a mapping"),
        ("", "ledger.csv", "the ledger is empty"),
        ("loop,begin\nTB-07,x\n", "ledger.csv", "no column is called 'kind'"),
        ("kind,loop,moistur\nlot,TB-07,2\n", "ledger.csv", "did you mean"),
        ("kind,loop\nlot,TB-07\n", "ledger.csv", "no known kind"),
        ("material_tests: {}\n", "ledger.yaml", "a list is needed here"),
        ("material_tests: [1]\n", "ledger.yaml", "a mapping is needed here"),
        ("spans:\n  - {loop: TB-07, begin: 2026-05-04T09:40Z, end: 2026-05-04T09:50Z}\n", "ledger.yaml", "known of it"),
    ],
)
def test_ledger_that_cannot_be_read_is_told(tmp_path: Path, ledger: str, name: str, words: str) -> None:
    told = "\n".join(str(problem) for problem in problems(written(tmp_path, ledger, name)))
    assert words in told
    assert name in told
    assert "schema: 1" not in told


def test_hour_that_the_clock_passed_twice_is_refused(tmp_path: Path) -> None:
    lot = (
        "material_tests:\n  - {loop: TB-07, begin: 2026-10-25 02:30, end: 2026-10-25 09:40, reference: 9 t, uncertainty: 1 t}\n"
    )
    site = SOUND.replace("site: terminal", "site: terminal\ntime_zone: Europe/Lisbon")
    told = problems(written(tmp_path, lot.replace("02:30", "01:30"), site=site))
    assert ["the clock was changed" in str(problem) for problem in told] == [True]


def test_name_outside_the_folder_missing_file_and_text_without_folder_are_refused(tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text(SOUND + "ledger: ../ledger.yaml\n")
    assert "outside the folder" in str(problems(tmp_path / "site.yaml")[0])
    (tmp_path / "site.yaml").write_text(SOUND + "ledger: lots.yaml\n")
    assert "there is no file" in str(problems(tmp_path / "site.yaml")[0])
    (tmp_path / "site.yaml").write_text(SOUND + "ledger: lots.txt\n")
    assert "no ledger file" in str(problems(tmp_path / "site.yaml")[0])
    with pytest.raises(SiteFileError, match="on disk"):
        parse_site(SOUND + "ledger: ledger.yaml\n", "site.yaml", today=TODAY)


def test_validate_counts_the_entries(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from collector.cli import exits, main

    assert main.main(["validate", str(written(tmp_path, LEDGER))]) == exits.NO_FINDING
    assert "ledger: 1 material test, 1 tare, 1 span run" in capsys.readouterr().out
