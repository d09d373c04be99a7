"""A Modbus endpoint as a source: its blocks, read one after the other over one connection."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

from collector.clock import Clock
from collector.reading import Reading
from collector.sources.failure import Kind, LinkError
from collector.sources.frames import BIT_FUNCTIONS, words_of
from collector.sources.groups import ILLEGAL_DATA_ADDRESS, Block, places_of, plan
from collector.sources.modbus import ModbusLink
from collector.sources.source import Place, Poll, bad_readings
from config.model import ModbusEndpoint, Site

GATEWAY_PATH, GATEWAY_TARGET = 10, 11
"""Exception codes of a gateway that cannot reach the unit behind it."""


class ModbusSource:
    """Reads the tags of one Modbus endpoint.

    A unit that does not answer is asked once in a poll, so that a dead unit behind a gateway costs the others one time-out.
    Splits that the device has forced outlive the connection.
    """

    def __init__(self, name: str, endpoint: ModbusEndpoint, site: Site, clock: Clock) -> None:
        self._name, self._endpoint, self._clock = name, endpoint, clock
        self._places = places_of(site, name)
        self._plan = plan(endpoint, self._places)
        self._link: ModbusLink | None = None

    @property
    def periods(self) -> Sequence[float]:
        """The groups of tags, each named by its period [s]."""
        return list(self._plan.blocks)

    def blocks(self, period: float) -> Sequence[Block]:
        """The reads of a group as they stand."""
        return list(self._plan.blocks[period])

    def places(self, period: float) -> Sequence[Place]:
        """The tags of a group."""
        return [place for block in self._plan.blocks[period] for place in block.names]

    def clock_skew_s(self) -> float | None:
        """Modbus shows no clock."""
        return None

    def certificate_expires(self) -> float | None:
        """When our TLS client certificate ends [epoch s]."""
        return None if self._link is None else self._link.certificate_expires

    def notice(self) -> str:
        """Modbus has no secrets."""
        return ""

    async def connect(self) -> None:
        """Build a new connection; LinkError where that fails."""
        await self.disconnect()
        link = ModbusLink(self._name, self._endpoint, self._clock)
        try:
            await link.open()
        except BaseException:
            link.close()
            raise
        self._link = link

    async def disconnect(self) -> None:
        """Close the connection."""
        if self._link is not None:
            self._link.close()

    async def poll(self, period: float) -> Poll:
        """Read the blocks of a group once."""
        poll = Poll()
        silent: dict[int, str] = {}
        left = deque(self._plan.blocks[period])
        while left:
            block = left.popleft()
            reason = "disconnected" if poll.lost else silent.get(block.unit, "")
            if not reason:
                reason = await self._read(block, poll)
            if reason == f"exception {ILLEGAL_DATA_ADDRESS}":
                parts = self._plan.split(period, block)
                if parts:
                    left.extendleft(reversed(parts))
                    continue
            if reason:
                poll.blame(reason)
                poll.bring(bad_readings(block.names, reason, self._clock.now()))
                if reason in ("timeout", f"exception {GATEWAY_PATH}", f"exception {GATEWAY_TARGET}"):
                    silent[block.unit] = reason
        return poll

    async def _read(self, block: Block, poll: Poll) -> str:
        """Read one block into the poll; returns why it brought no values, empty where it did."""
        link = self._link
        if link is None:
            poll.lost = True
            return "disconnected"
        try:
            body = await link.read_bytes(block.unit, block.function, block.start, block.count)
        except LinkError as error:
            _count(error, poll)
            return error.reason
        poll.replies += 1
        poll.good += 1
        poll.rtt_s = link.rtt_s
        poll.bring(self._decoded(block, body))
        return ""

    def _decoded(self, block: Block, body: bytes) -> Sequence[Reading]:
        if block.function in BIT_FUNCTIONS:
            body = bytes(words_of(body, block.function, block.count))
        return block.decoder.bundle(body, block.tags, self._clock.now())


def _count(error: LinkError, poll: Poll) -> None:
    """Count a failure. A stream that may be torn is given up."""
    if error.kind is Kind.EXCEPTION:
        poll.replies += 1
        poll.exceptions += 1
    elif error.kind is Kind.TIMEOUT:
        poll.timeouts += 1
    elif error.kind is Kind.BAD_FRAME:
        poll.bad_frames += 1
        poll.lost = error.torn
    else:
        poll.lost = True
