"""The heart of the service: once a second the samples of every loop are closed, kept and handed to verification."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import UTC, datetime
from itertools import groupby
from operator import attrgetter

from checks.samples import Samples
from collector.align import Aligner, ClockWatch
from collector.bundle import Bundle, parts_of
from collector.clock import Clock
from collector.live import LiveState
from collector.logs import event
from collector.reading import Reading
from collector.service.keeping import Keeper
from collector.service.supervisor import sleep_or_stop

PERIOD_S = 1.0
AT_ONCE = 50
"""Loops that are closed before the pollers are let in."""
CLOCK_PROBLEM = "clock"
SKEW_EVERY_S = 10
"""How often the clocks of endpoints that tell no time are looked at [s]."""
_loop_of = attrgetter("loop")


class Closing:
    """Takes readings from the pollers and closes the samples of all loops on a deadline that does not drift.

    Parameters
    ----------
    aligners : mapping of loop id to Aligner
    live : LiveState
        Gets readings and counters: `late_readings`, `loop_lag_s`, `skipped_ticks`, `clock_steps`, `samples_closed`.
    keeper : Keeper
        Gets every closed sample and the events.
    verify : callable
        Gets what was closed, by loop; must not block.
    """

    def __init__(
        self,
        aligners: Mapping[str, Aligner],
        live: LiveState,
        keeper: Keeper,
        clock: Clock,
        verify: Callable[[Mapping[str, Samples]], None],
    ) -> None:
        self._aligners = dict(aligners)
        self._live = live
        self._keeper = keeper
        self._clock = clock
        self._verify = verify
        self._watch = ClockWatch()

    def adopt(self, loop: str, aligner: Aligner) -> None:
        """Close the samples of a loop from now on."""
        self._aligners[loop] = aligner

    def release(self, loop: str) -> None:
        """Close no more samples of a loop."""
        self._aligners.pop(loop, None)

    def sink(self, readings: Sequence[Reading]) -> None:
        """Take the readings of one poll."""
        self._live.take_readings(readings)
        for part in parts_of(readings):
            if isinstance(part, Bundle):
                self._take_bundle(part)
                continue
            for loop, own in groupby(part, key=_loop_of):
                aligner = self._aligners.get(loop)
                if aligner is not None:
                    aligner.take(own)

    def _take_bundle(self, bundle: Bundle) -> None:
        values, quality, received, sources = bundle.values, bundle.quality, bundle.received, bundle.sources
        for loop, roles, whole, own in bundle.tags.shares:
            aligner = self._aligners.get(loop)
            if aligner is None:
                continue
            if whole:
                aligner.take_row(roles, values, quality, received, sources)
                continue
            aligner.take_row(
                roles,
                own(values),
                None if quality is None else own(quality),
                received,
                None if sources is None else own(sources),
            )

    async def run(self, stop: asyncio.Event) -> None:
        """Close once a second; slots that were missed are skipped and counted, never caught up in a burst."""
        deadline = self._clock.monotonic()
        while not stop.is_set():
            await self._tick_in_parts()
            deadline += PERIOD_S
            late = self._clock.monotonic() - deadline
            if late > PERIOD_S:
                missed = int(late / PERIOD_S)
                self._live.count("skipped_ticks", missed)
                deadline += missed * PERIOD_S
            await sleep_or_stop(self._clock, deadline, stop)
            self._live.counters["loop_lag_s"] = max(0.0, self._clock.monotonic() - deadline) if not stop.is_set() else 0.0
        self.tick()

    def tick(self) -> None:
        """Close what can be closed now."""
        wall = self._begin()
        self._hand_on(self._closed(list(self._aligners.items()), wall), wall)

    async def _tick_in_parts(self) -> None:
        """The same, with the pollers let in between parts of a wide site: closing all at once would make their polls late."""
        wall = self._begin()
        aligners = list(self._aligners.items())
        closed: dict[str, Samples] = {}
        for first in range(0, len(aligners), AT_ONCE):
            if first:
                await asyncio.sleep(0)
            closed |= self._closed(aligners[first : first + AT_ONCE], wall)
        self._hand_on(closed, wall)

    def _begin(self) -> float:
        wall = self._clock.now()
        step = self._watch.observe(wall, self._clock.monotonic())
        if step is not None:
            self._stepped(wall, step)
        return wall

    @staticmethod
    def _closed(aligners: Iterable[tuple[str, Aligner]], wall: float) -> dict[str, Samples]:
        return {loop: samples for loop, aligner in aligners if len(samples := aligner.close_until(wall))}

    def _hand_on(self, closed: Mapping[str, Samples], wall: float) -> None:
        if closed:
            self._keeper.keep_samples(list(closed.values()))
            self._verify(closed)
            self._live.count("samples_closed", sum(len(samples) for samples in closed.values()))
        self._live.counters["late_readings"] = float(sum(aligner.late for aligner in self._aligners.values()))
        self._show_clocks(wall)

    def _stepped(self, wall: float, step: float) -> None:
        self._live.count("clock_steps")
        for aligner in self._aligners.values():
            aligner.flag_step(wall, step)
        text = f"the clock of this machine stepped by {step:+.1f} s"
        event(logging.WARNING, "clock-step", text, step_s=round(step, 3))
        self._keeper.keep_event("clock-step", text, old=_utc(wall - step), new=_utc(wall), time=wall)

    def _show_clocks(self, wall: float) -> None:
        ahead = max((aligner.next_s or 0 for aligner in self._aligners.values()), default=0)
        if ahead > wall + PERIOD_S:
            self._live.problems[CLOCK_PROBLEM] = (
                f"the clock of this machine went back; nothing is closed before {_utc(ahead)}, so that no second comes twice"
            )
        else:
            self._live.problems.pop(CLOCK_PROBLEM, None)
        if int(wall) % SKEW_EVERY_S:
            return
        for aligner in self._aligners.values():
            for name, skew in aligner.skew_s.items():
                status = self._live.endpoints.get(name)
                if status is not None and status.clock_skew_s is None:
                    status.clock_skew_s = skew


def _utc(time: float) -> str:
    return datetime.fromtimestamp(time, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
