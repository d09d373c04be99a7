"""Reading the tags of a survey: Modbus with neighbours and slowly, OPC UA with what the server says of each node."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from collector.clock import Clock
from collector.commissioning.registers import SlowReader
from collector.commissioning.surveyed import Surveyed
from collector.reading import BAD, Reading
from collector.sources.decode import BlockDecoder, registers_of
from collector.sources.failure import LinkError
from collector.sources.opcua_said import said_of
from collector.sources.opcua_source import OpcUaSource
from config.model import ModbusEndpoint, ModbusTag, OpcUaEndpoint, Site, Tag

Place = tuple[str, str]
Step = Callable[[], None]
MARGIN = 1
"""Registers before and behind a tag that are read with it."""
MOST_TOGETHER = 60


async def read_modbus(
    reader: SlowReader, places: Mapping[Place, Tag], clock: Clock, failures: dict[str, str], step: Step = lambda: None
) -> list[Surveyed]:
    """Read the tags of a device with their neighbours; why it failed goes to `failures`, and its tags are bad. `step` is called for each read."""
    tags = {place: tag for place, tag in places.items() if isinstance(tag, ModbusTag)}
    registers: dict[tuple[str, int], dict[int, int]] = {}
    for (table, unit), spans in _spans(reader.endpoint, tags).items():
        for start, count in spans:
            try:
                words = await reader.read_where_it_can(table, unit, start, count)
            except LinkError as error:
                failures.setdefault(reader.name, error.reason)
                words = {}
            registers.setdefault((table, unit), {}).update(words)
            step()
    out = []
    for (loop, role), tag in tags.items():
        unit = reader.endpoint.unit if tag.unit is None else tag.unit
        around = registers.get((tag.table, unit), {})
        window = {
            address: around[address]
            for address in range(tag.address - MARGIN, tag.address + registers_of(tag) + MARGIN + 3)
            if address in around
        }
        reading = _decoded(loop, role, tag, window, failures.get(reader.name, "not answered"), clock.now())
        out.append(Surveyed(loop=loop, role=role, tag=tag, reading=reading, registers=window))
    return out


def reads_of(endpoint: ModbusEndpoint | OpcUaEndpoint, places: Mapping[Place, Tag]) -> int:
    """How many reads the tags of an endpoint take, as long as the device refuses nothing."""
    if isinstance(endpoint, OpcUaEndpoint):
        return 1
    tags = {place: tag for place, tag in places.items() if isinstance(tag, ModbusTag)}
    return sum(len(spans) for spans in _spans(endpoint, tags).values())


def _spans(endpoint: ModbusEndpoint, tags: Mapping[Place, ModbusTag]) -> dict[tuple[str, int], list[tuple[int, int]]]:
    """What is read of each table and unit: first address and count, tags that lie near each other together."""
    wanted: dict[tuple[str, int], list[tuple[int, int]]] = {}
    for tag in tags.values():
        unit = endpoint.unit if tag.unit is None else tag.unit
        first, last = max(0, tag.address - MARGIN), min(65535, tag.address + registers_of(tag) - 1 + MARGIN)
        wanted.setdefault((tag.table, unit), []).append((first, last))
    most = min(MOST_TOGETHER, endpoint.max_registers)
    out: dict[tuple[str, int], list[tuple[int, int]]] = {}
    for key, pieces in wanted.items():
        joined: list[list[int]] = []
        for first, last in sorted(pieces):
            if joined and first <= joined[-1][1] + 1 and last - joined[-1][0] < most:
                joined[-1][1] = max(joined[-1][1], last)
            else:
                joined.append([first, last])
        out[key] = [(first, last - first + 1) for first, last in joined]
    return out


def _decoded(loop: str, role: str, tag: ModbusTag, window: Mapping[int, int], failure: str, now: float) -> Reading:
    words = [window[tag.address + place] for place in range(registers_of(tag)) if tag.address + place in window]
    if len(words) < registers_of(tag):
        return Reading(
            loop=loop, role=role, value=math.nan, quality=BAD, receive_time=now, reason=failure if not window else "refused"
        )
    (got,) = BlockDecoder([(role, tag)], tag.address, registers_of(tag)).decode(words)
    return Reading(
        loop=loop,
        role=role,
        value=got.value,
        quality=got.quality,
        receive_time=now,
        reason=got.reason,
        raw=tuple(map(float, words)),
    )


async def read_opcua(
    site: Site, name: str, endpoint: OpcUaEndpoint, places: Mapping[Place, Tag], clock: Clock, failures: dict[str, str]
) -> list[Surveyed]:
    """Read the tags of a server once, with the unit and the range that it gives for them; failures as of a device."""
    source = OpcUaSource(name, endpoint.model_copy(update={"subscribe": False}), site, clock)
    out: list[Surveyed] = []
    try:
        await source.connect()
        readings: dict[Place, Reading] = {}
        for period in source.periods:
            poll = await source.poll(period)
            readings |= {(reading.loop, reading.role): reading for reading in poll.readings}
        said = await said_of(source, places)
        for (loop, role), tag in places.items():
            unit, ends = said.get((loop, role), ("", None))
            out.append(Surveyed(loop=loop, role=role, tag=tag, reading=readings[loop, role], said_unit=unit, said_range=ends))
    except LinkError as error:
        failures[name] = error.reason
        now = clock.now()
        out = [
            Surveyed(
                loop=loop, role=role, tag=tag,
                reading=Reading(loop=loop, role=role, value=math.nan, quality=BAD, receive_time=now, reason=error.reason),
            )
            for (loop, role), tag in places.items()
        ]  # fmt: skip
    finally:
        await source.disconnect()
    return out
