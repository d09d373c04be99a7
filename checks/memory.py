"""What the checks of one loop look back on: samples, blocks of three lengths, events, settings; and the window of any moment."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from checks.blocks import ARRAYS, STATES, Blocks
from checks.changing import changed, newest
from checks.line_rows import KeptRows, LineRows
from checks.lines import Line, Rows
from checks.references import references_of
from checks.ring import Ring
from checks.samples import Samples
from checks.seconds import Seconds
from checks.stretches import EmptyStretch
from checks.window import LedgerEntry, Window
from config.model import Site
from config.roles import ROLES, Kind

DAY_S = 86400
KEPT_SAMPLES_S = 2 * 3600
KEPT_BLOCKS_S, KEPT_MINUTES_S, KEPT_HOURS_S = DAY_S, 14 * DAY_S, 400 * DAY_S
KEPT_LEDGER = 2000


class Memory:
    """Remembers what was pushed, as far back as the checks look.

    Parameters
    ----------
    site, loop_id
        The site in force and the loop.
    shape : Blocks
        Blocks without rows, of the kind that will be kept.
    roles : sequence of str
        The roles of the samples that will come.
    """

    def __init__(self, site: Site, loop_id: str, shape: Blocks, roles: Sequence[str]) -> None:
        self._site, self._loop_id, self._loop = site, loop_id, site.loops[loop_id]
        self._shape, self._roles = shape, tuple(roles)
        self.length_s = shape.length_s
        self._seconds = Seconds(loop_id, roles, shape.step_s, KEPT_SAMPLES_S // shape.step_s)
        self._rings = {shape.length_s: Ring(KEPT_BLOCKS_S // shape.length_s), 3600: Ring(KEPT_HOURS_S // 3600)}
        self._rings.setdefault(60, Ring(KEPT_MINUTES_S // 60))
        self._line_rows = LineRows(self._loop, self._rings[shape.length_s], shape)
        self._ledger: list[LedgerEntry] = []
        self._settings: dict[str, float] = {}
        self._setting_since: dict[str, int] = {}
        self._setting_last: dict[str, float] = {}
        self._to_set: list[tuple[int, str, float]] = []
        self._references = references_of(site, loop_id)

    @property
    def end_s(self) -> int | None:
        """End of the newest block [epoch s]; None before the first."""
        ring = self._rings[self.length_s]
        return int(ring.column("start_s")[-1]) + self.length_s if len(ring) else None

    def take(self, samples: Samples, noted: Sequence[LedgerEntry]) -> None:
        """Take the next samples and what was noted in them."""
        self._ledger += noted
        self._seconds.take(samples)
        self._note_settings(samples)

    def keep(self, length_s: int, blocks: Blocks) -> None:
        """Take the next blocks of one length; those of a length that nothing looks at are left out."""
        ring = self._rings.get(length_s)
        if ring is not None:
            ring.append({name: getattr(blocks, name) for name in ARRAYS})

    def keep_rows(self, made: Mapping[Line, Rows]) -> None:
        """Take the rows of the lines in the blocks that were kept last."""
        self._line_rows.take(made)

    def forget(self) -> None:
        """Let go of the oldest events and of samples that nobody looks back on."""
        self._seconds.settle()
        del self._ledger[:-KEPT_LEDGER]

    def set_until(self, end: int) -> None:
        """Let the settings be those at a moment [epoch s], no earlier than at the last call."""
        due = bisect_right(self._to_set, end - 1, key=lambda change: change[0]) if self._to_set else 0
        for time_s, role, value in self._to_set[:due]:
            self._settings[role] = value
            self._setting_since[role] = time_s
        del self._to_set[:due]

    def explain(self, begin: int, end: int) -> None:
        """Mark the blocks of a stretch [epoch s] as those in which a categorical cause stood."""
        ring = self._rings[self.length_s]
        if not len(ring):
            return
        first, last = np.searchsorted(ring.column("start_s"), [begin - self.length_s + 1, end])
        ring.column("state_s")[first:last, STATES.index("explained")] = self.length_s
        self._line_rows.explain(ring.dropped + int(first), ring.dropped + int(last))

    def window(self, end: int, empties: tuple[EmptyStretch, ...]) -> Window:
        """What a check gets to look at, at the end (exclusive, epoch seconds) of a block that has been closed."""
        taken = bisect_right(self._ledger, end - 1, key=lambda entry: entry.time_s)
        blocks = self._rows(self.length_s, end)
        return Window(
            site=self._site,
            loop_id=self._loop_id,
            loop=self._loop,
            end_s=end,
            blocks=blocks,
            minutes=self._rows(60, end),
            hours=self._rows(3600, end),
            samples=self._seconds.before(end),
            ledger=tuple(self._ledger[:taken]),
            settings=dict(self._settings),
            setting_since=dict(self._setting_since),
            references=self._references[: bisect_right(self._references, end, key=lambda entry: entry.end_s)],
            empties=empties,
            line_rows=self._kept(end, len(blocks)),
        )

    def _note_settings(self, samples: Samples) -> None:
        for role in self._roles:
            if ROLES[role].kind is not Kind.SETTING:
                continue
            column = samples.values[role]
            before = self._setting_last.get(role, np.nan)
            for row in changed(column, before).tolist():
                self._to_set.append((int(samples.time_s[row]), role, float(column[row])))
            self._setting_last[role] = newest(column, before)
        self._to_set.sort(key=lambda change: change[0])

    def _kept(self, end: int, rows: int) -> KeptRows | None:
        """Where the rows of the lines stand for the last `rows` blocks before a moment [epoch s]."""
        if not rows:
            return None
        ring = self._rings[self.length_s]
        last = ring.dropped + int(np.searchsorted(ring.column("start_s"), end - self.length_s, side="right"))
        return KeptRows(self._line_rows, last - rows, last)

    def _rows(self, length_s: int, end: int) -> Blocks:
        ring, shape = self._rings[length_s], self._shape
        fields: dict[str, Any] = {name: getattr(shape, name) for name in ARRAYS}
        if len(ring):
            fields = dict(ring.view(int(np.searchsorted(ring.column("start_s"), end - length_s, side="right"))))
        return Blocks(
            loop=self._loop_id, length_s=length_s, step_s=shape.step_s, roles=shape.roles, pairs=shape.pairs, **fields
        )  # fmt: skip
