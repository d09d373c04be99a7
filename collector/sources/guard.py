"""The last gate before the plant network: nothing but reads leaves, whatever the rest of the program does.

Modbus: function codes 1 to 4 and the reading of the device identification (43 / 14). OPC UA: session, read, browse and
subscription services; the channel services pass by the library's own door. Everything else raises `ForbiddenRequestError`
before a byte is sent. It is a fault of this program, so it is not caught and not retried.
"""

from __future__ import annotations

from collections import Counter
from contextlib import AbstractContextManager
from typing import Any

from asyncua.client.ua_client import UaClientState
from asyncua.observer import Observer
from pymodbus.pdu import ModbusPDU

from config.errors import ForbiddenRequestError

READ_FUNCTIONS = frozenset({1, 2, 3, 4})
ENCAPSULATED, DEVICE_IDENTIFICATION = 0x2B, 0x0E

READ_SERVICES = frozenset(
    {
        "CreateSession", "ActivateSession", "CloseSession", "Read", "Browse", "BrowseNext", "TranslateBrowsePathsToNodeIds",
        "RegisterNodes", "UnregisterNodes", "CreateSubscription", "ModifySubscription", "SetPublishingMode", "Publish",
        "Republish", "TransferSubscriptions", "DeleteSubscriptions", "CreateMonitoredItems", "ModifyMonitoredItems",
        "SetMonitoringMode", "DeleteMonitoredItems",
    }
)  # fmt: skip
"""Services of OPC UA Part 4 that change nothing but what belongs to our own session."""


def check_function(where: str, function: int, sub_function: int) -> None:
    """Raise ForbiddenRequestError unless a Modbus request only reads."""
    if function in READ_FUNCTIONS or (function, sub_function) == (ENCAPSULATED, DEVICE_IDENTIFICATION):
        return
    raise ForbiddenRequestError(f"a Modbus request with function code {function} was about to be sent", where=where)


class ModbusGuard:
    """Checks each request twice: as the object it is made from and as the bytes that would leave.

    `function_at` is the place of the function code in the frame: 7 behind the header of Modbus TCP, 1 in RTU.
    """

    def __init__(self, where: str, function_at: int) -> None:
        self._where = where
        self._function_at = function_at

    def check_request(self, request: ModbusPDU) -> None:
        """Check a request before it is encoded."""
        check_function(self._where, request.function_code, request.sub_function_code)

    def check_frame(self, frame: bytes) -> None:
        """Check the bytes of a request before they are sent."""
        at = self._function_at
        function, sub_function = frame[at : at + 1], frame[at + 1 : at + 2]
        check_function(self._where, int.from_bytes(function, "big"), int.from_bytes(sub_function, "big"))


class OpcUaGuard(Observer):
    """Lets only services pass that read; counts what it let pass by service name."""

    def __init__(self, where: str) -> None:
        self._where = where
        self.passed: Counter[str] = Counter()
        self.took_connection = False
        """Whether the server has taken the connection, whatever came then."""

    def observe_request(self, request: Any) -> AbstractContextManager[None]:
        """Called by the library before each request is encoded."""
        service = type(request).__name__.removesuffix("Request")
        if service not in READ_SERVICES:
            raise ForbiddenRequestError(f"an OPC UA {service} request was about to be sent", where=self._where)
        self.passed[service] += 1
        passed: AbstractContextManager[None] = super().observe_request(request)
        return passed

    def on_state_change(self, state: UaClientState) -> None:
        """Called by the library."""
        self.took_connection = self.took_connection or state is UaClientState.SOCKET_OPEN
