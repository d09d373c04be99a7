"""The address space of an OPC UA server, walked slowly and within limits: its variables with value, unit and range.

Only Browse, BrowseNext and Read are asked for (OPC UA Part 4, 5.8.2, 5.8.3 and 5.10.2). Every node is visited once, so a space that
leads back into itself ends; another server that is referred to is left alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from asyncua import ua
from asyncua.ua.attribute_ids import AttributeIds

from collector.sources.failure import Kind, LinkError
from collector.sources.opcua import TOO_MANY, OpcUaLink
from collector.sources.opcua_failures import failures
from collector.sources.opcua_names import NodeName, parse, written
from collector.sources.opcua_variable import Space, Variable, clean, fill, good, put_ends, put_unit
from config.errors import TallywireError

DEPTH, MOST_NODES = 12, 5000
AT_ONCE = 40
"""Nodes that one request browses or reads."""
REFERENCES_AT_ONCE = 500
OBJECTS = ua.NodeId(ua.Int32(85))
HIERARCHICAL = ua.NodeId(ua.Int32(33))
HAS_PROPERTY = 46
OF_THE_STANDARD = 0
"""Index of the namespace of the standard: what lies there under Objects is the server itself, not the plant."""
ATTRIBUTES = (AttributeIds.Value, AttributeIds.DataType, AttributeIds.ValueRank)

Progress = Callable[[int, int, str], None]
"""Told how many nodes were seen, how many requests were sent, and the folder that is looked into."""


@dataclass(slots=True)
class _Place:
    node: ua.NodeId
    name: str
    path: tuple[str, ...]
    parts: dict[str, ua.NodeId] = field(default_factory=dict)
    is_variable: bool = False


class Walker:
    """Walks one server over a link that is open. `requests` counts what was asked."""

    def __init__(self, link: OpcUaLink, progress: Progress = lambda seen, requests, where: None) -> None:
        self._link, self._progress = link, progress
        self._at_once = AT_ONCE
        self._seen: set[ua.NodeId] = set()
        self._variables: list[_Place] = []
        self._before = self._sent
        self.space = Space()

    @property
    def _sent(self) -> int:
        """Requests that left over the link, its session aside."""
        passed = self._link.guard.passed
        return sum(passed[service] for service in ("Read", "Browse", "BrowseNext"))

    async def walk(self, under: str = "", *, depth: int = DEPTH, most: int = MOST_NODES) -> Space:
        """Walk below a node (the Objects folder where none is named), then read what was found.

        What was found before a failure stays in `space`. Raises LinkError where the server fails, TallywireError where there is no
        node to begin at.
        """
        namespaces = self.space.namespaces = await self._link.namespaces()
        start = await self._start(under, namespaces)
        level = [start]
        self._seen.add(start.node)
        try:
            for _ in range(depth):
                if not level or self.space.cut:
                    break
                level = await self._below(level, most, everything=bool(under))
            if level and not self.space.cut:
                self.space.cut = f"deeper than {depth} folders: go on with --under"
        finally:
            self.space.nodes = len(self._seen)
            self.space.variables = [
                Variable(node=written(place.node, namespaces), path=place.path, name=place.name) for place in self._variables
            ]
        try:
            await self._read()
        finally:
            self.space.requests = self._sent - self._before
        return self.space

    async def _start(self, under: str, namespaces: Sequence[str]) -> _Place:
        if not under:
            return _Place(OBJECTS, "Objects", ())
        try:
            name: NodeName = parse(under)
        except ValueError as error:
            raise TallywireError(str(error), where="--under", fix="such as nsu=urn:plc;s=TB-07, or ns=2;s=TB-07") from error
        node = name.in_server(namespaces)
        if node is None:
            known = ", ".join(namespaces) or "none"
            raise TallywireError(f"the server has no namespace {name.uri}", where="--under", fix=f"one of {known}")
        ((kind, shown),) = await self._link.attributes([node], (AttributeIds.NodeClass, AttributeIds.DisplayName))
        if not good(kind) or kind.Value is None:
            raise TallywireError(
                f"the server has no node {under}", where="--under", fix="browse without --under to see what it has"
            )
        text = shown.Value.Value.Text if good(shown) and shown.Value is not None else under
        place = _Place(node, clean(str(text)), (), is_variable=int(kind.Value.Value) == int(ua.NodeClass.Variable))
        if place.is_variable:
            self._variables.append(place)
        return place

    async def _below(self, level: list[_Place], most: int, *, everything: bool) -> list[_Place]:
        """The objects and variables below some places that were not seen yet."""
        out: list[_Place] = []
        left = list(level)
        while left and not self.space.cut:
            part, left = left[: self._at_once], left[self._at_once :]
            try:
                found = await self._browse(part)
            except LinkError as error:
                if error.code not in TOO_MANY or len(part) == 1:
                    raise
                self._at_once = max(1, len(part) // 2)
                left = part + left
                continue
            for place, references in zip(part, found, strict=True):
                self._take(place, references, most, out, everything=everything)
                self._progress(len(self._seen), self._sent - self._before, "/".join((*place.path, place.name)))
        return out

    def _take(self, place: _Place, references: Sequence[Any], most: int, out: list[_Place], *, everything: bool) -> None:
        for reference in references:
            target = reference.NodeId
            if getattr(target, "ServerIndex", None) or getattr(target, "NamespaceUri", None):
                continue
            node = ua.NodeId(target.Identifier, target.NamespaceIndex, target.NodeIdType)
            name = clean(str(reference.DisplayName.Text or reference.BrowseName.Name or node.to_string()))
            if reference.ReferenceTypeId.Identifier == HAS_PROPERTY and reference.ReferenceTypeId.NamespaceIndex == 0:
                if place.is_variable:
                    place.parts[str(reference.BrowseName.Name)] = node
                    continue
                if place.node == OBJECTS:
                    continue
            if node in self._seen or (not everything and node.NamespaceIndex == OF_THE_STANDARD):
                continue
            if len(self._seen) >= most:
                self.space.cut = f"more than {most} nodes: name a folder with --under"
                return
            self._seen.add(node)
            path = () if place.node == OBJECTS else (*place.path, place.name)
            below = _Place(node, name, path, is_variable=reference.NodeClass == ua.NodeClass.Variable)
            out.append(below)
            if below.is_variable:
                self._variables.append(below)

    async def _browse(self, places: Sequence[_Place]) -> list[list[Any]]:
        """The references of each place, all pages of them."""
        params = ua.BrowseParameters()
        params.RequestedMaxReferencesPerNode = ua.UInt32(REFERENCES_AT_ONCE)
        params.NodesToBrowse = [
            ua.BrowseDescription(
                NodeId=place.node, BrowseDirection=ua.BrowseDirection.Forward, ReferenceTypeId=HIERARCHICAL, IncludeSubtypes=True,
                NodeClassMask=ua.UInt32(ua.NodeClass.Object | ua.NodeClass.Variable), ResultMask=ua.UInt32(ua.BrowseResultMask.All),
            )
            for place in places
        ]  # fmt: skip
        await self._link.turn()
        with failures():
            results = await self._link.client.uaclient.session.browse(params)
        if len(results) != len(places):
            raise LinkError(Kind.BAD_FRAME, f"bad frame: {len(results)} answers instead of {len(places)}")
        return [await self._pages(result) for result in results]

    async def _pages(self, result: Any) -> list[Any]:
        references = list(result.References or ())
        point = result.ContinuationPoint
        while point and len(references) < MOST_NODES:
            point = await self._next(point, references)
        if point:
            await self._next(point, references, release=True)
        return references

    async def _next(self, point: bytes, references: list[Any], *, release: bool = False) -> bytes | None:
        params = ua.BrowseNextParameters()
        params.ReleaseContinuationPoints = release
        params.ContinuationPoints = [point]
        await self._link.turn()
        with failures():
            (more,) = await self._link.client.uaclient.session.browse_next(params) or (ua.BrowseResult(),)
        references += more.References or ()
        following: bytes | None = more.ContinuationPoint
        return None if release else following

    async def _read(self) -> None:
        """Value, data type, unit and range of every variable."""
        places = self._variables
        for start in range(0, len(places), AT_ONCE):
            part = places[start : start + AT_ONCE]
            self._progress(
                len(self._seen), self._sent - self._before, f"values {start + 1} to {start + len(part)} of {len(places)}"
            )
            rows = await self._link.attributes([place.node for place in part], ATTRIBUTES)
            for variable, row in zip(self.space.variables[start : start + AT_ONCE], rows, strict=True):
                fill(variable, row)
        for name, put in (("EngineeringUnits", put_unit), ("EURange", put_ends)):
            having = [(place.parts[name], at) for at, place in enumerate(places) if name in place.parts]
            for start in range(0, len(having), AT_ONCE):
                chunk = having[start : start + AT_ONCE]
                rows = await self._link.attributes([node for node, _ in chunk], (AttributeIds.Value,))
                for (_, at), (data,) in zip(chunk, rows, strict=True):
                    put(self.space.variables[at], None if data.Value is None else data.Value.Value)
