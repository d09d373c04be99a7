"""The supervisor by itself: a source that does what it is told, and a clock that is moved by hand."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager

import pytest

from checks.samples import BAD, GOOD
from collector.clock import ManualClock
from collector.live import EndpointState, EndpointStatus
from collector.reading import Reading
from collector.sources.backoff import Backoff
from collector.sources.endpoint import EndpointPoller
from collector.sources.failure import Kind, LinkError
from collector.sources.news import News
from collector.sources.source import Place, Poll, bad_readings
from config.errors import ForbiddenRequestError

PLACE: Place = ("TB-07", "flow")


class Scripted:
    """A source with one tag; what connect and poll do can be changed at any time."""

    def __init__(self, clock: ManualClock) -> None:
        self.clock = clock
        self.periods: Sequence[float] = [1.0]
        self.refusal: Exception | None = None
        self.failure: Exception | None = None
        self.outcome = "good"
        self.took_s = 0.0
        self.hanging: asyncio.Event | None = None
        self.connects = self.disconnects = self.polls = 0
        self.skew: float | None = None
        self.expires: float | None = None
        self.note = ""

    def places(self, period: float) -> Sequence[Place]:
        return [PLACE]

    async def connect(self) -> None:
        self.connects += 1
        if self.hanging is not None:
            await self.hanging.wait()
        if self.refusal is not None:
            raise self.refusal

    async def disconnect(self) -> None:
        self.disconnects += 1

    def clock_skew_s(self) -> float | None:
        return self.skew

    def certificate_expires(self) -> float | None:
        return self.expires

    def notice(self) -> str:
        return self.note

    async def poll(self, period: float) -> Poll:
        self.polls += 1
        if self.failure is not None:
            raise self.failure
        if self.took_s:
            await self.clock.sleep_until(self.clock.monotonic() + self.took_s)
        now = self.clock.now()
        if self.outcome == "good":
            return Poll(readings=[Reading(*PLACE, 1.0, GOOD, now)], replies=1, good=1)
        return Poll(
            readings=bad_readings([PLACE], self.outcome, now), reason=self.outcome, timeouts=int(self.outcome == "timeout")
        )


class Rig:
    """A poller on a scripted source and what came out of it."""

    def __init__(self) -> None:
        self.clock = ManualClock()
        self.source = Scripted(self.clock)
        self.readings: list[Reading] = []
        self.events: list[tuple[str, str]] = []
        self.status = EndpointStatus(name="gauge", protocol="modbus")
        self.stop = asyncio.Event()
        self.poller = EndpointPoller(
            "gauge",
            self.source,
            self.readings.extend,
            self.clock,
            self.status,
            lambda kind, _endpoint, text: self.events.append((kind, text)),
            backoff=Backoff(jitter=lambda: 1.0),
        )

    async def advance(self, seconds: float) -> None:
        """Let time pass in small steps, and everything that is due run."""
        for _ in range(round(seconds / 0.05)):
            await self.clock.advance(0.05)
            for _ in range(12):
                await asyncio.sleep(0)


@asynccontextmanager
async def running() -> AsyncIterator[Rig]:
    rig = Rig()
    task = asyncio.create_task(rig.poller.run(rig.stop))
    try:
        yield rig
    finally:
        rig.stop.set()
        async with asyncio.timeout(5.0):
            await task


async def test_one_reading_a_period_and_no_drift() -> None:
    async with running() as rig:
        await rig.advance(20.0)
        assert 19 <= len(rig.readings) <= 21
        times = [reading.receive_time for reading in rig.readings]
        assert times[-1] - times[0] == pytest.approx(len(times) - 1, abs=0.1)
        assert rig.status.state is EndpointState.UP
        assert rig.status.skipped_slots == 0


async def test_after_a_stop_the_connection_is_closed() -> None:
    async with running() as rig:
        await rig.advance(2.0)
        rig.stop.set()
        await rig.advance(0.1)
        assert rig.status.state is EndpointState.DISCONNECTED
        assert rig.source.disconnects >= 1


async def test_lent_connection_is_let_go_and_comes_back_by_itself() -> None:
    async with running() as rig:
        await rig.advance(3.0)
        assert rig.readings[-1].quality == GOOD
        rig.status.lent_to, rig.status.lent_until = "survey", rig.clock.now() + 10.0
        connects, polls = rig.source.connects, rig.source.polls
        await rig.advance(9.0)
        assert rig.source.disconnects >= 1
        assert (rig.source.connects, rig.source.polls) == (connects, polls)
        assert rig.readings[-1].quality == BAD
        assert rig.readings[-1].reason.startswith("lent to survey for ")
        assert rig.events == []
        await rig.advance(4.0)
        assert rig.readings[-1].quality == GOOD
        assert rig.status.state is EndpointState.UP


async def test_no_connection_is_bad_readings_at_each_deadline_and_rarer_attempts() -> None:
    async with running() as rig:
        rig.source.refusal = LinkError(Kind.REFUSED, "connection refused")
        await rig.advance(30.0)
        assert 29 <= len(rig.readings) <= 31
        assert {(reading.quality, reading.reason) for reading in rig.readings[2:]} == {(BAD, "connection refused")}
        assert 4 <= rig.source.connects <= 6
        assert rig.events == [("endpoint-lost", "gauge is not reached: connection refused")]
        rig.source.refusal = None
        await rig.advance(31.0)
        assert rig.readings[-1].quality == GOOD
        assert [kind for kind, _ in rig.events] == ["endpoint-lost", "endpoint-back"]


async def test_an_attempt_that_hangs_makes_no_gap() -> None:
    async with running() as rig:
        rig.source.hanging = asyncio.Event()
        await rig.advance(10.0)
        assert len(rig.readings) >= 9
        assert {reading.quality for reading in rig.readings} == {BAD}
        rig.source.hanging.set()
        await rig.advance(2.0)
        assert rig.readings[-1].quality == GOOD


async def test_three_timeouts_in_a_row_close_the_connection() -> None:
    async with running() as rig:
        await rig.advance(3.0)
        rig.source.outcome = "timeout"
        polls, disconnects = rig.source.polls, rig.source.disconnects
        await rig.advance(2.0)
        assert rig.source.disconnects == disconnects
        assert rig.status.state is EndpointState.DEGRADED
        await rig.advance(1.5)
        assert rig.source.polls == polls + 3
        assert rig.source.disconnects == disconnects + 1
        assert rig.status.reconnects == 1


async def test_a_poll_that_hangs_is_given_up() -> None:
    async with running() as rig:
        rig.poller._poll_limit_s = 0.05
        rig.source.took_s = 1e9
        async with asyncio.timeout(5.0):
            await rig.advance(1.1)
            while rig.status.reconnects == 0:  # noqa: ASYNC110 - the limit runs on the clock of the machine
                await asyncio.sleep(0.01)
        assert rig.readings[-1].reason == "timeout"


@pytest.mark.parametrize("error", [RuntimeError("odd"), KeyError("x"), OSError(5, "io")])
async def test_whatever_a_library_raises_stays_inside(error: Exception) -> None:
    async with running() as rig:
        await rig.advance(2.0)
        rig.source.failure = error
        await rig.advance(2.0)
        assert type(error).__name__ in {reading.reason.partition(":")[0] for reading in rig.readings}
        rig.source.failure = None
        await rig.advance(10.0)
        assert rig.readings[-1].quality == GOOD


async def test_a_forbidden_request_is_not_caught_and_not_retried() -> None:
    rig = Rig()
    rig.source.failure = ForbiddenRequestError("a write was about to be sent")
    task = asyncio.create_task(rig.poller.run(rig.stop))
    await rig.advance(3.0)
    assert rig.source.polls == 1
    with pytest.raises(ForbiddenRequestError):
        await task


async def test_stop_ends_a_poll_that_would_take_long() -> None:
    async with running() as rig:
        rig.source.took_s = 1e6
        await rig.advance(2.0)
        assert rig.source.polls == 1


async def test_a_cancel_passes_and_closes() -> None:
    rig = Rig()
    task = asyncio.create_task(rig.poller.run(rig.stop))
    await rig.advance(2.0)
    before = rig.source.disconnects
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert rig.source.disconnects == before + 1


async def test_slow_polls_skip_slots_count_them_and_tell_overload_once() -> None:
    async with running() as rig:
        rig.source.took_s = 2.5
        await rig.advance(40.0)
        assert rig.source.polls <= 15
        assert rig.status.skipped_slots >= 20
        assert [kind for kind, _ in rig.events] == ["overload"]


async def test_skew_and_certificate_are_told_once() -> None:
    async with running() as rig:
        rig.source.skew, rig.source.note = -3600.0, "in clear"
        rig.source.expires = rig.clock.now() + 5 * 86400.0
        await rig.advance(10.0)
        assert [kind for kind, _ in rig.events] == ["certificate", "notice", "clock-skew"]
        assert rig.status.clock_skew_s == -3600.0
        assert rig.status.certificate_expires == rig.source.expires


def test_a_flapping_endpoint_is_told_six_times_and_then_counted() -> None:
    told: list[str] = []
    news = News("gauge", lambda kind, endpoint, text: told.append(text))
    for second in range(100):
        news.event(float(second), "endpoint-lost", "lost")
    assert told == ["lost"] * 6
    news.event(700.0, "endpoint-lost", "lost")
    assert told[-1] == "lost (94 more like this were not told)"
