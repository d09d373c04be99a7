"""A table of loops beside the site file."""

from __future__ import annotations

from pathlib import Path

import pytest

from config.load import digest, load_site
from config.model import ModbusTag
from config.problems import Problem, SiteFileError
from tests.config.bad_files import TODAY

HEAD = """\
schema: 1
site: terminal
loops_csv: loops.csv
endpoints:
  gauge: {protocol: modbus, host: 192.0.2.10, timeout: 0.3 s}
loop_template:
  gauge:
    range: {low: 0 t/h, high: 100 t/h}
    damping: 8 s
  plc:
    range: {low: 0 t/h, high: 100 t/h}
  tags:
    flow: {endpoint: gauge, type: float32}
    plc_flow: {}
"""
TABLE = """\
loop,title,gauge.range.high [t/h],plc.range.high,tags.flow.address
TB-07,Ship loader,420,420 t/h,0
TB-08,"Shed 2, granular",,,2
"""


def written(folder: Path, head: str = HEAD, table: str | bytes | None = TABLE) -> Path:
    if table is not None:
        (folder / "loops.csv").write_bytes(table if isinstance(table, bytes) else table.encode())
    (folder / "site.yaml").write_text(head)
    return folder / "site.yaml"


def problems(path: Path) -> list[Problem]:
    with pytest.raises(SiteFileError) as caught:
        load_site(path, today=TODAY)
    return list(caught.value.problems)


def test_rows_lie_over_the_template(tmp_path: Path) -> None:
    loaded = load_site(written(tmp_path), today=TODAY)
    first, second = loaded.site.loops["TB-07"], loaded.site.loops["TB-08"]
    assert (first.gauge.range.high, first.plc.range.high, first.gauge.damping) == (420.0, 420.0, 8.0)
    assert (second.gauge.range.high, second.title) == (100.0, "Shed 2, granular")
    assert isinstance(second.tags["flow"], ModbusTag)
    assert second.tags["flow"].address == 2
    assert loaded.warnings == ()


def test_table_is_part_of_the_digest(tmp_path: Path) -> None:
    path = written(tmp_path)
    before = load_site(path, today=TODAY)
    assert before.files == (path, tmp_path / "loops.csv")
    assert digest(before.files) == before.sha256
    (tmp_path / "loops.csv").write_text(TABLE.replace("420", "430"))
    assert digest(before.files) != before.sha256


def test_semicolons_and_a_byte_order_mark_of_a_spreadsheet_are_read(tmp_path: Path) -> None:
    table = b"\xef\xbb\xbf" + TABLE.replace('"Shed 2, granular"', "Shed 2").replace(",", ";").replace("\n", "\r\n").encode()
    assert list(load_site(written(tmp_path, table=table), today=TODAY).site.loops) == ["TB-07", "TB-08"]


@pytest.mark.parametrize(
    ("old", "new", "line", "what"),
    [
        ("gauge.range.high [t/h]", "gauge.range.hihg [t/h]", 1, "did you mean high?"),
        ("gauge.range.high [t/h]", "gauge.range.high [tph]", 1, "'tph' is no known unit"),
        ("tags.flow.address", "tags.flwo.address", 1, "did you mean flow?"),
        ("tags.flow.address", "tags.flow.adress", 1, "did you mean address?"),
        ("title", "gauge.range", 1, "is a part, not a value"),
        ("loop,", "id,", 1, "no column is called 'loop'"),
        ("420,420 t/h", "420,420", 2, "bare number 420"),
        (",0\n", ",x\n", 2, "integer"),
        ("TB-08", "TB-07", 3, "described twice"),
        ("TB-08", "", 3, "no loop id"),
        ("TB-08", "TB 08", 3, "cannot stand here"),
        (",,,2", ",,,2,9,9", 3, "7 cells stand under 5 columns"),
    ],
)
def test_problem_names_the_line_of_the_table(tmp_path: Path, old: str, new: str, line: int, what: str) -> None:
    found = problems(written(tmp_path, table=TABLE.replace(old, new, 1)))
    told = [problem for problem in found if what in str(problem)]
    assert told, "\n".join(map(str, found))
    assert Path(told[0].place.file).name == "loops.csv"
    assert told[0].place.line == line


def test_table_outside_the_folder_or_missing_is_refused_with_one_message(tmp_path: Path) -> None:
    folder = tmp_path / "site"
    folder.mkdir()
    (tmp_path / "loops.csv").write_text(TABLE)
    (problem,) = problems(written(folder, HEAD.replace("loops.csv", "../loops.csv"), None))
    assert "lies outside the folder" in problem.what
    (problem,) = problems(written(folder, HEAD, None))
    assert "there is no file 'loops.csv'" in problem.what
    assert problem.place.line == 3
    (problem,) = problems(written(folder, HEAD.replace("loops.csv", "loops.xlsx"), None))
    assert "no table of loops" in problem.what
    (problem,) = problems(written(folder, HEAD, ""))
    assert "the table is empty" in problem.what


def test_five_hundred_loops_load(tmp_path: Path) -> None:
    rows = [f"TB-{number:03d},,420,420 t/h,{2 * number}" for number in range(500)]
    path = written(tmp_path, table=TABLE.partition("\n")[0] + "\n" + "\n".join(rows))
    loaded = load_site(path, today=TODAY)
    assert len(loaded.site.loops) == 500
    assert loaded.warnings == ()
