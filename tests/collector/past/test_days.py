"""A loop-day made ready by the child and taken by the service: the same as by the ordinary way, and whole after a kill."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from checks.blocks import ARRAYS
from checks.samples import Samples, join
from collector.history.bulk import import_samples
from collector.history.layout import Layout
from collector.history.sqlite import SqliteStore
from collector.past.judging import judge_day, judged_from, plain
from collector.past.preparing import LaidDay, prepare_day
from collector.past.taking import take_judged, take_laid
from collector.past.worker import answer, laid_from, laid_plain
from config.errors import DataFileError
from tests.collector.history.recorded import DAY, DAY_S, MIDNIGHT, assert_same, terminal
from tests.collector.past.conftest import Opener
from tests.crash.victim import steady

LOOP, NOW = "TB-07", MIDNIGHT + 3 * DAY_S


def recorded(folder: Path, samples: Samples) -> Path:
    """Samples as a recorded file, in canonical units."""
    tags = terminal().loops[LOOP].tags
    columns = {"time": pa.array(samples.time_s)} | {
        f"{LOOP}.{role}": pa.array(column) for role, column in samples.values.items() if role in tags
    }
    path = folder / "recorded.parquet"
    pq.write_table(pa.table(columns), path)
    return path


def day_of_samples(begin: int = MIDNIGHT + 3600, seconds: int = 7200) -> Samples:
    samples = steady(begin, seconds)
    tags = terminal().loops[LOOP].tags
    roles = [role for role in samples.values if role in tags]
    return Samples(
        loop=LOOP, time_s=samples.time_s, values={role: samples.values[role] for role in roles},
        quality={role: samples.quality[role] for role in roles}, flags=samples.flags,
    )  # fmt: skip


def prepared(tmp_path: Path, samples: Samples, *, minutes: bool = True) -> LaidDay:
    staging = tmp_path / "staging"
    staging.mkdir(exist_ok=True)
    return prepare_day(terminal(), recorded(tmp_path, samples), LOOP, DAY, staging, minutes=minutes)


def test_a_day_comes_out_as_an_import_would_have_stored_it(opened: Opener, tmp_path: Path) -> None:
    samples = day_of_samples()
    other, store = opened(folder=tmp_path / "other"), opened()
    import_samples(other, terminal(), LOOP, [samples], now=NOW)
    take_laid(store.state, Layout(tmp_path / "data"), prepared(tmp_path, samples))
    assert_same(join(list(store.scan(LOOP, 0, 2**40))), join(list(other.scan(LOOP, 0, 2**40))))
    for length in (60, 3600):
        ours, theirs = store.rollups(LOOP, length, 0, 2**40), other.rollups(LOOP, length, 0, 2**40)
        assert ours is not None
        assert theirs is not None
        last = min(len(ours), len(theirs))
        assert last >= 2
        for name in ARRAYS:
            np.testing.assert_array_equal(getattr(ours, name)[:last], getattr(theirs, name)[:last])


def test_rows_before_midnight_settle_the_begin_and_are_not_stored(opened: Opener, tmp_path: Path) -> None:
    store = opened()
    take_laid(store.state, Layout(tmp_path / "data"), prepared(tmp_path, day_of_samples(MIDNIGHT - 60, 4000)))
    assert store.extent(LOOP) == (MIDNIGHT, MIDNIGHT + 3940)
    minutes = store.rollups(LOOP, 60, 0, 2**40)
    assert minutes is not None
    assert minutes.start_s[0] == MIDNIGHT
    flow = minutes.of("mean", "flow")[0]
    assert minutes.own_t[0] == pytest.approx(flow / 60.0, rel=2e-3)  # none of the first minute's tonnes is lost


def test_what_is_older_than_minutes_are_kept_has_none(opened: Opener, tmp_path: Path) -> None:
    store = opened()
    take_laid(store.state, Layout(tmp_path / "data"), prepared(tmp_path, day_of_samples(), minutes=False))
    assert store.rollups(LOOP, 60, 0, 2**40) is None
    assert store.rollups(LOOP, 3600, 0, 2**40) is not None


def test_a_short_stretch_without_a_whole_hour_has_samples_and_no_rows(opened: Opener, tmp_path: Path) -> None:
    store = opened()
    take_laid(store.state, Layout(tmp_path / "data"), prepared(tmp_path, day_of_samples(seconds=1000), minutes=False))
    assert len(join(list(store.scan(LOOP, 0, 2**40)))) == 1000
    assert store.rollups(LOOP, 3600, 0, 2**40) is None


def test_a_kill_between_file_and_manifest_leaves_nothing_that_is_read_and_the_next_attempt_is_whole(
    opened: Opener, tmp_path: Path
) -> None:
    samples = day_of_samples()
    laid = prepared(tmp_path, samples)
    layout = Layout(tmp_path / "data")
    store = opened()
    place = layout.archive(LOOP, DAY)
    place.parent.mkdir(parents=True)
    place.write_bytes(laid.samples.read_bytes()[:1000])  # as far as a kill let it come
    assert list(store.scan(LOOP, 0, 2**40)) == []
    take_laid(store.state, layout, laid)
    take_laid(store.state, layout, prepared(tmp_path, samples))
    assert len(join(list(store.scan(LOOP, 0, 2**40)))) == len(samples)
    assert hashlib.sha256(place.read_bytes()).hexdigest() == laid.sealed.sha256


def test_the_child_answers_in_lines_that_carry_everything(opened: Opener, tmp_path: Path) -> None:
    store: SqliteStore = opened()
    staging = tmp_path / "staging"
    staging.mkdir()
    path = recorded(tmp_path, day_of_samples())
    order = {"do": "lay", "loop": LOOP, "day": DAY, "file": str(path)}
    said = json.loads(json.dumps(answer(order, terminal(), tmp_path / "data", staging)))
    laid = laid_from(said)
    assert laid_plain(laid) == said
    take_laid(store.state, Layout(tmp_path / "data"), laid)
    judged = judge_day(store, terminal(), LOOP, DAY)
    said = json.loads(json.dumps(answer({"do": "judge", "loop": LOOP, "day": DAY}, terminal(), tmp_path / "data", staging)))
    assert judged_from(said) == judged
    assert json.loads(json.dumps(plain(judged))) == said


def test_what_the_engine_tells_of_a_stored_day_becomes_alerts_of_that_day(opened: Opener, tmp_path: Path) -> None:
    store = opened()
    apart = day_of_samples(seconds=3600)
    apart.values["plc_flow"][1200:] *= 1.3
    take_laid(store.state, Layout(tmp_path / "data"), prepared(tmp_path, apart))
    judged = judge_day(store, terminal(), LOOP, DAY)
    assert next(change.kind for change in judged.changes) == "raised"
    new = take_judged(store.state, judged, told_by="somebody", told_after=600.0)
    assert new == len([change for change in judged.changes if change.kind == "raised"]) > 0
    assert take_judged(store.state, judged, told_by="somebody", told_after=600.0) == 0


@pytest.mark.parametrize("begin", [MIDNIGHT - 2 * DAY_S, MIDNIGHT + DAY_S])
def test_a_file_that_lacks_the_day_is_one_clear_message(begin: int, tmp_path: Path) -> None:
    with pytest.raises(DataFileError, match="holds nothing of"):
        prepared(tmp_path, day_of_samples(begin, 600))
