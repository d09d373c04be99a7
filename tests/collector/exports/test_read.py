"""Ugly exports come back as the numbers they were written from, and every decision is told."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from checks.samples import BAD, GOOD, UNCERTAIN
from collector.exports import lines
from collector.exports.cells import Mark
from collector.exports.read import Export, Overrules, read_export
from collector.exports.stamps import DateOrder
from collector.exports.tidy import Between
from config.errors import DataFileError
from tests.collector.exports.ugly import T0, Style, wide

BERLIN = Overrules(zone="Europe/Berlin")


def written(folder: Path, text: str, encoding: str = "utf-8", name: str = "export.csv") -> Path:
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def told(export: Export, kind: str) -> str:
    return " | ".join(getattr(export.said, kind))


styles = st.builds(
    Style,
    separator=st.sampled_from([";", "\t", "|", ","]),
    decimal=st.sampled_from([",", "."]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "cp1252"]),
    stamp=st.sampled_from([
        "%d.%m.%Y %H:%M:%S", "%Y-%m-%d %H:%M:%S", "%Y/%m/%d %H:%M:%S", "%d-%b-%Y %H:%M:%S", "%Y%m%d %H%M%S", "%d/%m/%Y %I:%M:%S %p",
    ]),
    zone=st.sampled_from(["UTC", "Europe/Berlin", "America/Regina", "Australia/Adelaide"]),
    title=st.sampled_from([(), ("Schichtbericht Übergabe",), ("Report", "", "made by the terminal")]),
    line_end=st.sampled_from(["\n", "\r\n"]),
)  # fmt: skip


@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(styles, st.sampled_from(["", "other mark", " ", "'", "\u00a0"]), st.booleans(), st.integers(0, 2**32 - 1))
def test_numbers_and_times_come_back_whatever_the_writing(
    tmp_path: Path, style: Style, group: str, units: bool, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    group = {",": ".", ".": ","}[style.decimal] if group == "other mark" else group
    used = ("time", "t/h", "mA") if units else ()
    style = Style(
        separator=style.separator, decimal=style.decimal, group=group, encoding=style.encoding, stamp=style.stamp, zone=style.zone,
        title=style.title, units=used, line_end=style.line_end,
    )  # fmt: skip
    time = T0 + np.arange(40.0)
    flow, current = np.round(rng.uniform(900.0, 4000.0, 40), 2), np.round(rng.uniform(4.0, 20.0, 40), 2)
    flow[5] = np.nan
    path = wide(tmp_path / "export.csv", ["Time", "Massflow TB-07", "Loop current"], time, [flow, current], style)
    order = DateOrder.DAY_FIRST if "%d/%m/%Y" in style.stamp else None
    export = read_export(path, Overrules(zone=style.zone, order=order))
    assert export.time.tolist() == time.tolist()
    assert np.array_equal(export.values["Massflow TB-07"], flow, equal_nan=True)
    assert np.array_equal(export.values["Loop current"], current)
    assert {guess.role for guess in export.guesses} == {"flow", "loop_current"}
    if units:
        assert export.units == {"Massflow TB-07": "t/h", "Loop current": "mA"}


def test_status_words_are_bad_readings_and_are_told(tmp_path: Path) -> None:
    path = written(
        tmp_path, "time;flow;pv\n2027-03-01 06:00:00;1,5;2,5\n2027-03-01 06:00:01;Bad;No Data\n2027-03-01 06:00:02;whale;\n"
    )
    export = read_export(path, BERLIN)
    assert export.quality["flow"].tolist() == [GOOD, BAD, BAD]
    assert export.quality["pv"].tolist() == [GOOD, BAD, GOOD]
    assert np.isnan(export.values["flow"][1:]).all()
    assert "2 cells with words for a reading that is not one: 'Bad', 'No Data'" in told(export, "dropped")
    assert "1 cell with words that nobody can read as a number: 'whale'" in told(export, "dropped")


def test_double_and_unsorted_rows_are_put_right_and_counted(tmp_path: Path) -> None:
    seconds = [3, 1, 2, 2, 0]
    rows = "".join(f"2027-03-01 06:00:0{second};{10 * place + 0.5}\n" for place, second in enumerate(seconds))
    export = read_export(written(tmp_path, "time;flow\n" + rows), BERLIN)
    assert export.time.tolist() == [T0, T0 + 1, T0 + 2, T0 + 3]
    assert export.values["flow"].tolist() == [40.5, 10.5, 30.5, 0.5]
    assert "1 row of a time that was there already" in told(export, "dropped")
    assert "2 steps back" in told(export, "understood")


def test_gaps_are_told_and_not_filled(tmp_path: Path) -> None:
    rows = "".join(f"{T0 + second};{second}.5\n" for second in [*range(60), *range(660, 720)])
    export = read_export(written(tmp_path, "time;flow\n" + rows))
    assert len(export.time) == 120
    assert "1 gap of more than 3 s, the longest 10 min" in told(export, "understood")


def test_row_a_reading_becomes_column_a_tag(tmp_path: Path) -> None:
    rows = ["Timestamp,Tag,Value,Quality"]
    for second in range(8):
        rows += [f"2027-03-01T05:00:0{second}Z,TB07.FLOW,{100 + second}.5,{'Bad' if second == 3 else 'Good'}"]
        rows += [f"2027-03-01T05:00:0{second}Z,TB07.PLC_FLOW,{200 + second}.5,Uncertain"] if second % 2 == 0 else []
    export = read_export(written(tmp_path, "\n".join(rows)))
    assert export.time.tolist() == [T0 + second for second in range(8)]
    assert export.values["TB07.FLOW"].tolist() == [100.5, 101.5, 102.5, 103.5, 104.5, 105.5, 106.5, 107.5]
    assert export.quality["TB07.FLOW"].tolist() == [0, 0, 0, BAD, 0, 0, 0, 0]
    assert export.values["TB07.PLC_FLOW"].tolist() == [200.5, 200.5, 202.5, 202.5, 204.5, 204.5, 206.5, 206.5]
    assert set(export.quality["TB07.PLC_FLOW"].tolist()) == {UNCERTAIN}
    assert {guess.column: guess.role for guess in export.guesses} == {"TB07.FLOW": "flow", "TB07.PLC_FLOW": "plc_flow"}
    assert "2 tags" in told(export, "understood")
    assert "held" in told(export, "assumed")


def test_column_may_go_on_a_line_between_its_readings(tmp_path: Path) -> None:
    rows = ["Timestamp,Tag,Value"]
    for second in range(9):
        rows += [f"{T0 + second},FLOW,{second}.25"]
        rows += [f"{T0 + second},LEVEL,{second}.5"] if second % 4 == 0 else []
    path = written(tmp_path, "\n".join(rows))
    held, drawn = read_export(path), read_export(path, Overrules(between={"LEVEL": Between.LINEAR}))
    assert held.values["LEVEL"].tolist() == [0.5, 0.5, 0.5, 0.5, 4.5, 4.5, 4.5, 4.5, 8.5]
    assert drawn.values["LEVEL"].tolist() == [0.5, 1.5, 2.5, 3.5, 4.5, 5.5, 6.5, 7.5, 8.5]
    assert "on a line for 'LEVEL'" in told(drawn, "assumed")


@pytest.mark.parametrize(
    ("words", "wanted"),
    [
        (["Good", "Bad", "Uncertain"], [0, 2, 1]),
        (["192", "0", "64"], [0, 2, 1]),  # OPC Data Access 3.00: bits 6 and 7
        (["0", "2147483648", "1073741824"], [0, 2, 1]),  # OPC UA part 4, 7.39: bits 30 and 31
        (["0", "2", "1"], [0, 2, 1]),
    ],
)
def test_quality_column_of_any_code_belongs_to_its_value(tmp_path: Path, words: list[str], wanted: list[int]) -> None:
    rows = "".join(f"{T0 + row};{row}.5;{word}\n" for row, word in enumerate(words))
    export = read_export(written(tmp_path, "time;flow;flow.quality\n" + rows))
    assert list(export.values) == ["flow"]
    assert export.quality["flow"].tolist() == wanted


def test_date_and_clock_in_two_columns(tmp_path: Path) -> None:
    export = read_export(
        written(tmp_path, "Datum;Uhrzeit;Massflow\n01.03.2027;06:00:00;1,5\n01.03.2027;06:00:01;2,5\n"), BERLIN
    )
    assert export.time.tolist() == [T0, T0 + 1]
    assert list(export.values) == ["Massflow"]


def test_workbook_with_dates_texts_and_two_sheets(tmp_path: Path) -> None:
    from datetime import datetime, timedelta

    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "data"
    sheet.append(["made by the terminal"])
    sheet.append(["when", "Massflow", "PLC flow"])
    sheet.append(["", "t/h", "t/h"])
    for second in range(5):
        sheet.append(
            [
                datetime.fromisoformat("2027-03-01 06:00") + timedelta(seconds=second),
                100.25 + second,
                "Bad" if second == 2 else 99.25 + second,
            ]
        )
    book.create_sheet("notes").append(["nothing here"])
    path = tmp_path / "export.xlsx"
    book.save(path)
    export = read_export(path, BERLIN)
    assert export.time.tolist() == [T0 + second for second in range(5)]
    assert export.values["Massflow"].tolist() == [100.25, 101.25, 102.25, 103.25, 104.25]
    assert export.quality["PLC flow"].tolist() == [0, 0, BAD, 0, 0]
    assert export.units == {"Massflow": "t/h", "PLC flow": "t/h"}
    assert "sheet 'data'" in told(export, "understood")
    assert "1 other sheet: 'notes'" in told(export, "dropped")
    with pytest.raises(DataFileError, match="no sheet 'other'"):
        read_export(path, Overrules(sheet="other"))


def test_decimal_mark_that_cannot_be_seen_is_asked_and_can_be_said(tmp_path: Path) -> None:
    path = written(tmp_path, "time;flow\n2027-03-01 06:00:00;1,234\n2027-03-01 06:00:01;2,345\n")
    export = read_export(path, BERLIN)
    assert export.values["flow"].tolist() == [1.234, 2.345]
    assert "a little more than one" in told(export, "questions")
    assert read_export(path, Overrules(mark=Mark.POINT)).values["flow"].tolist() == [1234.0, 2345.0]


@pytest.mark.parametrize(
    ("name", "content", "says"),
    [
        ("a.csv", b"", "the file is empty"),
        ("a.csv", b"hello\nworld\n", "one field each"),
        ("a.csv", b"name;value\nflow;12\nload;13\n", "no column holds times"),
        ("a.csv", b"time;flow\n", "no column holds times"),
        ("a.gz", b"\x1f\x8b\x08\x00....", "compressed"),
        ("a.xls", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1....", "old binary kind"),
        ("a.xlsx", b"PK\x03\x04 no zip at all", "not a workbook"),
        ("a.bin", b"abc\x00\x01\x02;;\x00def", "neither text nor a workbook"),
        ("a.csv", b'time;flow\n2027-03-01 06:00:00;"1,5\n' + b"x" * 140_000, "not a line of fields"),
    ],
)
def test_what_cannot_be_read_is_one_clear_error(tmp_path: Path, name: str, content: bytes, says: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(DataFileError, match=says) as caught:
        read_export(path)
    assert caught.value.fix
    assert str(path) in caught.value.where


def test_file_that_is_not_there_and_one_that_is_too_large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(DataFileError, match="cannot be read"):
        read_export(tmp_path / "none.csv")
    monkeypatch.setattr(lines, "MOST_BYTES", 10)
    with pytest.raises(DataFileError, match="more than"):
        read_export(written(tmp_path, "time;flow\n2027-03-01 06:00:00;1\n"))


def test_workbook_that_unpacks_to_too_much_is_refused_before_it_is_unpacked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from openpyxl import Workbook

    path = tmp_path / "bomb.xlsx"
    Workbook().save(path)
    monkeypatch.setattr(lines, "MOST_UNPACKED", 100)
    with pytest.raises(DataFileError, match="once unpacked"):
        read_export(path)
