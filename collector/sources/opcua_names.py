"""Node ids as a site file writes them: with the index of the namespace, or with its URI, which a restart cannot move.

The form with the URI is that of OPC UA Part 6 (5.3.1.11, from memory): `nsu=URI;s=NAME`, where `;` and `%` of the URI are written as
`%3B` and `%25`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from asyncua import ua
from asyncua.ua.uaerrors import UaError

WITH_URI = "nsu="


@dataclass(frozen=True, slots=True)
class NodeName:
    """A node id; with a `uri` its namespace index is that of the URI in the server that is asked."""

    node: ua.NodeId
    uri: str

    def in_server(self, namespaces: Sequence[str]) -> ua.NodeId | None:
        """The node id in a server with these namespaces; None where it has none of this URI."""
        if not self.uri:
            return self.node
        if self.uri not in namespaces:
            return None
        return ua.NodeId(self.node.Identifier, ua.Int16(namespaces.index(self.uri)), self.node.NodeIdType)


def parse(text: str) -> NodeName:
    """Read a node id; ValueError where it is none."""
    uri, rest = "", text.strip()
    if rest.startswith(WITH_URI):
        uri, _, rest = rest.removeprefix(WITH_URI).partition(";")
        uri = uri.replace("%3B", ";").replace("%3b", ";").replace("%25", "%")
    try:
        node = ua.NodeId.from_string(rest)
    except (UaError, ValueError, KeyError) as error:
        raise ValueError(f"{text!r} is no node id") from error
    if isinstance(node, ua.ExpandedNodeId) or "svr=" in rest or (uri and node.NamespaceIndex):
        raise ValueError(f"{text!r} names its namespace twice, or another server")
    if text.strip().startswith(WITH_URI) and not uri:
        raise ValueError(f"{text!r} names no namespace")
    return NodeName(node, uri)


def written(node: ua.NodeId, namespaces: Sequence[str]) -> str:
    """A node id as a site file takes it, with the URI of its namespace where the server tells it."""
    index = node.NamespaceIndex
    if not 0 < index < len(namespaces) or not namespaces[index]:
        return str(node.to_string())
    plain = ua.NodeId(node.Identifier, ua.Int16(0), node.NodeIdType).to_string()
    uri = namespaces[index].replace("%", "%25").replace(";", "%3B")
    return f"{WITH_URI}{uri};{plain}"
