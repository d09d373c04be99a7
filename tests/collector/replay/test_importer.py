"""Recorded files: what is read, and what is refused with one clear message."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from checks.samples import BAD, GOOD, UNCERTAIN, Samples, join
from collector.replay import tables
from collector.replay.columns import read_map
from collector.replay.importer import open_recording
from config.errors import DataFileError
from config.model import Site
from tests.collector.replay.sites import one_loop, two_loops

T0 = 1_800_000_000
ISO0 = pd.Timestamp(T0, unit="s", tz="UTC")


def write(folder: Path, text: str, name: str = "export.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def read(path: Path, site: Site | None = None, column_map: Mapping[str, str] | None = None) -> dict[str, Samples]:
    recording = open_recording(one_loop() if site is None else site, path, column_map)
    parts: dict[str, list[Samples]] = {}
    for batch in recording.batches():
        for loop, samples in batch.samples.items():
            parts.setdefault(loop, []).append(samples)
    return {loop: join(pieces) for loop, pieces in parts.items()}


def test_csv_with_bare_roles_epoch_seconds_bits_and_empty_fields(tmp_path: Path) -> None:
    path = write(tmp_path, f"time,flow,drive_running\n{T0},100.5,true\n{T0 + 1},,False\n{T0 + 2},102,1\n")
    samples = read(path)["TB-07"]
    assert samples.time_s.tolist() == [T0, T0 + 1, T0 + 2]
    np.testing.assert_array_equal(samples.values["flow"], [100.5, np.nan, 102.0])
    assert samples.values["drive_running"].tolist() == [1.0, 0.0, 1.0]
    assert samples.quality["flow"].tolist() == [GOOD, BAD, GOOD]
    assert set(samples.values) == {"flow", "drive_running"}


def test_iso_time_with_offset_and_loop_names(tmp_path: Path) -> None:
    path = write(tmp_path, "time,TB-07.flow,TB-08.flow\n2027-01-15T09:00:00+01:00,1,2\n2027-01-15T09:00:01+01:00,3,4\n")
    both = read(path, two_loops())
    assert both["TB-07"].time_s.tolist() == [T0, T0 + 1]
    assert both["TB-08"].values["flow"].tolist() == [2.0, 4.0]


def test_quality_column_makes_bad_samples_nan_and_keeps_uncertain_ones(tmp_path: Path) -> None:
    path = write(tmp_path, f"time,flow,flow.quality\n{T0},1,0\n{T0 + 1},2,1\n{T0 + 2},3,2\n")
    samples = read(path)["TB-07"]
    assert samples.quality["flow"].tolist() == [GOOD, UNCERTAIN, BAD]
    np.testing.assert_array_equal(samples.values["flow"], [1.0, 2.0, np.nan])


def test_declared_unit_is_converted(tmp_path: Path) -> None:
    path = write(tmp_path, f"time,flow,gauge_total\n{T0},1,2500\n{T0 + 1},1,2600\n")
    assert read(path)["TB-07"].values["gauge_total"].tolist() == pytest.approx([2.5, 2.6])


def test_semicolons_byte_order_mark_blank_lines_and_column_map(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_text(f"\ufeffStamp;Weigher 7;Remark\n{T0};1;a\n\n{T0 + 1};2;b\n\n", encoding="utf-8")
    map_path = write(tmp_path, "# of the historian\nStamp,time\nWeigher 7,TB-07.flow\nRemark,\n", "map.csv")
    assert read(path, column_map=read_map(map_path))["TB-07"].values["flow"].tolist() == [1.0, 2.0]


def test_parquet_reads_as_the_same_samples_as_csv(tmp_path: Path) -> None:
    frame = pd.DataFrame(
        {"time": ISO0 + pd.to_timedelta(range(20), unit="s"), "flow": np.arange(20.0), "drive_running": [True, False] * 10}
    )
    frame.loc[3, "flow"] = np.nan
    frame.to_parquet(tmp_path / "export.parquet")
    frame.to_csv(tmp_path / "export.csv", index=False)
    csv, parquet = read(tmp_path / "export.csv")["TB-07"], read(tmp_path / "export.parquet")["TB-07"]
    assert csv.time_s.tobytes() == parquet.time_s.tobytes()
    for role in csv.values:
        assert csv.values[role].tobytes() == parquet.values[role].tobytes()


def test_fifth_of_a_second_keeps_the_last_good_of_each_second(tmp_path: Path) -> None:
    rows = "".join(f"{T0 + k / 5:.1f},{'' if k % 5 == 4 else k}\n" for k in range(15))
    samples = read(write(tmp_path, "time,flow\n" + rows))["TB-07"]
    assert samples.step_s == 1
    assert samples.time_s.tolist() == [T0, T0 + 1, T0 + 2]
    assert samples.values["flow"].tolist() == [3.0, 8.0, 13.0]


@pytest.mark.parametrize(("step", "grid"), [(1, 1), (2, 2), (5, 5), (10, 10), (60, 60)])
def test_step_that_divides_a_minute_is_kept(tmp_path: Path, step: int, grid: int) -> None:
    rows = "".join(f"{T0 + k * step},{k}\n" for k in range(10))
    samples = read(write(tmp_path, "time,flow\n" + rows))["TB-07"]
    assert samples.step_s == grid
    assert samples.values["flow"].tolist() == list(map(float, range(10)))


def test_step_that_divides_no_minute_is_held_on_the_next_finer_grid(tmp_path: Path) -> None:
    rows = "".join(f"{T0 + k * 7},{k}\n" for k in range(10))
    samples = read(write(tmp_path, "time,flow\n" + rows))["TB-07"]
    assert samples.step_s == 6
    assert (np.diff(samples.time_s) == 6).all()
    assert np.isfinite(samples.values["flow"]).all()


def test_missing_rows_are_a_gap_and_a_slow_tag_is_held(tmp_path: Path) -> None:
    rows = "".join(f"{T0 + k},{k},{0.5 if k % 5 == 0 and k < 15 else ''}\n" for k in range(30) if k not in (7, 8))
    samples = read(write(tmp_path, "time,flow,moisture\n" + rows))["TB-07"]
    assert T0 + 7 not in samples.time_s.tolist()
    moist = dict(zip(samples.time_s.tolist(), np.isfinite(samples.values["moisture"]).tolist(), strict=True))
    assert moist[T0 + 14]
    assert moist[T0 + 19]
    assert not moist[T0 + 21]


@pytest.mark.parametrize("rows", [3, 7, 64])
def test_samples_do_not_depend_on_the_size_of_the_pieces(tmp_path: Path, rows: int, monkeypatch: pytest.MonkeyPatch) -> None:
    generator = np.random.default_rng(11)
    times = T0 + np.arange(200) * 2.5 + generator.uniform(0, 0.4, 200)
    flow = np.where(generator.random(200) < 0.1, np.nan, generator.normal(100, 5, 200))
    pd.DataFrame({"time": times, "flow": flow}).to_csv(tmp_path / "export.csv", index=False)
    whole = read(tmp_path / "export.csv")["TB-07"]
    monkeypatch.setattr(tables, "ROWS", rows)
    pieces = read(tmp_path / "export.csv")["TB-07"]
    assert whole.time_s.tobytes() == pieces.time_s.tobytes()
    assert whole.values["flow"].tobytes() == pieces.values["flow"].tobytes()
    assert whole.flags.tobytes() == pieces.flags.tobytes()


BAD_FILES = {
    "no time column": ("stamp,flow\n1,2\n", "line 1", "no time column", "--map"),
    "time without zone": ("time,flow\n2027-01-15T09:00:00,1\n", "line 2, column 'time'", "no zone", "with the zone"),
    "zone missing in one row": ("time,flow\n2027-01-15T09:00:00Z,1\n2027-01-15T09:00:01,1\n", "line 3", "mix zones", "same"),
    "two zones": ("time,flow\n2027-01-15T09:00:00Z,1\n2027-01-15T12:00:01+03:00,1\n", "line 3", "mix zones", "one zone"),
    "epoch and ISO": (f"time,flow\n{T0},1\n2027-01-15T09:00:01Z,1\n", "line 2", "mix epoch seconds and ISO", "one way"),
    "milliseconds": (f"time,flow\n{T0}000,1\n", "line 2", "not in epoch seconds", "divide"),
    "not a time": ("time,flow\nyesterday,1\n", "line 2", "'yesterday' is not a time", "epoch seconds"),
    "no time in a row": (f"time,flow\n{T0},1\n,1\n", "line 3", "no time in this row", "epoch"),
    "unsorted": (f"time,flow\n{T0 + 1},1\n{T0},1\n", "line 3", "goes back", "sort"),
    "time twice": (f"time,flow\n{T0},1\n{T0},1\n", "line 3", "comes again", "remove"),
    "unknown column": (f"time,flow,plc_flw\n{T0},1,1\n", "line 1", "'plc_flw'", "did you mean 'plc_flow'"),
    "unknown loop": (f"time,TB-09.flow\n{T0},1\n", "line 1", "'TB-09.flow'", "TB-07"),
    "text in a number column": (f"time,flow\n{T0},1\n{T0 + 1},Bad\n", "column 'flow'", "'Bad' is not a number", "empty"),
    "decimal comma": (f"time;flow\n{T0};1,5\n", "line 2, column 'flow'", "not a number", "decimal point"),
    "empty": ("", "export.csv", "empty", "header"),
    "header alone": ("time,flow\n", "export.csv", "no rows", "again"),
    "step too short": (f"time,flow\n{T0},1\n{T0}.05,1\n{T0}.1,1\n", "column 'time'", "0.05 s apart", "0.2 s"),
    "step too long": (f"time,flow\n{T0},1\n{T0 + 300},1\n", "column 'time'", "300 s apart", "60 s"),
    "no flow": (f"time,plc_flow\n{T0},1\n", "line 1", "no flow", "mass flow"),
    "time alone": (f"time,\n{T0},\n", "line 1", "no flow", "<loop>.flow"),
    "a column twice": (f"time,flow,flow\n{T0},1,1\n", "line 1", "more than once", "keep one"),
    "ragged": (f"time,flow\n{T0},1\n{T0 + 1},1,3,4\n", "export.csv", "not CSV as its header", "fields"),
    "one column": ("this is a letter\nto somebody\n", "line 1", "one column", "CSV"),
    "quality alone": (f"time,flow,speed.quality\n{T0},1,1\n", "line 1", "no column of values", "TB-07.speed"),
}  # fmt: skip


@pytest.mark.parametrize("kind", BAD_FILES)
def test_bad_file_gives_one_message_that_says_what_where_and_how_to_fix(tmp_path: Path, kind: str) -> None:
    text, where, what, fix = BAD_FILES[kind]
    with pytest.raises(DataFileError) as caught:
        read(write(tmp_path, text))
    assert "export.csv" in caught.value.where
    assert where in caught.value.where
    assert what in caught.value.what
    assert fix in caught.value.fix
    assert caught.value.fix


@pytest.mark.parametrize(
    ("name", "content", "what"),
    [
        ("export.parquet", b"time,flow\n1,2\n", "not a Parquet file"),
        ("export.parquet", b"PAR1 and then nothing", "damaged"),
        ("export.xlsx", b"PK\x03\x04....", "workbook"),
        ("export.csv.gz", b"\x1f\x8b....", "compressed"),
        ("export.csv", "time,flow\n1,2\n".encode("utf-16-le"), "neither CSV nor Parquet"),
        ("export.csv", "time,flow,größe\n1,2,3\n".encode("latin-1"), "not UTF-8"),
        ("export.csv", ("time,flow\n" + f"{T0},1\n" * 2 + f"{T0 + 2},ä\n").encode("latin-1"), "not UTF-8"),
    ],
)
def test_file_of_another_kind_is_named_for_what_it_is(tmp_path: Path, name: str, content: bytes, what: str) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(DataFileError, match=what):
        read(tmp_path / name)


def test_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(DataFileError, match="cannot be read"):
        read(tmp_path / "nowhere.csv")


def test_parquet_without_zone_names_its_row(tmp_path: Path) -> None:
    pd.DataFrame({"time": pd.to_datetime(["2027-01-15T09:00:00"]), "flow": [1.0]}).to_parquet(tmp_path / "export.parquet")
    with pytest.raises(DataFileError, match=r"row 1.*no zone"):
        read(tmp_path / "export.parquet")


def test_bare_role_in_a_site_of_two_loops_asks_which(tmp_path: Path) -> None:
    with pytest.raises(DataFileError, match=r"say which: TB-07\.flow"):
        read(write(tmp_path, f"time,flow\n{T0},1\n"), two_loops())


def test_hour_of_summer_time_may_change(tmp_path: Path) -> None:
    text = "time,flow\n2027-03-28T01:59:59+01:00,1\n2027-03-28T03:00:00+02:00,2\n"
    assert np.diff(read(write(tmp_path, text))["TB-07"].time_s).tolist() == [1]


def test_column_without_a_tag_is_read_and_said(tmp_path: Path) -> None:
    recording = open_recording(one_loop(), write(tmp_path, f"time,flow,loop_current\n{T0},1,12\n"))
    assert "loop_current" in recording.site.loops["TB-07"].tags
    assert any("no tag for it; read as mA" in said for said in recording.warnings)
    assert any("no column for plc_flow" in said for said in recording.warnings)


@pytest.mark.parametrize(
    ("end", "rows", "said"),
    [("\n", 5, False), ("", 5, False), ("\n1800000005,20", 5, True), ("\n1800000005,200,1", 6, False), ("\n18", 5, True)],
)
def test_line_that_is_cut_off_is_left_out_and_told(tmp_path: Path, end: str, rows: int, said: bool) -> None:
    """Half a number of a copy that was broken off would be read as a flow that never was."""
    path = tmp_path / "half.csv"
    text = "time,TB-07.flow,TB-07.plc_flow\n" + "\n".join(f"{1_800_000_000 + n},200,100" for n in range(5)) + end
    path.write_bytes(text.encode())
    recording = open_recording(one_loop(), path)
    samples = join([batch.samples["TB-07"] for batch in recording.batches() if "TB-07" in batch.samples])
    assert len(samples) == rows
    assert (samples.values["flow"] == 200.0).all()
    assert any("cut off" in warning for warning in recording.warnings) is said
