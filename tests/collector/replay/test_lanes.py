"""Tags that come each in a file of its own, of which a recorder kept only what moved."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.signal import lfilter

from checks import kept
from checks.samples import BAD, Samples, join
from collector.cli import exits, main
from collector.replay.following import following
from collector.replay.lanes import Lane, LaneSource
from collector.replay.loop_run import LoopRun
from collector.replay.many import Lanes, lanes_of
from collector.replay.storing import lost, stored
from config.errors import TallywireError
from config.load import load_site
from config.model import RecordedTag, Site
from tests.collector.replay.plants import SITE, T0, flows, write_plant
from tests.collector.replay.recorders import by_exception, by_lines, write_tag
from tests.collector.replay.sites import loop

LOOP = "TB-07"


def terminal(folder: Path) -> Site:
    (folder / "site.yaml").write_text(SITE)
    return load_site(folder / "site.yaml").site


def all_of(found: Lanes | LaneSource, site: Site, begin: int = 0) -> Samples:
    source = found.source if isinstance(found, Lanes) else found
    return join([part.samples for part in source.parts(site, LOOP, begin)])


def two_files(
    folder: Path, rows: int = 900, deadband: float = 0.0, longest: float = 600.0, ratio: float = 1.0
) -> tuple[np.ndarray, np.ndarray]:
    """`TB-07.flow.csv` and `TB-07_plc_flow.csv` as a recorder by exception kept them; the flows as they were."""
    time = T0 + np.arange(float(rows))
    flow, shown = flows(rows, rows // 2, 7, ratio)
    for name, values in (("TB-07.flow", flow), ("TB-07_plc_flow", shown)):
        write_tag(folder / f"{name}.csv", *by_exception(time, values, deadband, longest))
    return flow, shown


@pytest.mark.parametrize("how", ["step", "line"])
def test_what_was_left_out_lies_within_the_deadband(tmp_path: Path, how: str) -> None:
    """Whatever a recorder of either kind leaves out, the grid differs from the truth by the deadband at most."""
    time = T0 + np.arange(900.0)
    flow, _ = flows(900, 900, 5)
    recorder = by_exception if how == "step" else by_lines
    times, values = recorder(time, flow, 3.0, 300.0)
    assert len(times) < 450
    write_tag(tmp_path / "TB-07.flow.csv", times, values)
    site = stored(terminal(tmp_path), [f"flow={how}:3 t/h:300 s"])
    found = lanes_of(site, [tmp_path / "TB-07.flow.csv"], {}, tmp_path)
    samples = all_of(found, found.site)
    rows = samples.time_s - T0
    assert np.abs(samples.values["flow"] - flow[rows]).max() <= kept.deadband(found.site.loops[LOOP], "flow") + 1e-9
    assert len(rows) >= int(times[-1]) - T0


def test_value_stands_no_longer_than_stated_and_a_bad_reading_ends_it(tmp_path: Path) -> None:
    path = write_tag(tmp_path / "TB-07.flow.csv", T0 + np.array([0.0, 10.0, 100.0, 110.0]), np.array([1.0, 2.0, np.nan, 4.0]))
    lane = Lane(role="flow", path=path, time="time", value="value", longest_s=30.0)
    samples = all_of(LaneSource(lanes={LOOP: (lane,)}, step_s=1), terminal(tmp_path))
    there = {int(second) - T0: value for second, value in zip(samples.time_s, samples.values["flow"], strict=True)}
    assert sorted(there) == [*range(40), 110]
    assert {there[second] for second in range(10)} == {1.0}
    assert {there[second] for second in range(10, 40)} == {2.0}
    assert (samples.quality["flow"] < BAD).all()
    assert samples.flags[:12].tolist() == [0, *[2] * 9, 0, 2]


def test_line_is_drawn_between_good_readings_only_and_not_over_a_longer_silence(tmp_path: Path) -> None:
    times = T0 + np.array([0.0, 10.0, 20.0, 30.0, 100.0])
    path = write_tag(tmp_path / "TB-07.flow.csv", times, np.array([0.0, 10.0, np.nan, 30.0, 100.0]))
    lane = Lane(role="flow", path=path, time="time", value="value", longest_s=30.0, line=True)
    samples = all_of(LaneSource(lanes={LOOP: (lane,)}, step_s=1), terminal(tmp_path))
    there = {int(second) - T0: value for second, value in zip(samples.time_s, samples.values["flow"], strict=True)}
    assert [there[second] for second in range(11)] == list(range(11))
    assert {there[second] for second in range(10, 20)} == {10.0}
    assert {there[second] for second in range(30, 60)} == {30.0}
    assert sorted(set(range(101)) - set(there)) == [*range(20, 30), *range(60, 100)]


def test_pieces_and_a_later_begin_give_the_same_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    two_files(tmp_path, 5000, 2.0)
    site = stored(terminal(tmp_path), ["flow=step:2 t/h:10 min", "plc_flow=step:2 t/h:10 min"])
    found = lanes_of(site, sorted(tmp_path.glob("*.csv")), {}, tmp_path)
    whole = all_of(found, found.site)
    monkeypatch.setattr("collector.replay.tables.ROWS", 37)
    monkeypatch.setattr("collector.replay.lanes.SPAN_S", 600)
    for begin in (0, T0 + 1, T0 + 2345, T0 + 4321):
        again, rest = all_of(found, found.site, begin), whole[slice(int(np.searchsorted(whole.time_s, begin)), None)]
        assert again.time_s.tobytes() == rest.time_s.tobytes()
        assert again.values["plc_flow"].tobytes() == rest.values["plc_flow"].tobytes()
        assert again.flags.tobytes() == rest.flags.tobytes()


def test_years_of_silence_are_a_gap_and_cost_nothing(tmp_path: Path) -> None:
    times = np.array([T0, T0 + 5.0, T0 + 3e8, T0 + 3e8 + 5.0])
    path = write_tag(tmp_path / "TB-07.flow.csv", times, np.arange(4.0))
    lane = Lane(role="flow", path=path, time="time", value="value", longest_s=10.0)
    samples = all_of(LaneSource(lanes={LOOP: (lane,)}, step_s=1), terminal(tmp_path))
    assert len(samples) == 15 + 6


def test_files_are_named_by_header_stem_or_map_and_read_as_they_come(tmp_path: Path) -> None:
    """A contract file by its stem, an export with a decimal comma by its header, a third by the map."""
    site = terminal(tmp_path)
    write_tag(tmp_path / "tb-07 flow.csv", T0 + np.arange(60.0), np.arange(60.0))
    stamps = pd.to_datetime(T0 + np.arange(60), unit="s").strftime("%d.%m.%Y %H:%M:%S")
    (tmp_path / "b.csv").write_text("Zeit;TB-07.plc_flow [t/h]\n" + "".join(f"{s};{i},5\n" for i, s in enumerate(stamps)))
    write_tag(tmp_path / "WT4711.csv", T0 + np.arange(60.0), np.full(60, 1.9))
    places = [tmp_path / "tb-07 flow.csv", tmp_path / "b.csv", tmp_path / "WT4711.csv"]
    names = {"WT4711": "TB-07.speed", "TB-07.plc_flow [t/h]": "TB-07.plc_flow"}
    found = lanes_of(site, places, names, tmp_path)
    samples = all_of(found, found.site)
    assert set(samples.values) == {"flow", "plc_flow", "speed"}
    assert samples.values["plc_flow"][:3].tolist() == [0.5, 1.5, 2.5]
    assert "stands at most three times" in " ".join(found.notes)
    assert "TB-08: no column in the files" in " ".join(found.notes)


def test_twice_the_same_tag_no_flow_and_no_tag_at_all_are_told(tmp_path: Path) -> None:
    site = terminal(tmp_path)
    one = write_tag(tmp_path / "TB-07.flow.csv", T0 + np.arange(60.0), np.arange(60.0))
    two = write_tag(tmp_path / "more.csv", T0 + np.arange(60.0), np.arange(60.0), "TB-07.flow")
    plc = write_tag(tmp_path / "TB-07.plc_flow.csv", T0 + np.arange(60.0), np.arange(60.0))
    odd = write_tag(tmp_path / "WT4711.csv", T0 + np.arange(60.0), np.arange(60.0))
    for places, words in (([one, two], "comes twice"), ([plc], "has no flow"), ([one, odd], "no tag of the site by the name")):
        with pytest.raises(TallywireError, match=words):
            lanes_of(site, places, {}, tmp_path)
    with pytest.raises(TallywireError, match="no tag of the site"):
        lanes_of(site, [one, odd], {"WT4711": "TB-99.flow"}, tmp_path)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("flow", "does not say"), ("flow=hold", "does not say"), ("flow=step:3", "t/h"), ("flow=step:3 t", "t/h"),
        ("flow=step:-1 t/h", "below zero"), ("flow=step:1 t/h:0 s", "no time"), ("flow=step:1 t/h:5", "s"),
        ("flux=step", "no tag"), ("TB-99.flow=step", "no tag"), ("speed=step:1 %", "of what"), ("a=b:c:d:e", "does not say"),
        ("ai_raw=step:x", "count"), ("drive_running=step:x", "no number"),
    ],
)  # fmt: skip
def test_what_cannot_be_said_of_a_recorder_is_told_in_one_message(tmp_path: Path, said: str, words: str) -> None:
    with pytest.raises(TallywireError) as caught:
        stored(terminal(tmp_path), [said])
    assert words in str(caught.value)
    assert "--kept" in caught.value.where


def test_percent_is_of_the_range_and_what_is_lost_is_said(tmp_path: Path) -> None:
    site = stored(terminal(tmp_path), ["TB-07.flow=step:0.5 %:15 min", "plc_flow=line:0.36 kg/s"])
    loop = site.loops[LOOP]
    assert kept.deadband(loop, "flow") == pytest.approx(2.1)
    assert kept.deadband(site.loops["TB-08"], "plc_flow") == pytest.approx(1.296)
    assert kept.deadband(site.loops["TB-08"], "flow") == 0.0
    said = list(lost(site))
    assert len(said) == 3
    assert "within 2.1 t/h of it: standard uncertainty 1.2 t/h, 0.29 % of span (rectangular), part of U" in said[0]
    assert "no value stands longer than 900 s" in said[0]


def test_replay_of_files_by_exception_finds_what_is_wrong_and_nothing_else(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A deadband of 1 t/h at both ends: the sound loop is sound, the 12 % are found; the report says what was lost."""
    for ratio, code in ((1.0, exits.NO_FINDING), (1.12, exits.FINDINGS)):
        folder = tmp_path / str(code)
        folder.mkdir()
        terminal(folder)
        two_files(folder, 2400, 1.0, ratio=ratio)
        arguments = ["replay", str(folder / "site.yaml"), "--data", str(folder / "*.csv")]
        arguments += ["--kept", "flow=step:1 t/h:10 min", "--kept", "plc_flow=step:1 t/h:10 min"]
        assert main.main(arguments) == code
        shown = capsys.readouterr().out
        assert max(map(len, shown.splitlines())) <= 80
        assert "standard uncertainty 0.58 t/h, 0.14 % of span (rectangular)" in re.sub(r"\s+", " ", shown)


def test_wide_file_of_changes_is_held_and_an_empty_pattern_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One file, empty cells where nothing was stored; held for as long as was said."""
    site, _ = write_plant(tmp_path, 60)
    time = T0 + np.arange(900.0)
    flow, _ = flows(900, 900, 7)
    frame = pd.DataFrame({"time": time, "TB-07.flow": np.nan, "TB-07.plc_flow": np.nan})
    for column, seed in (("TB-07.flow", 0), ("TB-07.plc_flow", 3)):
        times, values = by_exception(time, np.roll(flow, seed) if seed < 0 else flow, 1.0, 60.0)
        frame.loc[(times - T0).astype(int), column] = values
    frame.dropna(how="all", subset=["TB-07.flow", "TB-07.plc_flow"]).to_csv(tmp_path / "wide.csv", index=False)
    arguments = ["replay", str(site), "--data", str(tmp_path / "wide.csv"), "--kept", "flow=step:1 t/h:60 s"]
    assert main.main([*arguments, "--kept", "plc_flow=step:1 t/h:60 s"]) == exits.NO_FINDING
    assert "samples of 1 s" in capsys.readouterr().out
    assert main.main(["replay", str(site), "--data", str(tmp_path / "*.xyz")]) == exits.BAD_INPUT
    assert "no file fits" in capsys.readouterr().err


def test_files_that_follow_each_other_are_one_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Three files of one recording in any order, of which one lacks a tag, say what the whole file says; an overlap is told."""
    site, data = write_plant(tmp_path, 1500)
    frame = pd.read_parquet(data)
    frame["TB-07.speed"] = 1.9
    whole, parts = tmp_path / "whole.parquet", tmp_path / "parts"
    parts.mkdir()
    frame.to_parquet(whole)
    for name, rows in (("c", slice(0, 500)), ("a", slice(500, 900)), ("b", slice(900, 1500))):
        frame[rows].to_parquet(parts / f"{name}.parquet")
    reports = []
    for number, place in enumerate((whole, parts / "*.parquet")):
        out = tmp_path / f"{number}.json"
        assert main.main(["replay", str(site), "--data", str(place), "--json", str(out)]) in (exits.FINDINGS, exits.NO_FINDING)
        reports.append(out.read_bytes())
    assert reports[0] == reports[1]
    found = following(load_site(site).site, sorted(parts.glob("*.parquet")), {})
    assert found is not None
    later = join([part.samples for part in found.source.parts(found.site, LOOP, T0 + 950)])
    assert later.time_s.tolist() == list(range(T0 + 950, T0 + 1500))
    frame[400:600].to_parquet(parts / "d.parquet")
    assert main.main(["replay", str(site), "--data", str(parts / "*.parquet")]) == exits.BAD_INPUT
    assert "begins before" in capsys.readouterr().err
    (parts / "d.parquet").unlink()
    frame.drop(columns="TB-07.speed")[900:1500].to_parquet(parts / "b.parquet")
    found = following(load_site(site).site, sorted(parts.glob("*.parquet")), {})
    assert found is not None
    lacking = join([part.samples for part in found.source.parts(found.site, LOOP, 0)])
    assert np.isfinite(lacking.values["speed"]).sum() == 900
    assert (lacking.quality["speed"][900:] == BAD).all()


@pytest.mark.parametrize(("ratio", "links"), [(1.0, set()), (1.03, {"scaling-block"})])
def test_filter_that_nobody_declared_is_not_taken_for_a_slope_in_what_a_recorder_kept(ratio: float, links: set[str]) -> None:
    """A filter of 30 s at the far side, both ends stored at changes of 1 t/h: late, yes; another slope only where there is one."""
    random, rows = np.random.default_rng(3), 5400
    walk = lfilter([math.sqrt(1.0 - 0.9917**2)], [1.0, -0.9917], random.normal(0.0, 45.0, rows))
    flow = np.clip(220.0 + walk, 5.0, 410.0) + random.normal(0.0, 1.0, rows)
    keep = math.exp(-1.0 / 30.0)
    shown = lfilter([1.0 - keep], [1.0, -keep], flow - flow[0]) + flow[0]
    shown = shown * np.where(np.arange(rows) < rows // 2, 1.0, ratio)
    time, values = np.arange(float(rows)), {}
    for role, column in (("flow", flow), ("plc_flow", shown)):
        times, kept_values = by_exception(time, column, 1.0, 600.0)
        values[role] = kept_values[np.searchsorted(times, time, side="right") - 1]
    step = RecordedTag(stored="step", deadband=1.0, longest=600.0)
    site = Site.model_validate({"schema": 1, "site": "terminal", "loops": {LOOP: loop({"flow": {}, "plc_flow": {}})}})
    site = site.model_copy(update={"loops": {LOOP: site.loops[LOOP].model_copy(update={"tags": dict.fromkeys(values, step)})}})
    run = LoopRun(site, LOOP)
    quality = {role: np.zeros(rows, np.uint8) for role in values}
    seconds = np.arange(T0, T0 + rows, dtype=np.int64)
    run.push(Samples(loop=LOOP, time_s=seconds, values=values, quality=quality, flags=np.zeros(rows, np.uint8)))
    found = [item.finding for item in run.told() if item.finding.cause != "extra-filter"]
    assert {finding.link.value for finding in found} == links


def test_files_of_changes_that_nobody_declared_come_with_the_words_that_declare_them(tmp_path: Path) -> None:
    site = terminal(tmp_path)
    two_files(tmp_path, rows=3000, deadband=2.0)
    places = sorted(tmp_path.glob("*.csv"))
    (said,) = (note for note in lanes_of(site, places, {}, tmp_path).notes if "--kept TB-07" in note)
    options = [
        f"{role}=step:{width}:{longest}" for role, width, longest in re.findall(r"--kept (\S+)=step:'(.*?)':'(.*?)'", said)
    ]
    assert {option.partition("=")[0] for option in options} == {"TB-07.flow", "TB-07.plc_flow"}
    declared = stored(site, options)
    for role in ("flow", "plc_flow"):
        tag = declared.loops[LOOP].tags[role]
        assert isinstance(tag, RecordedTag)
        assert 2.0 <= tag.deadband < 3.5  # a stored change is at least the deadband
    assert not any("--kept TB-07" in note for note in lanes_of(declared, places, {}, tmp_path).notes)


def test_files_of_every_reading_are_not_taken_for_changes(tmp_path: Path) -> None:
    time = T0 + np.arange(3000.0)
    for role, values in zip(("flow", "plc_flow"), flows(3000, 3000, 7), strict=True):
        write_tag(tmp_path / f"TB-07.{role}.csv", time, values)
    found = lanes_of(terminal(tmp_path), sorted(tmp_path.glob("*.csv")), {}, tmp_path)
    assert not any("only changes" in note for note in found.notes)
