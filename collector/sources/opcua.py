"""One OPC UA connection: opened, read, browsed and closed; never written to."""

from __future__ import annotations

import asyncio
import contextlib
import os
from collections import deque
from collections.abc import Sequence
from datetime import datetime

from asyncua import ua
from asyncua.client.client import Client
from asyncua.crypto import security_policies, uacrypto
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError
from cryptography.hazmat.primitives.serialization import Encoding

from collector.clock import Clock
from collector.delivery.secrets import require_private
from collector.sources.certificates import end_of_validity, load
from collector.sources.failure import Kind, LinkError
from collector.sources.guard import OpcUaGuard
from collector.sources.opcua_batch import Batch, ReadRequest
from collector.sources.opcua_failures import failures
from collector.sources.opcua_values import NodeValue
from config.errors import TallywireError
from config.model import OpcUaEndpoint

SESSION_MS = 60_000
"""A session that we could not close ends by itself after this time [ms]."""
PROBE_S = (5.0, 20.0)
"""Least and longest time between the library's own probes of the server [s]; the longest keeps the session alive."""
CLOSE_S = 2.0
SKEW_EVERY_S = 600.0
MOST_NODES = 1000
UNHEARD = "no secure channel: the server does not have the pinned certificate, or it does not trust ours"
MAX_NODES_PER_READ = ua.NodeId(ua.Int32(11705))
CURRENT_TIME = ua.NodeId(ua.Int32(2258))
NAMESPACES = ua.NodeId(ua.Int32(2255))
SELDOM_S = 3600.0
"""Between the library's own probes where requests are counted: those that are made show whether the server lives [s]."""

TOO_MANY = frozenset({StatusCodes.BadTooManyOperations, StatusCodes.BadResponseTooLarge, StatusCodes.BadRequestTooLarge})


class OpcUaLink:
    """One session; a new object for each attempt. With a `rate` it sends no more requests a second once it is open."""

    def __init__(
        self, name: str, endpoint: OpcUaEndpoint, clock: Clock, *, longest_period: float, rate: float | None = None
    ) -> None:
        self._name, self._endpoint, self._clock = name, endpoint, clock
        self._rate, self._next_turn = rate, 0.0
        probe_s = min(max(PROBE_S[0], 3 * longest_period), PROBE_S[1]) if rate is None else SELDOM_S
        self.client = Client(endpoint.url, timeout=endpoint.timeout, watchdog_intervall=probe_s)
        self.client.name = self.client.description = "tallywire"
        self.client.application_uri = endpoint.application_uri
        self.client.product_uri = "urn:tallywire"
        self.client.session_timeout = SESSION_MS
        self.guard = OpcUaGuard(f"endpoint {name}")
        self.client.uaclient.observer = self.guard
        self._most_nodes = MOST_NODES
        self.certificate_expires: float | None = None
        self.skew_s: float | None = None
        self._skew_due = 0.0
        self.rtt_s: float | None = None

    async def open(self) -> None:
        """Connect, log in, learn the limits and the clock of the server; LinkError where that fails."""
        await self._secure()
        self._log_in()
        try:
            async with asyncio.timeout(2 * self._endpoint.timeout):
                with failures(connecting=True):
                    await self.client.connect()
        except TimeoutError:
            raise self._no_channel(LinkError(Kind.TIMEOUT, "no answer to the connection")) from None
        except LinkError as error:
            raise self._no_channel(error) from error
        await self._learn_limits()
        await self.check_clock()

    def _no_channel(self, error: LinkError) -> LinkError:
        """Where a server took the connection and no message of ours, the keys are the likeliest reason."""
        unheard = error.kind in (Kind.TIMEOUT, Kind.REFUSED) and self.guard.took_connection
        return LinkError(Kind.SETUP, UNHEARD) if unheard and self._endpoint.security != "none" else error

    async def close(self) -> None:
        """End session, channel and connection; bounded in time."""
        protocol = self.client.uaclient.protocol
        try:
            with contextlib.suppress(TimeoutError, OSError, UaError):
                async with asyncio.timeout(min(CLOSE_S, self._endpoint.timeout)):
                    await self.client.close_session()
                    await self.client.close_secure_channel()
        finally:
            self.client.disconnect_socket()
            # the library forgets a transport whose connection was cancelled while it was made
            if protocol is not None and protocol.transport is not None:
                protocol.transport.abort()

    async def read(self, nodes: Sequence[ua.NodeId]) -> list[ua.DataValue]:
        """The values of nodes with both time stamps, one for each; LinkError where the server fails as a whole."""
        values: list[ua.DataValue] = []
        began = self._clock.monotonic()
        while len(values) < len(nodes):
            part = nodes[len(values) : len(values) + self._most_nodes]
            try:
                values += await self._read_part(part)
            except LinkError as error:
                if error.code not in TOO_MANY or len(part) == 1:
                    raise
                self._most_nodes = max(1, len(part) // 2)
        self.rtt_s = self._clock.monotonic() - began
        return values

    async def values(self, batch: Batch) -> Sequence[NodeValue]:
        """The values of a batch, one for each node; LinkError where the server fails as a whole."""
        began = self._clock.monotonic()
        values: Sequence[NodeValue] = []
        parts = deque(batch.parts(self._most_nodes))
        while parts:
            count, parameters = parts.popleft()
            await self.turn()
            try:
                with failures():
                    reply = await self.client.uaclient._send_request(ReadRequest(Parameters=parameters))
                    got = batch.values(reply, parameters)
            except LinkError as error:
                if error.code not in TOO_MANY or count == 1:
                    raise
                self._most_nodes = max(1, count // 2)
                values, parts = [], deque(batch.parts(self._most_nodes))
                continue
            if len(got) != count:
                raise LinkError(Kind.BAD_FRAME, f"bad frame: {len(got)} values instead of {count}")
            values = [*values, *got] if values else got
        self.rtt_s = self._clock.monotonic() - began
        return values

    async def turn(self) -> None:
        """Wait until the next request may leave."""
        if self._rate is not None:
            await self._clock.sleep_until(self._next_turn)
            self._next_turn = self._clock.monotonic() + 1.0 / self._rate

    async def _read_part(
        self, nodes: Sequence[ua.NodeId], attributes: Sequence[AttributeIds] = (AttributeIds.Value,)
    ) -> list[ua.DataValue]:
        """The attributes of nodes, those of a node together."""
        params = ua.ReadParameters()
        params.MaxAge = 0
        params.TimestampsToReturn = ua.TimestampsToReturn.Both
        params.NodesToRead = [ua.ReadValueId(NodeId=node, AttributeId=item) for node in nodes for item in attributes]
        await self.turn()
        with failures():
            got = await self.client.uaclient.session.read(params)
        if len(got) != len(params.NodesToRead):
            raise LinkError(Kind.BAD_FRAME, f"bad frame: {len(got)} values instead of {len(params.NodesToRead)}")
        return list(got)

    async def attributes(self, nodes: Sequence[ua.NodeId], wanted: Sequence[AttributeIds]) -> list[list[ua.DataValue]]:
        """Some attributes of each node, in requests as large as the server takes."""
        out: list[list[ua.DataValue]] = []
        while len(out) < len(nodes):
            part = nodes[len(out) : len(out) + max(1, self._most_nodes // len(wanted))]
            try:
                got = await self._read_part(part, wanted)
            except LinkError as error:
                if error.code not in TOO_MANY or len(part) == 1:
                    raise
                self._most_nodes = max(1, len(part) * len(wanted) // 2)
                continue
            out += [got[start : start + len(wanted)] for start in range(0, len(got), len(wanted))]
        return out

    async def namespaces(self) -> list[str]:
        """The URIs of the server's namespaces, by index; none where it does not tell them."""
        (data,) = await self._read_part([NAMESPACES])
        value = data.Value.Value if data.Value is not None else None
        return [str(uri) for uri in value] if isinstance(value, list) else []

    async def properties(self, wanted: Sequence[tuple[ua.NodeId, str]]) -> list[ua.NodeId | None]:
        """The nodes of properties, None where a node has none of that name."""
        found: list[ua.NodeId | None] = []
        while len(found) < len(wanted):
            part = wanted[len(found) : len(found) + self._most_nodes]
            paths = [_property_path(node, name) for node, name in part]
            await self.turn()
            with failures():
                results = await self.client.uaclient.session.translate_browsepaths_to_nodeids(paths)
            if len(results) != len(part):
                raise LinkError(Kind.BAD_FRAME, f"bad frame: {len(results)} paths instead of {len(part)}")
            found += [
                result.Targets[0].TargetId if result.StatusCode.is_good() and result.Targets else None for result in results
            ]
        return found

    async def check_clock(self) -> None:
        """Compare the clock of the server with ours, at most every 10 min; a server without a clock keeps None."""
        if self._clock.monotonic() < self._skew_due:
            return
        self._skew_due = self._clock.monotonic() + SKEW_EVERY_S
        sent = self._clock.now()
        (data,) = await self._read_part([CURRENT_TIME])
        value = data.Value.Value if data.Value is not None else None
        if isinstance(value, datetime) and value.tzinfo is not None:
            self.skew_s = value.timestamp() - (sent + self._clock.now()) / 2

    async def _learn_limits(self) -> None:
        (data,) = await self._read_part([MAX_NODES_PER_READ])
        limit = data.Value.Value if data.Value is not None else None
        if isinstance(limit, int) and limit > 0:
            self._most_nodes = min(limit, MOST_NODES)

    async def _secure(self) -> None:
        endpoint = self._endpoint
        if endpoint.security == "none":
            return
        if endpoint.server_certificate is None or endpoint.client_certificate is None or endpoint.client_key is None:
            raise LinkError(Kind.SETUP, "server_certificate, client_certificate and client_key are needed for this security")
        try:
            require_private("client_key", endpoint.client_key)
            key = endpoint.client_key.read_bytes()
            self.certificate_expires = end_of_validity(endpoint.client_certificate)
            await self.client.set_security(
                getattr(security_policies, f"SecurityPolicy{endpoint.security}"),
                uacrypto.CertProperties(load(endpoint.client_certificate).public_bytes(Encoding.DER), extension="der"),
                uacrypto.CertProperties(key, extension="pem" if b"-----BEGIN" in key else "der"),
                server_certificate=uacrypto.CertProperties(
                    load(endpoint.server_certificate).public_bytes(Encoding.DER), extension="der"
                ),
                mode=ua.MessageSecurityMode[endpoint.mode],
            )
        except TallywireError as error:
            raise LinkError(Kind.SETUP, f"certificate files cannot be used: {error.what} {error.where} {error.fix}") from error
        except (OSError, ValueError, TypeError) as error:
            raise LinkError(Kind.SETUP, f"certificate files cannot be used: {error}") from error

    def _log_in(self) -> None:
        endpoint = self._endpoint
        if not endpoint.user:
            return
        self.client.set_user(endpoint.user)
        if endpoint.password_env:
            password = os.environ.get(endpoint.password_env)
            if password is None:
                raise LinkError(Kind.SETUP, f"the environment variable {endpoint.password_env} is not set")
        elif endpoint.password_file is not None:
            try:
                password = endpoint.password_file.read_text(encoding="utf-8").rstrip("\r\n")
                require_private("password_file", endpoint.password_file)
            except TallywireError as error:
                raise LinkError(
                    Kind.SETUP, f"the password file cannot be used: {error.what} {error.where} {error.fix}"
                ) from error
            except (OSError, UnicodeDecodeError) as error:
                raise LinkError(Kind.SETUP, f"the password file cannot be read: {error}") from error
        else:
            password = ""
        self.client.set_password(password)


def _property_path(node: ua.NodeId, name: str) -> ua.BrowsePath:
    return ua.BrowsePath(StartingNode=node, RelativePath=ua.RelativePath.from_string(f".0:{name}"))
