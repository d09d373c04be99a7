"""A replay that is broken off goes on where it was, and ends with the same bytes; a book that does not fit is refused."""

from __future__ import annotations

import os
import pickle
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest

from collector.cli import exits, main
from collector.replay.book import Begun, opened, program
from collector.replay.doing import Job, Means, outcome_of, replay_all
from collector.replay.loop_run import LoopRun, parts_of
from collector.replay.notes import Notes
from collector.replay.report import to_bytes
from collector.replay.states import MAGIC, from_bytes, save
from collector.replay.states import to_bytes as to_state
from collector.replay.work import Part, Source, Task, work
from config.errors import DataFileError, TallywireError
from config.model import Site
from tests.checks.runs_of_terminal import run_of, terminal
from tests.collector.replay.plants import job_of, write_plant

LOOP = "TB-07"


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Job:
    return job_of(tmp_path_factory.mktemp("plant"))


@dataclass(frozen=True)
class StoppedAt:
    """A source behind which somebody asks to stop, once a row is passed."""

    source: Source
    notes: Notes
    row: int

    def of(self, loop: str) -> Source:
        return self

    def parts(self, site: Site, loop: str, begin: int) -> Iterator[Part]:
        passed = 0
        for part in self.source.parts(site, loop, begin):
            for first in range(0, len(part.samples), 600):
                piece = part.samples[slice(first, first + 600)]
                passed += len(piece)
                if passed >= self.row:
                    self.notes.ask_to_stop()
                yield Part(piece, part.begun, part.done)


def test_stopped_and_gone_on_is_the_same_to_the_byte(job: Job, tmp_path: Path) -> None:
    """Stopped inside the finding, twice, the rest judged from the kept state; what came before is not read again."""
    task = Task(site=job.site, loop=LOOP, source=job.source, site_sha256=job.site_sha256)
    whole = work(task)
    assert len(whole.outcome.findings) == 1
    notes = Notes(tmp_path)
    told = []
    for row in (1200, 600):
        notes.begin()
        stopped = work(replace(task, source=StoppedAt(job.source, notes, row), folder=str(tmp_path), keep=True))
        assert stopped.stopped
        told.append(stopped.end)
    assert [end - (whole.begin or 0) for end in told if end is not None] == [1200, 1800]
    notes.begin()
    again = work(replace(task, folder=str(tmp_path), keep=True))
    assert repr(again) == repr(whole)
    assert not notes.state(LOOP).exists()
    assert repr(work(replace(task, folder=str(tmp_path), keep=True, source=Nothing()))) == repr(whole)  # kept, not done again


class Nothing:
    """A source that must not be asked."""

    def of(self, loop: str) -> Source:
        return self

    def parts(self, site: Site, loop: str, begin: int) -> Iterator[Part]:
        raise AssertionError("a loop that is done is read again")


BEGUN = Begun(what="replay", site_sha256="ab", data=("a 1",), loops=("TB-07",), program=program())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"site_sha256": "cd"}, "another site file"), ({"data": ("a 2",)}, "other data"), ({"loops": ("TB-08",)}, "other loops"),
        ({"program": "0.0.1"}, "another version of Tallywire"), ({"what": "replay 0 5"}, "another question"),
    ],
)  # fmt: skip
def test_book_of_something_else_is_refused_and_left_alone(tmp_path: Path, change: dict[str, Any], words: str) -> None:
    book = tmp_path / "book"
    with opened(book, BEGUN) as notes:
        notes.state(LOOP).write_bytes(b"kept")
    with opened(book, BEGUN):
        pass
    with pytest.raises(TallywireError, match=words), opened(book, replace(BEGUN, **change)):
        pass
    assert (book / "TB-07.state").read_bytes() == b"kept"
    assert os.name != "posix" or book.stat().st_mode & 0o077 == 0


def test_folder_that_is_no_book_is_refused(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("dear")
    for folder, words in (
        (tmp_path, "other things"),
        (tmp_path / "letter.txt", "a file"),
        (Path("/proc/book"), "cannot be written"),
    ):
        with pytest.raises(TallywireError, match=words), opened(folder, BEGUN):
            pass


def test_damaged_book_and_two_replays_in_one_book_are_refused(tmp_path: Path) -> None:
    with (
        opened(tmp_path / "book", BEGUN),
        pytest.raises(TallywireError, match="another replay"),
        opened(tmp_path / "book", BEGUN),
    ):
        pass
    (tmp_path / "book" / "book.json").write_text("{")
    with pytest.raises(TallywireError, match="damaged"), opened(tmp_path / "book", BEGUN):
        pass


class Bomb:
    """What a pickle from elsewhere could hold."""

    def __reduce__(self) -> tuple[object, ...]:
        return os.system, ("touch /tmp/never",)


def test_state_from_elsewhere_runs_nothing(job: Job, tmp_path: Path) -> None:
    import pyarrow as pa

    for kept in (Bomb(), print, os.path.join, {"a": eval}, LoopRun.push):
        plain = pickle.dumps(kept)
        raw = MAGIC + len(plain).to_bytes(8, "big") + pa.compress(plain, codec="zstd", asbytes=True)
        with pytest.raises(ValueError, match=r"no part of a state|something else"):
            from_bytes(raw, LoopRun, parts_of(job.site, LOOP))
    path = tmp_path / "TB-07.state"
    save(path, LoopRun(job.site, LOOP), parts_of(job.site, LOOP))
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(DataFileError, match="cannot be gone on from"):
        work(Task(site=job.site, loop=LOOP, source=job.source, folder=str(tmp_path), keep=True))


@pytest.mark.crash
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_interrupted_command_goes_on_from_its_book(
    tmp_path: Path, how: signal.Signals, capsys: pytest.CaptureFixture[str]
) -> None:
    """Ctrl-C ends with 130 behind a kept state; after a kill the same command ends with the same report as one go."""
    site, data = write_plant(tmp_path, 2400)
    book, out = tmp_path / "book", tmp_path / "out.json"
    arguments = ["replay", str(site), "--data", str(data), "--json", str(out), "--resume", str(book), "--loop", LOOP]
    begun = subprocess.Popen([sys.executable, "-P", "-m", "collector", *arguments], stderr=subprocess.PIPE, text=True)
    while not (book / "TB-07.progress").exists() and begun.poll() is None:
        time.sleep(0.02)
    begun.send_signal(how)
    said = begun.communicate()[1]
    assert not out.exists()
    if how is signal.SIGINT:
        assert begun.returncode == exits.INTERRUPTED
        assert f"kept in {book}: the same command goes on" in said
        assert "Traceback" not in said
        assert (book / "TB-07.state").exists()
    program.cache_clear()
    assert main.main(arguments) == exits.FINDINGS
    first = out.read_bytes()
    assert main.main(arguments) == exits.FINDINGS  # everything is there already
    assert out.read_bytes() == first
    if how is signal.SIGKILL:
        assert main.main([*arguments[:6], "--loop", LOOP]) == exits.FINDINGS  # without a book
        assert out.read_bytes() == first
    capsys.readouterr()


def test_replay_with_a_book_says_the_same(job: Job, tmp_path: Path) -> None:
    small = replace(job, end=1_800_000_900)
    with_book, without = (replay_all(small, Means(book=book)) for book in (tmp_path / "book", None))
    assert to_bytes(outcome_of(small, with_book)) == to_bytes(outcome_of(small, without))
    assert outcome_of(small, without).end == 1_800_000_900


def test_state_of_a_loop_with_every_tag_and_a_fault_goes_on_to_the_byte() -> None:
    """Whatever the engine and its checks keep: written, read back, and gone on from it says what the one without a break says."""
    samples = run_of("TB-07", 0.25, seed=5, faults=["upper-range"])
    plain, broken = LoopRun(terminal(), LOOP), LoopRun(terminal(), LOOP)
    for first in range(0, len(samples), 450):
        plain.push(samples[slice(first, first + 450)])
        broken.push(samples[slice(first, first + 450)])
        broken = from_bytes(to_state(broken, broken.named()), LoopRun, parts_of(terminal(), LOOP))
    assert plain.told()
    assert repr(broken.done()) == repr(plain.done())
