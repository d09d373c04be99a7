"""The supervisor of one endpoint: connects, polls at its deadlines, closes; no failure leaves it, none is silent."""

from __future__ import annotations

import asyncio
from typing import Any

from collector.clock import Clock
from collector.live import EndpointState, EndpointStatus
from collector.reading import ReadingSink
from collector.sources.backoff import Backoff
from collector.sources.failure import Kind, LinkError
from collector.sources.news import News, OnEvent
from collector.sources.schedule import Slots
from collector.sources.source import Poll, Source, bad_readings
from config.errors import ForbiddenRequestError

TIMEOUTS_TO_CLOSE = 3
"""Time-outs in a row, without any answer, after which the connection is built anew."""
OVERLOADED_POLLS = 3
"""Polls in a row that missed slots, after which the endpoint is called overloaded."""
CLOSE_S = 3.0
CLOCK_SKEW_S = 2.0
CERTIFICATE_NOTICE_S = 30 * 86400.0


class EndpointPoller:
    """Owns the connection to one endpoint.

    At each deadline of a group every tag of it gets a reading: what was read, or a bad one with the reason. The connection is
    built beside the polling, so that a slow attempt makes no gap.

    Parameters
    ----------
    name : str
        The endpoint.
    source : Source
        How it is read.
    sink : ReadingSink
        Takes the readings of each poll.
    clock : Clock
    status : EndpointStatus
        Kept up to date.
    on_event : callable
        Told when the endpoint is lost, back, overloaded, or its clock or certificate is off.
    poll_limit_s : float
        A poll that takes longer than this is given up and the connection with it [s]: the guard against a library that hangs.
    """

    def __init__(
        self,
        name: str,
        source: Source,
        sink: ReadingSink,
        clock: Clock,
        status: EndpointStatus,
        on_event: OnEvent,
        *,
        backoff: Backoff | None = None,
        poll_limit_s: float = 30.0,
    ) -> None:
        self.name = name
        self._source, self._sink, self._clock, self._status = source, sink, clock, status
        self._backoff = backoff or Backoff()
        self._news = News(name, on_event)
        self._poll_limit_s = poll_limit_s
        self._connecting: asyncio.Task[None] | None = None
        self._connected = False
        self._proven = False
        self._timeouts = 0
        self._late_polls = 0
        self._down = False
        self._skewed = False
        self._noticed = 0.0
        self._told = ""

    async def run(self, stop: asyncio.Event) -> None:
        """Poll until the event is set; then close the connection and return. A cancel passes, after closing."""
        if not self._source.periods:
            await stop.wait()
            return
        self._set(EndpointState.DISCONNECTED, "not connected yet")
        working = asyncio.create_task(self._work(stop), name=f"polling {self.name}")
        stopping = asyncio.ensure_future(stop.wait())
        try:
            await asyncio.wait({working, stopping}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            stopping.cancel()
            if not working.done():
                working.cancel()
                await asyncio.wait({working})
            await self._close()
            self._set(EndpointState.DISCONNECTED, "stopped")
        if not working.cancelled():
            working.result()

    async def _work(self, stop: asyncio.Event) -> None:
        slots = Slots(self.name, self._source.periods, self._clock.monotonic())
        while not stop.is_set():
            due, period = slots.next()
            if self._status.lent_until:
                await self._leave_while_lent()
            if not self._connected or self._connecting is not None:
                self._connect_when_due()
            await self._wait_until(due)
            late = self._clock.monotonic() - due
            if stop.is_set() or late < 0.0:
                continue
            self._status.lateness_s = late
            poll = await self._poll(period)
            self._sink(poll.readings)
            await self._take(poll)
            self._missed(slots.done(period, self._clock.monotonic()), poll)

    # --- connection ---------------------------------------------------------------------------------------------------

    @property
    def _lent(self) -> str:
        """To whom and until when the connection is lent; empty where it is ours."""
        if not self._status.lent_until:
            return ""
        left = self._status.lent_until - self._clock.now()
        return f"lent to {self._status.lent_to} for {left:.0f} s more" if left > 0.0 else ""

    async def _leave_while_lent(self) -> None:
        if self._lent and self._connecting is not None:
            self._connecting.cancel()
            await asyncio.wait({self._connecting})
            self._connecting = None
        if self._lent and self._connected:
            await self._disconnect()
            self._set(EndpointState.DISCONNECTED, "lent")

    def _connect_when_due(self) -> None:
        if self._lent:
            return
        if self._connecting is not None and self._connecting.done():
            done, self._connecting = self._connecting, None
            done.result()
        if self._connected or self._connecting is not None or self._clock.monotonic() < self._backoff.retry_at:
            return
        self._set(EndpointState.CONNECTING, self._status.reason)
        self._connecting = asyncio.create_task(self._connect(), name=f"connect {self.name}")

    async def _connect(self) -> None:
        try:
            await self._source.connect()
        except ForbiddenRequestError:
            raise
        except LinkError as error:
            self._refused(error.kind, error.reason)
        except Exception as error:  # noqa: BLE001 - whatever a library raises is the failure of this endpoint, told as such
            self._refused(Kind.REFUSED, f"{type(error).__name__}: {error}")
        else:
            self._connected, self._proven, self._timeouts = True, False, 0
            self._check_certificate()
            self._tell_notice()

    def _refused(self, kind: Kind, reason: str) -> None:
        self._backoff.failed(self._clock.monotonic(), kind)
        self._set(EndpointState.BACKOFF, reason)
        self._lost(reason)

    async def _give_up(self, kind: Kind, reason: str) -> None:
        await self._disconnect()
        self._status.reconnects += 1
        self._refused(kind, reason)

    async def _disconnect(self) -> None:
        self._connected = self._proven = False
        try:
            async with asyncio.timeout(CLOSE_S):
                await self._source.disconnect()
        except TimeoutError:
            self._set(EndpointState.DISCONNECTED, "closing took too long")

    async def _close(self) -> None:
        if self._connecting is not None:
            self._connecting.cancel()
            await asyncio.wait({self._connecting})
            self._connecting = None
        await self._disconnect()

    # --- polling ------------------------------------------------------------------------------------------------------

    async def _poll(self, period: float) -> Poll:
        if not self._connected or self._lent:
            reason = self._lent or self._status.reason or "not connected"
            return Poll(readings=bad_readings(self._source.places(period), reason, self._clock.now()))
        self._status.polls += 1
        try:
            async with asyncio.timeout(self._poll_limit_s):
                return await self._source.poll(period)
        except ForbiddenRequestError:
            raise
        except TimeoutError:
            reason, timeouts = "timeout", TIMEOUTS_TO_CLOSE
        except LinkError as error:
            reason, timeouts = error.reason, int(error.kind is Kind.TIMEOUT)
        except Exception as error:  # noqa: BLE001 - whatever a library raises is the failure of this endpoint, told as such
            reason, timeouts = f"{type(error).__name__}: {error}", 0
        readings = bad_readings(self._source.places(period), reason, self._clock.now())
        return Poll(readings=readings, reason=reason, timeouts=timeouts, lost=True)

    async def _take(self, poll: Poll) -> None:
        """Counters, state and connection after a poll."""
        if not self._connected:
            return
        status = self._status
        status.timeouts += poll.timeouts
        status.bad_frames += poll.bad_frames
        status.exceptions += poll.exceptions
        if poll.rtt_s is not None:
            status.rtt_s = poll.rtt_s
        if poll.replies:
            self._timeouts = 0
        self._timeouts += poll.timeouts if not poll.replies else 0
        if poll.good:
            self._backoff.good_reply()
            self._proven = True
            status.last_good = self._clock.now()
        if poll.lost or self._timeouts >= TIMEOUTS_TO_CLOSE:
            await self._give_up(Kind.LOST if poll.lost else Kind.TIMEOUT, poll.reason)
            return
        if self._proven and not poll.reason:
            self._set(EndpointState.UP, "")
        elif poll.reason:
            self._set(EndpointState.DEGRADED, poll.reason)
        if poll.good:
            self._back()
            self._check_clock()

    def _missed(self, missed: int, poll: Poll) -> None:
        self._status.skipped_slots += missed
        if poll.timeouts:
            return
        self._late_polls = self._late_polls + 1 if missed else 0
        if self._late_polls == OVERLOADED_POLLS:
            text = f"{self.name} cannot be read as often as asked: polls take longer than their period"
            self._news.event(self._clock.monotonic(), "overload", text)

    # --- what is told -------------------------------------------------------------------------------------------------

    def _set(self, state: EndpointState, reason: str) -> None:
        if state is not self._status.state:
            self._status.since = self._clock.now()
        self._status.state, self._status.reason = state, reason

    def _lost(self, reason: str) -> None:
        if not self._down:
            self._down = True
            self._news.event(self._clock.monotonic(), "endpoint-lost", f"{self.name} is not reached: {reason}")

    def _back(self) -> None:
        if self._down:
            self._down = False
            self._news.event(self._clock.monotonic(), "endpoint-back", f"{self.name} is read again")

    def _check_clock(self) -> None:
        skew = self._status.clock_skew_s = self._source.clock_skew_s()
        skewed = skew is not None and abs(skew) > CLOCK_SKEW_S
        if skewed and not self._skewed:
            text = f"the clock of {self.name} differs from ours by {skew:+.1f} s; its source times are not used"
            self._news.event(self._clock.monotonic(), "clock-skew", text)
        self._skewed = skewed

    def _check_certificate(self) -> None:
        end = self._status.certificate_expires = self._source.certificate_expires()
        if end is not None and end - self._clock.now() < CERTIFICATE_NOTICE_S and end != self._noticed:
            self._noticed = end
            days = (end - self._clock.now()) / 86400.0
            self._news.event(self._clock.monotonic(), "certificate", f"our certificate for {self.name} ends in {days:.0f} days")

    def _tell_notice(self) -> None:
        notice = self._source.notice()
        if notice and notice != self._told:
            self._told = notice
            self._news.event(self._clock.monotonic(), "notice", notice)

    # --- waiting ------------------------------------------------------------------------------------------------------

    async def _wait_until(self, due: float) -> None:
        """Wait for the deadline, the next attempt to connect or the end of one."""
        if self._connected and self._connecting is None:
            await self._clock.sleep_until(due)
            return
        until = due
        if self._connecting is None:
            until = min(due, max(self._backoff.retry_at, self._clock.monotonic()))
        sleeping = asyncio.ensure_future(self._clock.sleep_until(until))
        others: set[asyncio.Future[Any]] = {sleeping}
        if self._connecting is not None:
            others.add(self._connecting)
        try:
            await asyncio.wait(others, return_when=asyncio.FIRST_COMPLETED)
        finally:
            sleeping.cancel()
