"""Read every tag of an endpoint once."""

from __future__ import annotations

from collector.clock import Clock, SystemClock
from collector.reading import Reading
from collector.sources.build import silence_libraries, source_of
from collector.sources.failure import LinkError
from collector.sources.source import bad_readings
from config.model import Site


async def read_once(site: Site, endpoint_name: str, clock: Clock | None = None) -> list[Reading]:
    """Connect, read each tag of the endpoint once, disconnect.

    Returns a reading for each tag, bad with the reason where it could not be read. Raises TallywireError where there is no such
    endpoint or a tag cannot be decoded as it is written.
    """
    silence_libraries()
    clock = clock or SystemClock()
    source = source_of(site, endpoint_name, clock)
    readings: list[Reading] = []
    reason = ""
    try:
        await source.connect()
    except LinkError as error:
        reason = error.reason
    try:
        for period in source.periods:
            if reason:
                readings += bad_readings(source.places(period), reason, clock.now())
                continue
            poll = await source.poll(period)
            readings += poll.readings
            reason = poll.reason if poll.lost else ""
    finally:
        await source.disconnect()
    return readings
