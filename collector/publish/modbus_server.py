"""The register table on Modbus TCP: functions 3 and 4, nothing else; strangers are hung up on."""

from __future__ import annotations

import contextlib
import ipaddress
import socket
from collections.abc import Sequence
from typing import Any

from pymodbus.constants import ExcCodes
from pymodbus.pdu import ExceptionResponse
from pymodbus.server import ModbusTcpServer
from pymodbus.server.requesthandler import ServerRequestHandler
from pymodbus.simulator import DataType, SimData, SimDevice

from collector.publish.picture import Picture
from collector.publish.registers import length, table
from config.publish import ModbusPublish

READS = frozenset({3, 4})
MOST_CONNECTIONS = 64
"""Clients at a time; one more is hung up on."""
LOOPBACK = ("127.0.0.0/8", "::1/128")
FUNCTION_AT = 7
"""Place of the function code in a frame of Modbus TCP."""


class _Handler(ServerRequestHandler):
    """One client: is it known, and does it only read?"""

    _function = 0

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        server: RegisterServer = self.server
        peer = transport.get_extra_info("peername")
        if not server.admits(peer[0] if peer else "") or len(server.active_connections) > MOST_CONNECTIONS:
            server.refused += 1
            transport.abort()
            return
        raw = transport.get_extra_info("socket")
        if raw is not None:
            _keep_alive(raw)

    def callback_data(self, data: bytes, addr: tuple[Any, ...] | None = None) -> int:
        if len(data) > FUNCTION_AT:
            self._function = data[FUNCTION_AT]
        used: int = super().callback_data(data, addr)
        return used

    async def handle_request(self) -> None:
        request = self.last_pdu
        if request is None:
            return
        if request.function_code in READS and request.dev_id == self.server.unit:
            await super().handle_request()  # type: ignore[no-untyped-call]
            return
        self.server.refused += 1
        code = ExcCodes.ILLEGAL_FUNCTION if request.dev_id == self.server.unit else ExcCodes.GATEWAY_NO_RESPONSE
        response = ExceptionResponse(request.function_code, code)
        response.transaction_id, response.dev_id = request.transaction_id, request.dev_id
        self.server_send(response, self.last_addr)

    def server_send(self, pdu: Any, addr: Any) -> None:
        if isinstance(pdu, ExceptionResponse) and pdu.function_code & 0x7F == 0:
            pdu.function_code = self._function | 0x80  # a code that the library does not know, and so does not name
        super().server_send(pdu, addr)  # type: ignore[no-untyped-call]


class RegisterServer(ModbusTcpServer):
    """Serves the table. Make it inside the event loop; `refused` counts what was not allowed."""

    def __init__(self, part: ModbusPublish, loops: int) -> None:
        self._registers = [0] * length(loops)
        self._networks = [ipaddress.ip_network(client) for client in (part.clients or LOOPBACK)]
        self.refused = 0
        self.unit = part.unit
        size = length(loops)
        registers = [SimData(0, count=size, datatype=DataType.REGISTERS)]
        bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        device = SimDevice(id=part.unit, simdata=(bits, bits, registers, registers), action=self._answer)
        super().__init__(device, address=("127.0.0.1" if part.host == "localhost" else part.host.strip("[]"), part.port))

    def callback_new_connection(self) -> _Handler:
        """Called by the library for each client."""
        return _Handler(self, None, None, None)  # type: ignore[no-untyped-call]

    async def open(self) -> int:
        """Listen; the port. OSError where the address cannot be bound."""
        try:
            await self.serve_forever(background=True)
        except RuntimeError as error:
            raise OSError(98, "the address cannot be bound") from error
        listening: Any = self.transport
        port: int = listening.sockets[0].getsockname()[1]
        return port

    def admits(self, address: str) -> bool:
        """Whether a client of this address may connect."""
        try:
            found = ipaddress.ip_address(address.partition("%")[0])
        except ValueError:
            return False
        inside = getattr(found, "ipv4_mapped", None) or found
        return any(inside in network for network in self._networks)

    def show(self, beat: int, time: float, pictures: Sequence[Picture], *, alive: bool) -> None:
        """Put a new table in place, all of it between two requests."""
        self._registers = table(beat, time, pictures, alive=alive)

    async def _answer(
        self,
        function_code: int,
        start: int,
        _address: int,
        _count: int,
        registers: list[int],
        _values: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        if function_code not in READS:
            return ExcCodes.ILLEGAL_FUNCTION
        registers[:] = self._registers[start : start + len(registers)]
        return None


def _keep_alive(raw: Any) -> None:
    """Let the kernel find out about a client that has vanished, after about two minutes."""
    options = {"SO_KEEPALIVE": (socket.SOL_SOCKET, 1)}
    options |= {
        "TCP_KEEPIDLE": (socket.IPPROTO_TCP, 60),
        "TCP_KEEPINTVL": (socket.IPPROTO_TCP, 20),
        "TCP_KEEPCNT": (socket.IPPROTO_TCP, 3),
    }
    for name, (level, value) in options.items():
        if hasattr(socket, name):
            with contextlib.suppress(OSError):
                raw.setsockopt(level, getattr(socket, name), value)
