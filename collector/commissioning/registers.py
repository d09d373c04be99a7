"""Registers of a device, read slowly: one request at a time, no more than so many a second."""

from __future__ import annotations

from dataclasses import dataclass, field

from collector.clock import Clock
from collector.sources.failure import Kind, LinkError
from collector.sources.modbus import ModbusLink
from config.model import ModbusEndpoint

RATE = 2.0
"""Requests a second where nobody says another: any device can stand it."""
FUNCTIONS = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
MOST_AT_ONCE = 100
MOST_SCANNED = 2000
"""Registers that one scan may ask for."""


@dataclass(slots=True)
class SlowReader:
    """One connection that is opened when it is first needed.

    Parameters
    ----------
    name, endpoint, clock
        The device.
    rate : float
        Most requests a second.
    """

    name: str
    endpoint: ModbusEndpoint
    clock: Clock
    rate: float = RATE
    requests: int = 0
    _link: ModbusLink | None = None
    _next: float = field(default=0.0)

    async def read(self, table: str, unit: int, start: int, count: int) -> list[int]:
        """Read registers or bits; LinkError where that fails."""
        if self._link is None:
            link = ModbusLink(self.name, self.endpoint, self.clock)
            try:
                await link.open()
            except BaseException:
                link.close()
                raise
            self._link = link
        await self.clock.sleep_until(self._next)
        self._next = self.clock.monotonic() + 1.0 / self.rate
        self.requests += 1
        return await self._link.read(unit, FUNCTIONS[table], start, count)

    async def read_where_it_can(self, table: str, unit: int, start: int, count: int) -> dict[int, int]:
        """Registers by address: halves are asked for where the device refuses the whole, so that holes are left out.

        LinkError where the device does not answer at all.
        """
        try:
            words = await self.read(table, unit, start, count)
        except LinkError as error:
            if error.kind is not Kind.EXCEPTION:
                raise
            if count == 1:
                return {}
            half = count // 2
            found = await self.read_where_it_can(table, unit, start, half)
            return found | await self.read_where_it_can(table, unit, start + half, count - half)
        return {start + place: word for place, word in enumerate(words)}

    def close(self) -> None:
        """Close the connection; safe to call twice."""
        if self._link is not None:
            self._link.close()
            self._link = None


def runs(words: dict[int, int]) -> list[tuple[int, list[int]]]:
    """Registers that follow each other: first address and the words, in order."""
    out: list[tuple[int, list[int]]] = []
    for address in sorted(words):
        if out and address == out[-1][0] + len(out[-1][1]):
            out[-1][1].append(words[address])
        else:
            out.append((address, [words[address]]))
    return out
