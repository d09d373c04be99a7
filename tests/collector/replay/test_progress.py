"""How far a replay is told: fractions, rates and time left of this run, in plain lines where nobody looks at a bar."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.clock import ManualClock
from collector.replay.notes import Notes
from collector.replay.progress import LINE_EVERY_S, Counter, Lines, Stand, duration


async def test_rate_and_time_left_are_of_this_run_only(tmp_path: Path) -> None:
    """A loop that was half done before: its first word is where it stood, and counts neither for the rate nor the time left."""
    clock, notes = ManualClock(), Notes(tmp_path)
    counter = Counter(notes, ["TB-07", "TB-08"], clock)
    assert counter.stand().words() == "0 %, 0 of 2 loops done"
    notes.tell("TB-07", 0.5, 43_200)
    counter.stand()
    await clock.advance(10.0)
    notes.tell("TB-07", 0.75, 64_800)
    stand = counter.stand()
    assert (stand.rate, stand.done) == (2160.0, 0.375)
    assert stand.left_s == pytest.approx(50.0)  # 1.25 loops at a quarter of a loop in 10 s
    assert stand.words() == "38 %, 0 of 2 loops done, 2,160 rows/s, 50 s left"
    counter.finish("TB-07")
    assert counter.stand().words().startswith("50 %, 1 of 2 loops done")


async def test_plain_line_comes_now_and_then_and_never_for_what_is_soon_over(capsys: pytest.CaptureFixture[str]) -> None:
    clock = ManualClock()
    lines = Lines("replay", clock)
    stand = Stand(done=0.5, finished=1, loops=2, rows=100, rate=10.0, left_s=7200.0)
    for _ in range(8):
        lines(stand)
        await clock.advance(LINE_EVERY_S / 4)
    lines(stand)
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.splitlines() == ["replay: 50 %, 1 of 2 loops done, 10 rows/s, 2.0 h left"] * 2


def test_damaged_note_is_left_out_and_a_new_run_forgets_the_old_ones(tmp_path: Path) -> None:
    notes = Notes(tmp_path)
    notes.tell("TB-07", 0.1, 10)
    (tmp_path / "TB-08.progress").write_text("[")
    notes.ask_to_stop()
    assert notes.progress() == {"TB-07": (0.1, 10)}
    assert notes.stop_wanted()
    notes.begin()
    assert notes.progress() == {}
    assert not notes.stop_wanted()
    assert Notes.of(str(tmp_path / "nowhere")) is None


@pytest.mark.parametrize(("seconds", "words"), [(40, "40 s"), (720, "12 min"), (12_600, "3.5 h"), (181_440, "2.1 days")])
def test_time_for_people(seconds: float, words: str) -> None:
    assert duration(seconds) == words
