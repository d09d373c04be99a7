"""Which blocks are read from a Modbus endpoint: few requests, no value torn in two. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise

from collector.bundle import Tags
from collector.sources.decode import BlockDecoder, registers_of
from config.model import ModbusEndpoint, ModbusTag, Site

FUNCTIONS = {"coil": 1, "discrete": 2, "holding": 3, "input": 4}
"""Read functions of the Modbus application protocol V1.1b3, sections 6.1 to 6.4."""
MOST_BITS = 2000
"""Most coils or inputs in one answer (section 6.1)."""
ILLEGAL_DATA_ADDRESS = 2


@dataclass(frozen=True, slots=True)
class TagPlace:
    """A tag with the loop and the role it serves."""

    loop: str
    role: str
    tag: ModbusTag

    @property
    def end(self) -> int:
        """First address behind the tag."""
        return self.tag.address + registers_of(self.tag)


@dataclass(frozen=True)
class Block:
    """One read request: `count` registers or bits from `start` of one table of one unit, and the tags that lie in it."""

    unit: int
    table: str
    start: int
    count: int
    places: tuple[TagPlace, ...]

    @property
    def function(self) -> int:
        """The function code that reads it."""
        return FUNCTIONS[self.table]

    @cached_property
    def names(self) -> tuple[tuple[str, str], ...]:
        """Loop and role of its tags."""
        return tuple((place.loop, place.role) for place in self.places)

    @cached_property
    def decoder(self) -> BlockDecoder:
        """The compiled decoder of its tags."""
        return BlockDecoder([(place.role, place.tag) for place in self.places], self.start, self.count)

    @cached_property
    def tags(self) -> Tags:
        """Its tags as the readings of all its polls share them."""
        return Tags(self.names, self.decoder.raw_of)


@dataclass(slots=True)
class Plan:
    """The blocks of one endpoint by period [s]; splits that a device has forced stay."""

    blocks: dict[float, list[Block]] = field(default_factory=dict)

    def split(self, period: float, block: Block) -> list[Block]:
        """Replace a block that the device refuses for an address in it; returns the parts, empty where it is one value.

        Holes between its values are the first suspects: the block is cut at all of them. A block without holes is halved.
        """
        parts = [_block(block.unit, block.table, run) for run in _runs(block.places)]
        if len(parts) == 1:
            parts = _halves(block)
        if not parts:
            return []
        position = self.blocks[period].index(block)
        self.blocks[period][position : position + 1] = parts
        return parts


def places_of(site: Site, endpoint_name: str) -> list[TagPlace]:
    """All Modbus tags of an endpoint."""
    return [
        TagPlace(loop_id, role, tag)
        for loop_id, loop in site.loops.items()
        for role, tag in loop.tags.items()
        if isinstance(tag, ModbusTag) and tag.endpoint == endpoint_name
    ]


def plan(endpoint: ModbusEndpoint, places: Iterable[TagPlace]) -> Plan:
    """Group tags into blocks.

    Tags of one unit, table and period are joined over gaps of up to `endpoint.join_gap` addresses, up to
    `endpoint.max_registers` registers or 2000 bits. Raises ValueError where a tag cannot be decoded or reaches beyond
    address 65535.
    """
    sorts: dict[tuple[float, int, str], list[TagPlace]] = {}
    for place in places:
        if place.end > 65536:
            raise ValueError(f"{place.loop} {place.role}: address {place.tag.address} and its registers end beyond 65535")
        unit = endpoint.unit if place.tag.unit is None else place.tag.unit
        period = endpoint.period if place.tag.period is None else place.tag.period
        sorts.setdefault((period, unit, place.tag.table), []).append(place)
    made = Plan()
    for (period, unit, table), sort in sorted(sorts.items(), key=lambda item: item[0]):
        most = MOST_BITS if table in ("coil", "discrete") else endpoint.max_registers
        for run in _runs(sort, gap=endpoint.join_gap, most=most):
            block = _block(unit, table, run)
            _ = block.decoder
            made.blocks.setdefault(period, []).append(block)
    return made


def _runs(places: Sequence[TagPlace], *, gap: int = 0, most: int = MOST_BITS) -> list[list[TagPlace]]:
    """Stretches of places without a gap wider than `gap`, none longer than `most` (but one value is never cut)."""
    runs: list[list[TagPlace]] = []
    end = 0
    for place in sorted(places, key=lambda item: (item.tag.address, item.end)):
        if runs and place.tag.address <= end + gap and max(end, place.end) - runs[-1][0].tag.address <= most:
            runs[-1].append(place)
            end = max(end, place.end)
        else:
            runs.append([place])
            end = place.end
    return runs


def _block(unit: int, table: str, run: Sequence[TagPlace]) -> Block:
    start = min(place.tag.address for place in run)
    return Block(unit, table, start, max(place.end for place in run) - start, tuple(run))


def _halves(block: Block) -> list[Block]:
    """Cut near the middle where no value is torn; nothing where there is no such place."""
    middle = block.start + block.count / 2
    cuts = [
        position
        for position, (_, after) in enumerate(pairwise(block.places), 1)
        if all(place.end <= after.tag.address for place in block.places[:position])
    ]
    if not cuts:
        return []
    cut = min(cuts, key=lambda position: abs(block.places[position].tag.address - middle))
    return [_block(block.unit, block.table, block.places[:cut]), _block(block.unit, block.table, block.places[cut:])]
