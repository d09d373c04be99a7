"""One Modbus connection over TCP, TLS, a serial line, or RTU inside TCP: opened, read and closed; never written to."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
from typing import Any

from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient, AsyncModbusTlsClient
from pymodbus.exceptions import ConnectionException, ModbusException, ModbusIOException
from pymodbus.framer import FramerType
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest
from pymodbus.transaction import TransactionManager

from collector.clock import Clock
from collector.delivery.secrets import require_private
from collector.sources.certificates import end_of_validity
from collector.sources.failure import Kind, LinkError
from collector.sources.frames import (
    LATE,
    Asked,
    MbapFramer,
    RtuFramer,
    asked,
    check_reply,
    describe_mbap,
    describe_rtu,
    words_of,
)
from collector.sources.guard import ModbusGuard
from config.errors import TallywireError
from config.model import ModbusEndpoint, Transport

CONNECT_S = 2.0
"""Least time for a connection, which may need a handshake [s]."""
KEEPALIVE_S = 10
DEAD_PEER_MS = 10_000
TLS_PORT, TCP_PORT = 802, 502
SILENT_CHARACTERS = 3.5
"""Quiet between two frames of RTU (Modbus over serial line V1.02, section 2.5.1.1, from memory)."""

_READS = {1: "read_coils", 2: "read_discrete_inputs", 3: "read_holding_registers", 4: "read_input_registers"}
_REQUESTS: dict[int, type[ModbusPDU]] = {
    1: ReadCoilsRequest,
    2: ReadDiscreteInputsRequest,
    3: ReadHoldingRegistersRequest,
    4: ReadInputRegistersRequest,
}
MBAP_ANSWER_AT = 9
"""Where the values begin in an answer over Modbus TCP."""
Reply = ModbusPDU | bytes


class ModbusLink:
    """One connection; a new object for each attempt. One request is on the way at a time."""

    def __init__(self, name: str, endpoint: ModbusEndpoint, clock: Clock) -> None:
        self._endpoint = endpoint
        self._clock = clock
        self._rtu = endpoint.transport in (Transport.RTU, Transport.RTU_OVER_TCP)
        self._framer = RtuFramer() if self._rtu else MbapFramer()
        self._guard = ModbusGuard(f"endpoint {name}", self._framer.function_at)
        self._client: AsyncModbusTcpClient | AsyncModbusSerialClient | None = None
        self._refusal: Exception | None = None
        self._heard = b""
        self._transaction = 0
        self._accepted: tuple[bytes, int] = (b"", 0)
        self._asks: dict[tuple[int, int, int, int], Asked] = {}
        self._waiting = False
        self._quiet_until = 0.0
        self._gap_s = endpoint.request_gap
        if endpoint.transport is Transport.RTU:
            self._gap_s = max(self._gap_s, SILENT_CHARACTERS * 11 / endpoint.baud)
        self.certificate_expires: float | None = None
        self.rtt_s: float | None = None

    @property
    def client(self) -> AsyncModbusTcpClient | AsyncModbusSerialClient:
        """The library's client; LinkError where there is no connection."""
        if self._client is None or not self._client.connected:
            raise LinkError(Kind.LOST, "disconnected")
        return self._client

    async def open(self) -> None:
        """Connect; LinkError where that fails."""
        self._client = client = self._make_client()
        context = client.ctx
        context.framer = self._framer
        create = context.call_create

        async def remember_refusal() -> Any:
            try:
                return await create()
            except Exception as error:  # noqa: BLE001 - the serial driver raises errors of its own; all are told as the reason
                # without its frames, which would keep a half-opened port open
                self._refusal = error.with_traceback(None)
                raise OSError(str(error)) from None

        context.call_create = remember_refusal
        if not await client.connect():
            self.close()
            raise _connect_failure(self._refusal)
        context.comm_params.timeout_connect = self._endpoint.timeout
        try:
            _keep_alive(context.transport.get_extra_info("socket"))
        except (OSError, AttributeError) as error:  # the library has no transport left where the connection is lost already
            self.close()
            raise LinkError(Kind.REFUSED, "the device ended the connection at once") from error

    def close(self) -> None:
        """Close the connection; safe to call twice."""
        if self._client is not None:
            self._client.close()

    async def read(self, unit: int, function: int, start: int, count: int) -> list[int]:
        """Read `count` registers or bits from `start`; LinkError where no answer, a wrong one or an exception came."""
        return words_of(await self.read_bytes(unit, function, start, count), function, count)

    async def read_bytes(self, unit: int, function: int, start: int, count: int) -> bytes:
        """The same as the bytes that came."""
        began = self._clock.monotonic()
        if self._quiet_until > began:
            await self._clock.sleep_until(self._quiet_until)
            began = self._clock.monotonic()
        client = self.client
        self._heard = b""
        self._waiting = True
        try:
            if isinstance(self._framer, MbapFramer):
                reply: Reply = await self._asked(client.ctx, self._framer, (unit, function, start, count))
            else:
                reply = await getattr(client, _READS[function])(start, count=count, device_id=unit)
        except ConnectionException:
            raise LinkError(Kind.LOST, "connection lost") from None
        except ModbusException:
            raise self._no_reply(unit) from None
        finally:
            self._waiting = False
            ended = self._clock.monotonic()
            self._quiet_until = max(self._quiet_until, ended + self._gap_s)
        self.rtt_s = ended - began
        return reply[MBAP_ANSWER_AT:] if isinstance(reply, bytes) else self._checked(reply, function, count)

    async def _asked(self, context: TransactionManager, framer: MbapFramer, what: tuple[int, int, int, int]) -> Reply:
        """Ask without the library's objects and its lock: one request is on the way at a time, and its frame is always the same."""
        ask = self._asks.get(what)
        if ask is None:
            ask = self._asks[what] = self._prepared(framer, *what)
        loop = asyncio.get_running_loop()
        self._transaction = context.request_transaction_id = context.getNextTID()
        context.request_dev_id = what[0]
        transaction = self._transaction.to_bytes(2, "big")
        frame = transaction + ask.tail
        self._guard.check_frame(frame)
        answers: asyncio.Future[Reply] = loop.create_future()
        context.response_future = answers
        framer.expect(answers, transaction + ask.head, ask.length)
        context.send(frame)
        giving_up = loop.call_later(self._endpoint.timeout, _give_up, answers)
        try:
            return await answers
        finally:
            giving_up.cancel()

    def _prepared(self, framer: MbapFramer, unit: int, function: int, start: int, count: int) -> Asked:
        request = _REQUESTS[function](dev_id=unit, address=start, count=count)
        self._guard.check_request(request)
        return asked(framer.buildFrame(request), count)

    def _checked(self, reply: ModbusPDU, function: int, count: int) -> bytes:
        pdu, transaction = self._accepted
        if transaction != self._transaction:
            raise LinkError(Kind.BAD_FRAME, "bad frame: other transaction id")
        if reply.isError():
            if reply.function_code & 0x7F != function:
                raise LinkError(Kind.BAD_FRAME, "bad frame: exception to another function")
            raise LinkError(Kind.EXCEPTION, f"exception {reply.exception_code}", code=reply.exception_code)
        wrong = check_reply(pdu, function, count)
        if wrong:
            raise LinkError(Kind.BAD_FRAME, f"bad frame: {wrong}")
        return pdu[2:]

    def _no_reply(self, unit: int) -> LinkError:
        if self._rtu:
            self._quiet_until = self._clock.monotonic() + self._endpoint.timeout
        if not self._heard:
            return LinkError(Kind.TIMEOUT, "timeout")
        found = describe_rtu(self._heard, unit) if self._rtu else describe_mbap(self._heard, self._transaction, unit)
        if found == LATE:
            return LinkError(Kind.TIMEOUT, "timeout")
        return LinkError(Kind.BAD_FRAME, f"bad frame: {found}", torn=not self._rtu)

    def _on_pdu(self, sending: bool, pdu: ModbusPDU) -> ModbusPDU:
        if sending:
            self._guard.check_request(pdu)
            self._transaction = pdu.transaction_id
        elif self._waiting:
            self._accepted = (self._framer.pdu, self._framer.transaction)
        return pdu

    def _on_packet(self, sending: bool, data: bytes) -> bytes:
        if sending:
            self._guard.check_frame(data)
        else:
            self._heard = data
        return data

    def _on_connection(self, connected: bool) -> None:
        pending = None if connected or not self._waiting or self._client is None else self._client.ctx.response_future
        if pending is not None and not pending.done():
            pending.set_exception(ConnectionException("the connection ended"))

    def _make_client(self) -> AsyncModbusTcpClient | AsyncModbusSerialClient:
        endpoint = self._endpoint
        common: dict[str, Any] = {
            "timeout": max(endpoint.timeout, CONNECT_S),
            "retries": 0,
            "reconnect_delay": 0,
            "trace_packet": self._on_packet,
            "trace_pdu": self._on_pdu,
            "trace_connect": self._on_connection,
        }
        if endpoint.transport is Transport.RTU:
            return AsyncModbusSerialClient(
                endpoint.device, baudrate=endpoint.baud, parity=endpoint.parity, stopbits=endpoint.stop_bits, **common
            )
        if endpoint.transport is Transport.TLS:
            context = self._tls_context()
            return AsyncModbusTlsClient(endpoint.host, port=endpoint.port or TLS_PORT, sslctx=context, **common)
        framer = FramerType.RTU if self._rtu else FramerType.SOCKET
        return AsyncModbusTcpClient(endpoint.host, port=endpoint.port or TCP_PORT, framer=framer, **common)

    def _tls_context(self) -> ssl.SSLContext:
        endpoint = self._endpoint
        try:
            context = ssl.create_default_context(cafile=endpoint.ca_file)
            if endpoint.client_certificate is not None:
                if endpoint.client_key is not None:
                    require_private("client_key", endpoint.client_key)
                context.load_cert_chain(endpoint.client_certificate, endpoint.client_key)
                self.certificate_expires = end_of_validity(endpoint.client_certificate)
        except TallywireError as error:
            raise LinkError(Kind.SETUP, f"certificate files cannot be used: {error.what} {error.where} {error.fix}") from error
        except (OSError, ValueError) as error:
            raise LinkError(Kind.SETUP, f"certificate files cannot be used: {error}") from error
        return context


def _give_up(answers: asyncio.Future[Reply]) -> None:
    if not answers.done():
        answers.set_exception(ModbusIOException("no answer in time"))


def _connect_failure(error: Exception | None) -> LinkError:
    if error is None:
        return LinkError(Kind.TIMEOUT, "no answer to the connection")
    if isinstance(error, ssl.SSLCertVerificationError):
        return LinkError(Kind.SETUP, f"server certificate refused: {error.verify_message}")
    if isinstance(error, ssl.SSLError):
        return LinkError(Kind.SETUP, f"TLS handshake failed: {error.reason or error}")
    if isinstance(error, ConnectionRefusedError):
        return LinkError(Kind.REFUSED, "connection refused")
    if isinstance(error, socket.gaierror):
        return LinkError(Kind.REFUSED, "unknown host name")
    return LinkError(Kind.REFUSED, f"cannot connect: {error}")


def _keep_alive(wire: socket.socket | None) -> None:
    """Let the operating system notice a dead peer; where it has no such option, the time-outs alone must."""
    if wire is None:
        return
    wire.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", KEEPALIVE_S), ("TCP_KEEPINTVL", KEEPALIVE_S), ("TCP_USER_TIMEOUT", DEAD_PEER_MS)):
        if hasattr(socket, option):
            with contextlib.suppress(OSError):
                wire.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
    with contextlib.suppress(OSError):
        wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
