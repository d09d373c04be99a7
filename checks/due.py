"""Which blocks are judged: those whose picture has changed of late, and one in five minutes, or two a day where all is quiet.

A block whose picture is that of the blocks before it can say nothing new but for what takes long stretches to see, and that is
asked at the beat. The picture is a row of small integers (`checks.picture`): which readings are there, in which band each level
lies, what stands still, what the belt does. Beside it stand the looks that say which way a line, the flow against the counts
or a total leans. A belt that starts or stops as belts do is judged once, when it has settled. Live and replay judge the same
blocks, so they tell the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from checks.blocks import Blocks
from checks.derived import EXPECTED, can_expect
from checks.leaning import BRIEF, Leaning
from checks.lines import Line, Rows, Scale, chain, rows_of_lines
from checks.picture import Picture
from checks.result import Link
from checks.stretches import EmptyStretch
from checks.totals_lean import TotalsLean
from checks.window import LedgerEntry
from checks.zero_lean import ZeroLean
from config.model import Loop

Codes = NDArray[np.int8]

BEAT_S = 300
"""A block that ends here on the clock is judged whatever its picture says, while something is not quiet [s]."""
LEANT_BEAT_S = 600
"""The same while something goes on leaning as it has for QUIET_S, or time and again [s]."""
QUIET_BEAT_S = 43_200
"""The same while nothing has changed and nothing has leant for QUIET_S [s]."""
QUIET_S = 900
EACH_S, HOLD_S = 60, 180
"""How long after a change every block is judged, and how long those that end at steps of STANDING_S: longer than any check of
the last minutes looks back [s]."""
SETTLED_S = 120
"""The one block that is judged so long after the belt began to do something else [s]."""
AGAIN_S, SOON_S = 43_200, 21_600
"""A belt that goes on stopping and starting is judged for it no sooner than so long after the last time that it was or the
beat fell, and the beat of a quiet loop falls out so soon behind that [s]."""
AWAKE_S = 600
"""How long after the last finding blocks are judged at the steps of a finding that stands: its return is told in time [s]."""
STANDING_S = 30
"""While what is told stays the same, a block that ends here on the clock is judged: as often as a line is fitted anew [s]."""
LONG = ((86_400, 3600), (7200, 600), (1200, 300))
"""What has been told for so long is judged at steps of so much, unless a line that it may be of leans no longer [s]."""
NEWS_S, FRESH_S = 120, 360
"""How long after what is told has changed every block is judged, and how long those that end at steps of STANDING_S: longer than
a finding stands before it is raised, named, refined or gone [s]."""
PRESSING_S = 30
"""How long after a line began to lean every block is judged, and the fit of the line asked anew [s]."""
AGAIN_LEANT_S = 1800
"""What leans again so soon after it leant no longer has only moved about its limit [s]."""
REST_ROWS = 6
"""Rows without a lean after which a line is at rest."""
BELT = frozenset({"belt-stop", "belt-start"})
"""Events that the picture of the belt tells too."""
NEVER = -(2**62)


class Due:
    """Says of each block of one loop whether it is judged. The chunks in which the blocks come do not matter."""

    def __init__(self, loop: Loop, known_s: Sequence[int] = ()) -> None:
        """`known_s` are moments [epoch s] at which something will be known that no sample shows: a lot that was weighed."""
        self._picture = Picture(loop)
        suspect = loop.limits.link.suspect / 100.0
        self._loop, self._chain = loop, chain(loop)
        self.links = frozenset(line.link for line in self._chain)
        """Links at which a line can rest."""
        self._counts = [_counts_line(loop)] if can_expect(loop) else []
        limits = [suspect] * len(self._chain) + [loop.limits.counts_to_flow.suspect / 100.0] * len(self._counts)
        self._lines = Leaning([*self._chain, *self._counts], loop, limits)
        self._totals, self._zero = TotalsLean(loop), ZeroLean(loop)
        self._top = loop.gauge.range.high
        self._before: Codes | None = None
        self._last: dict[str, NDArray[np.int64]] = {}
        self._spaced_s = NEVER
        self._waiting = list(known_s)
        self._leans: dict[int, int] = {}
        self._gone: dict[tuple[int, int], int] = {}
        self._is_news: dict[int, bool] = {}
        self.rows: dict[Line, Rows] = {}
        """Rows of the lines of the chain in the blocks of the last `push`."""
        self.pressing: frozenset[int] = frozenset()
        """Begins of the blocks of the last `push` before which a line began to lean so lately that it must be asked anew."""
        self.at_rest: frozenset[int] = frozenset()
        """Begins of the blocks of the last `push` before which no line has leant for a minute under load."""
        self.calm: frozenset[int] = frozenset()
        """Begins of the blocks of the last `push` that are judged although all is quiet: the belt has settled, or for the beat."""
        self.upright: frozenset[int] = frozenset()
        """Begins of the blocks of the last `push` that are judged though nothing has leant for HOLD_S: lines and totals are asked
        seldom there."""
        self.by_beat: frozenset[int] = frozenset()
        """Begins of the blocks of the last `push` that are judged for no more than that the beat falls into them."""
        self.by_line: tuple[tuple[Link, frozenset[int]], ...] = ()
        """Begins of the blocks of the last `push` that are judged for no more than that a line leant or leant no longer, by link."""

    def push(
        self, blocks: Blocks, events: Sequence[LedgerEntry] = (), empties: Sequence[EmptyStretch] = ()
    ) -> NDArray[np.bool_]:  # fmt: skip
        """Whether each block is judged, shape (B,); `events` are what the event ledger noted since the last call, `empties` the
        stretches of empty belt that these blocks made known.

        Those that are judged for lines alone are also in `by_line`.
        """
        starts, ends = blocks.start_s, blocks.start_s + blocks.length_s
        self._waiting += [entry.time_s for entry in events if entry.kind not in BELT]
        if not len(blocks):
            self.pressing = self.at_rest = self.upright = self.calm = self.by_beat = frozenset()
            self.by_line, self.rows = (), {}
            return np.zeros(0, np.bool_)
        picture, belt = self._picture.of(blocks)
        rows = rows_of_lines([*self._chain, *self._counts], blocks, self._loop)
        self.rows = dict(zip(self._chain, rows, strict=False))
        codes = self._lines.push(rows)
        lines = codes[: len(self._chain)]
        beside = [self._totals.push(blocks), self._zero.push(empties, ends), *(each[:, BRIEF:] for each in codes[len(lines) :])]
        leans = np.concatenate([*beside, *lines], axis=1)
        moved_picture, moved_belt, moved_leans = self._moved([picture, belt, leans])
        news = self._news(moved_leans, leans, starts)
        width = sum(part.shape[1] for part in beside)
        leant_beside = np.asarray((news & (leans != 0))[:, :width].any(axis=1))
        moved_lines = np.split(news[:, width:], len(lines), axis=1) if lines else []
        drawn = np.asarray(moved_picture.any(axis=1) | self._happened(blocks))
        drawn[0] |= not self._last
        with np.errstate(invalid="ignore"):
            beyond = blocks.of("maximum", "flow") > self._top
        told = _any([*beside, *(each[:, BRIEF:] for each in lines)], len(blocks))
        fresh = _any([news[:, :width], *(each[:, BRIEF:] for each in moved_lines)], len(blocks))
        since_loud = self._since("loud", drawn | beyond | leant_beside | fresh, starts)
        quiet = (since_loud >= QUIET_S) & (self._since("told", told, starts) >= QUIET_S)
        leaning = (blocks.state("loaded") < blocks.length_s) | _any(lines, len(blocks))
        since_lean = self._since("leaning", leaning, starts)
        self.at_rest = frozenset(starts[since_lean >= REST_ROWS * blocks.length_s].tolist())
        since_any = self._since("leant", np.asarray((leans != 0).any(axis=1)), starts)
        stepped = ends // STANDING_S != starts // STANDING_S
        step = np.where(since_loud < QUIET_S, BEAT_S, LEANT_BEAT_S)
        beat = ~quiet & (ends // step != starts // step)
        due = _held(self._since("drawn", drawn, starts), stepped)
        due |= self._since("beside", leant_beside, starts) < PRESSING_S
        since_belt = self._since("belt", np.asarray(moved_belt.any(axis=1)), starts)
        settled = since_belt // blocks.length_s == SETTLED_S // blocks.length_s
        settled, seldom = self._spaced(settled, quiet & (ends // QUIET_BEAT_S != starts // QUIET_BEAT_S), starts)
        beat |= seldom
        asked, pressing = np.zeros(len(blocks), np.bool_), np.zeros(len(blocks), np.bool_)
        by_line: list[tuple[Link, frozenset[int]]] = []
        if lines:
            begun = np.stack([(moved & (each != 0)).any(axis=1) for moved, each in zip(moved_lines, lines, strict=True)])
            changed = np.stack([moved[:, BRIEF:].any(axis=1) for moved in moved_lines])
            pressed = self._since("begun", begun, starts) < PRESSING_S
            here = pressed | _held(self._since("changed", changed, starts), stepped)
            by_line = [
                (line.link, frozenset(starts[mine].tolist())) for line, mine in zip(self._chain, here & ~due, strict=True)
            ]
            asked, pressing = np.asarray(here.any(axis=0)), np.asarray(pressed.any(axis=0))
        self.by_line, self.pressing = tuple(by_line), frozenset(starts[pressing].tolist())
        self.calm = frozenset(starts[(settled | beat) & quiet & ~due & ~asked].tolist())
        self.by_beat = frozenset(starts[beat & ~due & ~asked].tolist())
        judged = np.asarray(beat | due | asked | settled)
        self.upright = frozenset(starts[judged & (since_any >= HOLD_S)].tolist())
        return judged

    def _moved(self, codes: Sequence[Codes]) -> list[NDArray[np.bool_]]:
        """Where each part of the codes differs from the block before."""
        whole = np.concatenate(codes, axis=1)
        before = whole[:1] if self._before is None else self._before[None, :]
        self._before = whole[-1]
        moved = np.diff(np.concatenate([before, whole]), axis=0) != 0
        return np.split(moved, np.cumsum([part.shape[1] for part in codes])[:-1], axis=1)

    def _news(self, moved: NDArray[np.bool_], codes: Codes, starts: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Where a lean begins that was not there of late, or one of these ends; what comes and goes about a limit is no news."""
        out = np.zeros_like(moved)
        for row, column in np.argwhere(moved).tolist():
            code, before = int(codes[row, column]), self._leans.get(column, 0)
            if before:
                out[row, column] = self._is_news.get(column, True)
                self._gone[column, before] = int(starts[row])
            if code:
                fresh = int(starts[row]) - self._gone.get((column, code), NEVER) > AGAIN_LEANT_S
                out[row, column] |= fresh
                self._is_news[column] = fresh
            self._leans[column] = code
        return out

    def _since(self, name: str, here: NDArray[np.bool_], starts: NDArray[np.int64]) -> NDArray[np.int64]:
        """Seconds from the newest block up to each for which `here`, shape (..., B), holds to its begin; the same shape."""
        begins = np.where(here, starts, np.int64(NEVER))
        begins[..., 0] = np.maximum(begins[..., 0], self._last.get(name, NEVER))
        newest = np.maximum.accumulate(begins, axis=-1)
        self._last[name] = newest[..., -1]
        return np.asarray(starts - newest)

    def _spaced(
        self, settled: NDArray[np.bool_], seldom: NDArray[np.bool_], starts: NDArray[np.int64]
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Blocks for a belt that has settled and for the beat, without those that come too soon behind one of them."""
        settled, seldom, last = settled.copy(), seldom.copy(), self._spaced_s
        for row in np.flatnonzero(settled | seldom).tolist():
            passed = int(starts[row]) - last
            settled[row] &= passed >= AGAIN_S
            seldom[row] &= passed >= SOON_S
            last = int(starts[row]) if settled[row] or seldom[row] else last
        self._spaced_s = last
        return settled, seldom

    def _happened(self, blocks: Blocks) -> NDArray[np.bool_]:
        """Blocks in which something was noted that the picture does not show, shape (B,)."""
        out = np.zeros(len(blocks), np.bool_)
        times = np.asarray(self._waiting, np.int64)
        rows = np.searchsorted(blocks.start_s, times, side="right") - 1
        out[rows[(rows >= 0) & (times < blocks.start_s[rows] + blocks.length_s)]] = True
        self._waiting = times[times >= blocks.start_s[-1] + blocks.length_s].tolist()
        return out


def _held(since: NDArray[np.int64], stepped: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Blocks that are judged for a change so long ago [s]: all at first, then those at the steps of the clock, shape (B,)."""
    return np.asarray((since < EACH_S) | (stepped & (since < HOLD_S)))


def _any(codes: Iterable[NDArray[np.generic]], rows: int) -> NDArray[np.bool_]:
    """Blocks in which one of these codes is not 0, shape (B,)."""
    out = np.zeros(rows, np.bool_)
    for part in codes:
        out |= (part != 0).any(axis=1)
    return out


def _counts_line(loop: Loop) -> Line:
    """The flow that counts and speed demand, against the gauge's own."""
    scale = loop.gauge.range
    return Line(
        link=Link.LOAD, covers=(Link.LOAD,), label="counts to flow", words="gauge", unit="t/h", x_role=EXPECTED, y_role="flow",
        x=Scale(), y=Scale(), low=scale.low, high=scale.high,
    )  # fmt: skip
