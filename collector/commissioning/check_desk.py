"""The loop checks that run in the service: one for each loop, kept on disk after every step, recorded at the end."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path

from collector.clock import Clock
from collector.commissioning.capture import Captured, Reader, capture, spans_of
from collector.commissioning.check_run import CheckRun, Method, Stage, begin, resume, save
from collector.records.book import Record, RecordBook
from collector.records.loop_check import Adjustment
from config.errors import TallywireError
from config.model import Site

PATIENCE_S = 13.0
"""How long one request waits for the stations to stand still [s]."""


class CheckDesk:
    """Loop checks by loop. `folder` is where they are kept, None: in memory alone."""

    def __init__(
        self,
        site: Site,
        site_sha256: str,
        reader: Callable[[str], Reader],
        clock: Clock,
        book: RecordBook | None,
        folder: Path | None,
    ) -> None:
        self._site, self._sha256, self._reader, self._clock, self._book = site, site_sha256, reader, clock, book
        self._folder = folder
        self._runs: dict[str, CheckRun] = {}
        self._busy: dict[str, asyncio.Lock] = {}

    def run(self, loop: str) -> CheckRun | None:
        """The check of a loop that is on its way."""
        if loop not in self._runs and self._folder is not None:
            kept = resume(self._path(loop))
            if kept is not None:
                self._runs[loop] = kept
        return self._runs.get(loop)

    def begin(self, loop: str, method: Method, *, by: str, percents: list[float], cycles: int, calibrator_u: float) -> CheckRun:
        """Begin a check; TallywireError where one is on its way or the loop cannot be checked."""
        if self.run(loop) is not None:
            raise TallywireError(f"a loop check of {loop} is on its way", fix="finish it, or give it up")
        run = begin(
            self._site.loops[loop],
            loop,
            method,
            by=by,
            now=self._clock.now(),
            percents=percents,
            cycles=cycles,
            calibrator_u=calibrator_u,
        )
        self._keep(run)
        return run

    async def capture(self, loop: str, typed: float | None, *, anyway: bool) -> Captured:
        """Capture the next point where every station stands still; else say which does not, and take nothing unless `anyway`."""
        run = self._known(loop)
        async with self._busy.setdefault(loop, asyncio.Lock()):
            target = run.target
            if target is None:
                raise TallywireError("no point of this loop check is due", fix="go on with the adjustment, or finish it")
            found = await capture(self._reader(loop), self._clock, spans_of(run.stations, run.roles), longest_s=PATIENCE_S)
            if found.still or anyway:
                run.take(run.aim(target) if typed is None and not run.roles[0] else typed, found.values)
                if run.target is None and run.stage is Stage.FOUND:
                    run.close_found()
                self._keep(run)
            return found

    def undo(self, loop: str) -> None:
        """Take the last point back."""
        run = self._known(loop)
        if run.stage is Stage.ADJUST and not run.adjustments:
            run.stage = Stage.FOUND
        if not run.undo():
            raise TallywireError("there is no point to take back", fix="capture one first")
        self._keep(run)

    def adjust(self, loop: str, *, side: str, setting: str, unit: str, before: str, after: str, reason: str) -> None:
        """Note what was changed on a device."""
        run = self._known(loop)
        if run.stage is not Stage.ADJUST:
            raise TallywireError("as found is not complete", fix="capture its points first")
        numbers = [_number(text) for text in (before, after)]
        try:
            run.adjust(
                Adjustment.model_validate(
                    {"at": self._clock.now(), "side": side, "setting": setting, "unit": unit, "before": numbers[0], "after": numbers[1],
                     "by": run.by, "reason": reason}
                )
            )  # fmt: skip
        except ValueError as error:
            raise TallywireError("this is no adjustment", fix="side, setting, both values and a reason are needed") from error
        self._keep(run)

    def walk_again(self, loop: str) -> None:
        """Begin the walk as left."""
        run = self._known(loop)
        run.begin_left(self._clock.now())
        self._keep(run)

    def finish(self, loop: str) -> Record:
        """Number the record and end the check."""
        run = self._known(loop)
        if self._book is None:
            raise TallywireError("there is no history to keep the record in", fix="start the service with a data folder")
        record = self._book.add(run.record(self._site, self._sha256, self._clock.now()))
        self.give_up(loop)
        return record

    def give_up(self, loop: str) -> None:
        """Forget the check of a loop."""
        self._runs.pop(loop, None)
        if self._folder is not None:
            self._path(loop).unlink(missing_ok=True)

    def _known(self, loop: str) -> CheckRun:
        run = self.run(loop)
        if run is None:
            raise TallywireError(f"no loop check of {loop} is on its way", fix="begin one")
        return run

    def _keep(self, run: CheckRun) -> None:
        self._runs[run.loop] = run
        if self._folder is not None:
            save(run, self._path(run.loop))

    def _path(self, loop: str) -> Path:
        assert self._folder is not None
        return self._folder / f"loop-check-{loop}.json"


def _number(text: str) -> float | None:
    """A number that somebody typed; None where the field is empty."""
    if not text.strip():
        return None
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise TallywireError(f"{text!r} is no number", fix="such as 420") from None
