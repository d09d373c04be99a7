"""Replay over the stored history: the same samples that the service used, day by day, in constant memory."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from collector.history.store import Store
from collector.replay.importer import Batch
from config.errors import TallywireError
from config.model import Site


class StoredRecording:
    """A stretch of the history as a recording. `site` may have other limits or settings than the service had."""

    def __init__(self, site: Site, store: Store, loops: Sequence[str], begin: int, end: int) -> None:
        self.site = site.model_copy(update={"loops": {loop: site.loops[loop] for loop in loops}})
        self.warnings: tuple[str, ...] = ()
        self.step_s = 1
        self._store, self._begin, self._end = store, begin, end

    def batches(self) -> Iterator[Batch]:
        """Every loop, one after the other, a day at most at a time.

        Raises
        ------
        TallywireError
            There are no samples in that time.
        """
        rows = 0
        span, loops = self._end - self._begin, list(self.site.loops)
        for place, loop in enumerate(loops):
            for samples in self._store.scan(loop, self._begin, self._end):
                rows += len(samples)
                self.step_s = samples.step_s
                gone = (int(samples.time_s[-1]) + 1 - self._begin) / span
                yield Batch({loop: samples}, (place + min(gone, 1.0)) / len(loops), len(samples))
        if not rows:
            raise TallywireError(
                "the history has no samples in that time", where="--from, --to", fix="see the trend page for what is there"
            )
