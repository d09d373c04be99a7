from __future__ import annotations

from pathlib import Path

import pytest

from checks.build import BlockBuilder
from checks.merge import TreeMerger
from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.history.opening import open_store
from tests.collector.history.recorded import MIDNIGHT
from tests.collector.history.test_hour_rows import HOUR_S, fleet_site, hours

SITE = """
schema: 1
site: potash-terminal
loops:
"""
LOOP = """  {loop}:
    gauge: {{range: {{high: 500 t/h}}}}
    plc: {{range: {{high: 500 t/h}}}}
    tags: {{flow: {{}}, plc_flow: {{}}, gauge_total: {{}}, plc_total: {{}}}}
"""


@pytest.fixture
def site_file(tmp_path: Path) -> Path:
    path = tmp_path / "site.yaml"
    path.write_text(SITE + "".join(LOOP.format(loop=loop) for loop in ("TB-07", "TB-08")))
    return path


def ask(site: Path, *options: str) -> int:
    return main(["fleet", str(site), "--data", str(site.parent / "data"), *options])


def test_loops_are_printed_in_eighty_columns_the_worst_first(site_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site = fleet_site()
    store = open_store(site_file.parent / "data", site, clock=SystemClock())
    for loop, ratio in (("TB-07", 1.002), ("TB-08", 0.97)):
        for merged in (
            TreeMerger().push(BlockBuilder(site, loop, 1).push(hours(site, loop, 300.0, ratio, HOUR_S + 20))).values()
        ):
            store.add_rollups(merged)
    store.close()
    day = "2026-07-16"
    assert MIDNIGHT == 1_784_160_000
    assert ask(site_file, "--from", day, "--to", "2026-07-17") == exits.NO_FINDING
    said = capsys.readouterr().out.splitlines()
    rows = [line.split() for line in said if line.startswith("TB-")]
    assert [row[0] for row in rows] == ["TB-08", "TB-07"]
    assert rows[0][1:3] == ["-3.00", "-3.00"]
    assert any(line.startswith("measured: share") for line in said)
    assert max(map(len, said)) < 80
    assert ask(site_file, "--from", day, "--to", "2026-07-17", "--by", "rate", "--top", "1") == exits.NO_FINDING
    assert [line.split()[0] for line in capsys.readouterr().out.splitlines() if line.startswith("TB-")] == ["TB-08"]
    assert ask(site_file, "--from", "2026-07-20", "--to", "2026-07-21") == exits.NOTHING_EVALUATED
    assert "Nothing is stored of 2026-07-20" in capsys.readouterr().out
    assert ask(site_file, "--from", "2026-06-20") == exits.NO_FINDING
    assert ask(site_file) == exits.NOTHING_EVALUATED
    assert "Nothing is stored of " in capsys.readouterr().out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--from", "yesterday", "--to", "2026-07-17"), "'yesterday' is no day"),
        (("--from", "2026-07-17", "--to", "2026-07-17"), "does not end after it begins"),
        (("--from", "2026-07-16", "--to", "2026-07-17", "--top", "0"), "0 loops cannot be shown"),
        (("--from", "2026-07-16", "--to", "2026-07-17"), "there is no history here"),
    ],
)
def test_bad_input_is_one_clear_message(
    site_file: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], said: str
) -> None:
    assert ask(site_file, *options) == exits.BAD_INPUT
    assert said in capsys.readouterr().err
