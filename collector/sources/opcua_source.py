"""An OPC UA endpoint as a source: one Read request for each group of tags, or a subscription."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite

from asyncua import ua

from collector.bundle import Bundle, Tags
from collector.clock import Clock
from collector.reading import BAD, Reading
from collector.sources.failure import LinkError
from collector.sources.opcua import OpcUaLink
from collector.sources.opcua_batch import Batch, Layout, Numbers
from collector.sources.opcua_names import NodeName, parse
from collector.sources.opcua_values import NodeDecoder, NodeValue
from collector.sources.source import Place, Poll, bad_readings
from collector.sources.subscription import Feed
from config.model import OpcUaEndpoint, OpcUaTag, Site


@dataclass(slots=True)
class _Item:
    """One tag: where it belongs, how it is decoded, and the node that is read; without one, `lacks` says what is not there."""

    place: Place
    tag: OpcUaTag
    decoder: NodeDecoder
    name: NodeName
    owner: ua.NodeId | None = None
    node: ua.NodeId | None = None
    lacks: str = ""


class _Present:
    """The tags of a group whose nodes the server has."""

    def __init__(self, items: list[_Item]) -> None:
        self.items = items
        self.batch = Batch([item.node for item in items if item.node is not None])
        self._tags = Tags([item.place for item in items], lambda numbers, place: (float(numbers[place]),))
        self._layout: Layout | None = None
        self._quick: list[Callable[[float | int], float]] = []

    def bundle(self, values: Sequence[NodeValue], received: float) -> Bundle | None:
        """Their readings where all are good numbers, else None."""
        if not isinstance(values, Numbers) or any(values.statuses):
            return None
        if values.layout is not self._layout:
            self._layout = values.layout
            self._quick = [item.decoder.quick(whole) for item, whole in zip(self.items, values.layout.whole, strict=True)]
        found = [quick(number) for quick, number in zip(self._quick, values.numbers, strict=True)]
        return Bundle(self._tags, found, received, values.numbers, sources=values.sources) if isfinite(sum(found)) else None


class OpcUaSource:
    """Reads the tags of one OPC UA server. ValueError where a tag cannot be read as it is written."""

    def __init__(self, name: str, endpoint: OpcUaEndpoint, site: Site, clock: Clock) -> None:
        self._name, self._endpoint, self._clock = name, endpoint, clock
        self._groups: dict[float, list[_Item]] = {}
        for loop_id, loop in site.loops.items():
            for role, tag in loop.tags.items():
                if isinstance(tag, OpcUaTag) and tag.endpoint == name:
                    period = endpoint.period if tag.period is None else tag.period
                    self._groups.setdefault(period, []).append(_item((loop_id, role), tag))
        self._present: dict[float, _Present] = {}
        self._link: OpcUaLink | None = None
        self._feed: Feed | None = None

    @property
    def periods(self) -> Sequence[float]:
        """The groups of tags, each named by its period [s]."""
        return list(self._groups)

    @property
    def link(self) -> OpcUaLink | None:
        """The present connection."""
        return self._link

    def places(self, period: float) -> Sequence[Place]:
        """The tags of a group."""
        return [item.place for item in self._groups[period]]

    def nodes(self, period: float) -> list[ua.NodeId]:
        """The nodes that are read for a group, once connected."""
        return [item.node for item in self._groups[period] if item.node is not None]

    def clock_skew_s(self) -> float | None:
        """Clock of the server against ours [s], + = ahead."""
        return None if self._link is None else self._link.skew_s

    def certificate_expires(self) -> float | None:
        """When our client certificate ends [epoch s]."""
        return None if self._link is None else self._link.certificate_expires

    def notice(self) -> str:
        """A password over a connection that nothing protects is told."""
        if self._endpoint.user and self._endpoint.security == "none":
            return f"the password for {self._name} goes over a connection that is not encrypted and whose server is not proven"
        return ""

    async def connect(self) -> None:
        """Build a new session, resolve the properties, subscribe where asked; LinkError where that fails."""
        await self.disconnect()
        link = OpcUaLink(self._name, self._endpoint, self._clock, longest_period=max(self._groups, default=1.0))
        try:
            await link.open()
            await self._resolve(link)
            if self._endpoint.subscribe:
                self._feed = Feed(link, self._clock)
                for period, items in self._groups.items():
                    await self._feed.add(period, [item.node for item in items if item.node is not None])
        except BaseException:
            await self._drop(link)
            raise
        self._link = link

    async def disconnect(self) -> None:
        """End subscription and session."""
        link, self._link = self._link, None
        if link is not None:
            await self._drop(link)

    async def _drop(self, link: OpcUaLink) -> None:
        feed, self._feed = self._feed, None
        if feed is not None:
            feed.close()
        await link.close()

    async def poll(self, period: float) -> Poll:
        """Read a group once."""
        link = self._link
        poll = Poll()
        if link is None:
            poll.lost = True
            poll.blame("disconnected")
            poll.bring(bad_readings(self.places(period), "disconnected", self._clock.now()))
            return poll
        present = self._present[period]
        for item in self._groups[period] if len(present.items) < len(self._groups[period]) else ():
            if item.node is not None:
                continue
            poll.bring(bad_readings([item.place], item.lacks, self._clock.now()))
            poll.blame(item.lacks)
        try:
            await self._read(link, present, poll)
            await link.check_clock()
        except LinkError as error:
            poll.timeouts += int(error.kind == "timeout")
            poll.bad_frames += int(error.kind == "bad frame")
            poll.lost = error.kind != "timeout"
            poll.blame(error.reason)
            if not poll.good:
                poll.bring(bad_readings([item.place for item in present.items], error.reason, self._clock.now()))
        return poll

    async def _read(self, link: OpcUaLink, present: _Present, poll: Poll) -> None:
        readings: Sequence[Reading]
        if self._feed is not None:
            latest = await self._feed.latest(present.batch.nodes)
            readings = [item.decoder.reading(*one) for item, came in zip(present.items, latest, strict=True) for one in came]
        else:
            readings = self._decoded(present, await link.values(present.batch))
        poll.replies += 1
        poll.good += 1
        poll.rtt_s = link.rtt_s
        poll.bring(readings)
        if not isinstance(readings, Bundle):
            _blame_bad_status(poll)

    def _decoded(self, present: _Present, values: Sequence[NodeValue]) -> Sequence[Reading]:
        now = self._clock.now()
        return present.bundle(values, now) or [
            item.decoder.reading(value, now) for item, value in zip(present.items, values, strict=True)
        ]

    async def _resolve(self, link: OpcUaLink) -> None:
        items = [item for group in self._groups.values() for item in group]
        namespaces = await link.namespaces() if any(item.name.uri for item in items) else []
        for item in items:
            item.owner = item.node = item.name.in_server(namespaces)
            item.lacks = f"the server has no namespace {item.name.uri}"
        parts = [(item, item.owner) for item in items if item.tag.property and item.owner is not None]
        nodes = await link.properties([(owner, item.tag.property.partition(".")[0]) for item, owner in parts])
        for (item, _), node in zip(parts, nodes, strict=True):
            item.node, item.lacks = node, f"no {item.tag.property.partition('.')[0]}"
        for period, group in self._groups.items():
            present = [item for item in group if item.node is not None]
            self._present[period] = _Present(present)

    def owners(self) -> dict[Place, ua.NodeId]:
        """The node of each tag in the server that is connected; for a property the node that has it."""
        return {item.place: item.owner for group in self._groups.values() for item in group if item.owner is not None}


def _item(place: Place, tag: OpcUaTag) -> _Item:
    try:
        name = parse(tag.node)
    except ValueError as error:
        raise ValueError(f"{place[0]} {place[1]}: {error}; write ns=2;s=flow, ns=2;i=1001, or nsu=URI;s=flow") from error
    return _Item(place, tag, NodeDecoder(*place, tag), name)


def _blame_bad_status(poll: Poll) -> None:
    """Say how many tags of the poll are bad by their status, with the commonest status."""
    names = Counter(reading.reason for reading in poll.readings if reading.quality == BAD and reading.reason.startswith("Bad"))
    if names:
        name, _ = names.most_common(1)[0]
        poll.blame(f"{names.total()} of {len(poll.readings)} tags bad: {name}")
