"""The survey that runs in the service: one at a time, over connections that are lent for the time, and the last one kept on disk."""

from __future__ import annotations

import asyncio
import json
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from collector.clock import Clock
from collector.commissioning.lender import Lender
from collector.commissioning.registers import RATE
from collector.commissioning.survey import WAIT_S, survey
from collector.commissioning.survey_dict import as_dict
from collector.commissioning.turn import Turn
from collector.live import LiveState
from config.errors import TallywireError
from config.model import RecordedTag, Site

MOST_RATE = 10.0
VERSION = 1


class Stage(StrEnum):
    """How far the survey is."""

    NONE = "none"
    CONNECTING = "connecting"
    READING = "reading"
    SECOND_LOOK = "second look"
    DONE = "done"
    STOPPED = "stopped"
    FAILED = "failed"


RUNNING = frozenset({Stage.CONNECTING, Stage.READING, Stage.SECOND_LOOK})


@dataclass(slots=True, kw_only=True)
class Standing:
    """The survey that runs, or ran last: by whom, of which loop (empty: all), since when [epoch s], and reads done of all."""

    stage: Stage = Stage.NONE
    by: str = ""
    loop: str = ""
    rate: float = RATE
    begun: float = 0.0
    done: int = 0
    total: int = 0
    problem: str = ""

    @property
    def left_s(self) -> float:
        """About how long it still takes [s]."""
        first = (self.total - self.done) / self.rate if self.stage in (Stage.CONNECTING, Stage.READING) else 0.0
        return first + WAIT_S + self.total / self.rate if self.stage in RUNNING else 0.0


class SurveyDesk:
    """Begins and stops surveys, and keeps the last. `folder` is where it is kept; None: in memory alone."""

    def __init__(self, live: LiveState, clock: Clock, folder: Path | None, turn: Turn | None = None) -> None:
        self._live, self._clock = live, clock
        self._lender, self._turn = Lender(live, clock), turn or Turn()
        self._file = None if folder is None else folder / "survey.json"
        self._task: asyncio.Task[None] | None = None
        self._last: dict[str, Any] | None = None
        self.standing = Standing()

    def last(self) -> dict[str, Any] | None:
        """The last survey that came to its end, with `made` [epoch s], `by` and `loop`; None where there is none that can be read."""
        if self._last is None and self._file is not None and self._file.exists():
            try:
                kept = json.loads(self._file.read_text(encoding="utf-8"))
            except (OSError, ValueError):
                return None
            self._last = kept if isinstance(kept, dict) and kept.get("version") == VERSION else None
        return self._last

    def begin(self, *, by: str, loop: str = "", rate: float = RATE, borrow: bool = True) -> None:
        """Begin a survey of a loop, or of all.

        Raises
        ------
        TallywireError
            One runs already, there is no such loop, nothing to read, or the rate is out of bounds.
        """
        if self.standing.stage in RUNNING:
            raise TallywireError(f"a survey by {self.standing.by} is on its way", fix="wait for its end, or stop it")
        site = self._live.site
        if loop and loop not in site.loops:
            raise TallywireError(
                f"this site has no loop {loop!r}", where="loop", fix=f"one of {', '.join(site.loops)}, or none for all"
            )
        if not 0.0 < rate <= MOST_RATE:
            raise TallywireError(
                "the rate is no number of requests a second", where="rate", fix=f"above 0, at most {MOST_RATE:g}, such as 2"
            )
        mine = site.model_copy(update={"loops": {loop: site.loops[loop]}}) if loop else site
        names = [name for name in site.endpoints if name in _read_of(mine)]
        if not names:
            raise TallywireError("no tag of it is read from a device", fix="a site of recorded data has nothing to survey")
        self._turn.take(f"a survey by {by}")
        self.standing = Standing(stage=Stage.CONNECTING, by=by, loop=loop, rate=rate, begun=self._clock.now())
        self._task = asyncio.create_task(self._run(self.standing, mine, names if borrow else []), name="survey")

    async def stop(self) -> None:
        """Stop the survey that runs; its connections go back."""
        if self._task is not None and not self._task.done():
            self._task.cancel()
            await asyncio.wait({self._task})
            if self.standing.stage in RUNNING:  # it was stopped before its first step
                self.standing.stage = Stage.STOPPED
                self._turn.give()

    def close(self) -> None:
        """End with the service."""
        if self._task is not None:
            self._task.cancel()

    async def _run(self, standing: Standing, site: Site, lent: list[str]) -> None:
        to = f"the survey of {standing.by}"
        try:
            await self._lender.borrow(lent, to)
            standing.stage = Stage.READING

            def progress(done: int, total: int) -> None:
                standing.done, standing.total = done, total
                self._lender.lend(lent, to)

            def tell(words: str) -> None:
                if words.startswith("a second look"):
                    standing.stage = Stage.SECOND_LOOK
                self._lender.lend(lent, to)

            found = await survey(site, self._clock, rate=standing.rate, tell=tell, progress=progress)
            self._keep(
                as_dict(found) | {"version": VERSION, "made": self._clock.now(), "by": standing.by, "loop": standing.loop}
            )
            standing.stage = Stage.DONE
        except asyncio.CancelledError:
            standing.stage = Stage.STOPPED
            raise
        except TallywireError as error:
            standing.stage, standing.problem = Stage.FAILED, str(error)
        except OSError as error:
            standing.stage, standing.problem = Stage.FAILED, f"the survey cannot be kept: {error.strerror or error}"
        finally:
            self._lender.give_back(lent)
            self._turn.give()

    def _keep(self, content: dict[str, Any]) -> None:
        self._last = content
        if self._file is not None:
            part = self._file.with_suffix(".part")
            part.write_text(json.dumps(content), encoding="utf-8")
            part.replace(self._file)


def _read_of(site: Site) -> set[str]:
    """The endpoints that tags are read from."""
    return {tag.endpoint for loop in site.loops.values() for tag in loop.tags.values() if not isinstance(tag, RecordedTag)}
