"""What is told back to the control system: an OPC UA server and a Modbus TCP table, both only to be read, both off by default."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from config.base import Part, SitePath
from config.quantity import TimeS

OPCUA_PORT = 4840
MODBUS_PORT = 1502
"""Not 502: a port below 1024 needs a right that the service does not have."""

Policy = Literal["none", "Basic256Sha256", "Aes128Sha256RsaOaep", "Aes256Sha256RsaPss"]
UserName = Annotated[str, Field(pattern=r"^[A-Za-z0-9._-]+$", max_length=64)]


class PublishUser(Part):
    """Somebody who may read. The password comes from the environment variable or the file named here, never from here."""

    password_env: str = ""
    password_file: SitePath | None = None


class OpcUaPublish(Part):
    """An OPC UA server. Off loopback it asks for a policy, and for known client certificates or users."""

    host: str = "127.0.0.1"
    port: int = Field(default=OPCUA_PORT, ge=0, le=65535)
    security: tuple[Policy, ...] = ("none",)
    mode: Literal["Sign", "SignAndEncrypt"] = "SignAndEncrypt"
    certificate: SitePath | None = None
    key: SitePath | None = None
    clients: tuple[SitePath, ...] = ()
    users: dict[UserName, PublishUser] = Field(default_factory=dict)


class ModbusPublish(Part):
    """A Modbus TCP table. The protocol knows no users: off loopback it answers only the addresses in `clients`."""

    host: str = "127.0.0.1"
    port: int = Field(default=MODBUS_PORT, ge=0, le=65535)
    unit: int = Field(default=1, ge=0, le=255)
    clients: tuple[str, ...] = ()


class Publish(Part):
    """Where verdicts are published; what is not named here does not listen. A flow is fit for control when nothing has been in
    doubt for `fit_after`; it stops being so at the first doubt."""

    fit_after: TimeS = 60.0
    opcua: OpcUaPublish | None = None
    modbus: ModbusPublish | None = None
