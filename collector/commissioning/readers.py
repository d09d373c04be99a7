"""Readers of a loop check: over connections of our own, or through the service that runs already."""

from __future__ import annotations

import math
from collections.abc import Mapping

import httpx

from collector.clock import Clock
from collector.commissioning.own_service import address_of, async_client_of, client_of, refused, silent, unproven
from collector.live import LiveState
from collector.reading import BAD, Reading
from collector.sources.build import silence_libraries, source_of
from collector.sources.failure import LinkError
from collector.sources.source import Source
from config.errors import TallywireError
from config.model import Site

ANSWER_S = 5.0


class OwnReader:
    """Connects to the endpoints of one loop and polls its tags; to be closed at the end."""

    def __init__(self, site: Site, loop: str, clock: Clock) -> None:
        silence_libraries()
        self._site = site.model_copy(update={"loops": {loop: site.loops[loop]}})
        self._clock = clock
        self._sources: dict[str, Source] = {}

    async def read(self) -> Mapping[str, Reading]:
        """The newest reading of each role; what cannot be read is bad with the reason."""
        out: dict[str, Reading] = {}
        for name in self._site.endpoints:
            source = self._sources.get(name) or source_of(self._site, name, self._clock)
            if not source.periods:
                continue
            if name not in self._sources:
                try:
                    await source.connect()
                except LinkError as error:
                    raise TallywireError(
                        f"{name} cannot be read: {error.reason}", where=f"endpoint {name}",
                        fix="is it on? where it serves one client only, let the service read it: it is used where it runs",
                    ) from error  # fmt: skip
                self._sources[name] = source
            lost = False
            for period in source.periods:
                poll = await source.poll(period)
                out |= {reading.role: reading for reading in poll.readings}
                lost = lost or poll.lost
            if lost:
                await self._sources.pop(name).disconnect()
        return out

    async def close(self) -> None:
        """Close all connections."""
        for source in self._sources.values():
            await source.disconnect()
        self._sources.clear()


class ServiceReader:
    """Reads what the running service has read last, over its REST interface."""

    def __init__(self, site: Site, loop: str, address: str = "") -> None:
        self._client = async_client_of(site, timeout=ANSWER_S, base=address)
        self._address, self._loop = address or address_of(site), loop

    async def read(self) -> Mapping[str, Reading]:
        """The newest reading of each role."""
        try:
            answer = await self._client.get("/api/v1/tags", params={"loop": self._loop})
            answer.raise_for_status()
            rows = answer.json()
        except (httpx.HTTPError, ValueError) as error:
            raise TallywireError("the service does not answer", where=self._address, fix="does it still run?") from error
        return {row["role"]: _reading(self._loop, row) for row in rows}

    async def close(self) -> None:
        """Close the connection."""
        await self._client.aclose()


class LiveReader:
    """Reads the live state of the service it runs in."""

    def __init__(self, live: LiveState, loop: str) -> None:
        self._live, self._loop = live, loop

    async def read(self) -> Mapping[str, Reading]:
        """The newest reading of each role."""
        return {role: reading for (loop, role), reading in self._live.readings.items() if loop == self._loop}


def service_runs(site: Site) -> bool:
    """Whether the service of this site answers; False where none does, or one of another site.

    Raises
    ------
    TallywireError
        It answers and asks who is there, or does not prove itself.
    """
    try:
        with client_of(site, timeout=ANSWER_S) as client:
            answer = client.get("/api/v1/site")
        if answer.status_code in (401, 403):
            raise TallywireError("the service asks who you are", where=address_of(site), fix=refused(answer, "operate"))
        return answer.status_code == 200 and answer.json().get("site") == site.site
    except httpx.HTTPError as error:
        if unproven(error):
            raise silent(error, address_of(site)) from error
        return False
    except ValueError:
        return False


def _reading(loop: str, row: Mapping[str, object]) -> Reading:
    value = row.get("value")
    number = float(value) if isinstance(value, int | float) else math.nan
    quality = "bad" if row.get("stale") else row.get("quality")
    code = {"good": 0, "uncertain": 1}.get(str(quality), BAD) if not isinstance(quality, int) else quality
    return Reading(
        loop=loop, role=str(row["role"]), value=number, quality=code if math.isfinite(number) else BAD, receive_time=0.0
    )
