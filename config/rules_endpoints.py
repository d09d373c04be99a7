"""Rules of one endpoint: what each transport needs, what secured connections need, what a poll has time for."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

from config.model import ModbusEndpoint, OpcUaEndpoint, Transport
from config.problems import Found, KeyPath

AnyEndpoint = ModbusEndpoint | OpcUaEndpoint
TIMEOUT_SHARE = 0.4
"""Largest share of the period that one Modbus request may wait: two tries still fit into the period."""


def login(user: str, password_env: str, password_file: Path | None, path: KeyPath) -> Iterator[Found]:
    """A user comes with one source of the password, and a name of an environment variable is a name."""
    if user and not password_env and password_file is None:
        yield Found((*path, "password_env"), f"the user {user!r} has no password", "password_env: NAME or password_file: FILE")
    if password_env and password_file is not None:
        yield Found((*path, "password_file"), "the password is named twice", "keep password_env or password_file")
    if password_env and not re.match(r"^[A-Za-z_][A-Za-z0-9_]*$", password_env):
        what = "this is no name of an environment variable (the password itself does not belong here)"
        yield Found((*path, "password_env"), what, "for example TALLYWIRE_PLC_PASSWORD")
    if not user and (password_env or password_file is not None):
        yield Found((*path, "user"), "there is a password, but no user", "user: NAME")


def transport_has_its_address(endpoint: AnyEndpoint, path: KeyPath) -> Iterator[Found]:
    """A serial line has a device, a network a host."""
    if not isinstance(endpoint, ModbusEndpoint):
        return
    serial = endpoint.transport is Transport.RTU
    if serial and not endpoint.device:
        yield Found((*path, "device"), "the transport rtu needs the serial device", "device: /dev/ttyUSB0")
    if not serial and not endpoint.host:
        what = f"the transport {endpoint.transport} needs the host"
        yield Found((*path, "host"), what, "host: 192.0.2.10 (the address of the device or gateway)")
    for key, idle in (("host", serial and endpoint.host), ("device", not serial and endpoint.device)):
        if idle:
            yield Found((*path, key), f"the transport {endpoint.transport} does not use {key}", "take it out", True)


def unit_answers_on_a_serial_line(endpoint: AnyEndpoint, path: KeyPath) -> Iterator[Found]:
    """Modbus over Serial Line V1.02, section 2.2 (from memory): 0 is broadcast, devices are 1 to 247."""
    if isinstance(endpoint, ModbusEndpoint) and endpoint.transport in (Transport.RTU, Transport.RTU_OVER_TCP):
        if endpoint.unit == 0:
            yield Found((*path, "unit"), "unit 0 is the broadcast address, no device answers it", "1 to 247")
        elif endpoint.unit > 247:
            yield Found((*path, "unit"), f"unit {endpoint.unit} is reserved on a serial line", "1 to 247")


def tls_is_complete(endpoint: AnyEndpoint, path: KeyPath) -> Iterator[Found]:
    """A TLS connection checks the device against a certificate authority."""
    if not isinstance(endpoint, ModbusEndpoint):
        return
    files = (endpoint.ca_file, endpoint.client_certificate, endpoint.client_key)
    if endpoint.transport is Transport.TLS:
        if endpoint.ca_file is None:
            what = "the transport tls needs the authority that signed the device's certificate"
            yield Found((*path, "ca_file"), what, "ca_file: plant-ca.pem")
        if (endpoint.client_certificate is None) != (endpoint.client_key is None):
            missing = "client_key" if endpoint.client_key is None else "client_certificate"
            yield Found(
                (*path, missing), f"client_certificate and client_key go together; {missing} is missing", f"{missing}: FILE"
            )
    elif any(file is not None for file in files):
        what = f"certificates are given, but the transport {endpoint.transport} does not use them"
        yield Found((*path, "transport"), what, "transport: tls, or take the certificates out", True)


def opc_ua_security_is_complete(endpoint: AnyEndpoint, path: KeyPath) -> Iterator[Found]:
    """A secured OPC UA connection needs our certificate and key, and the server's certificate to pin."""
    if not isinstance(endpoint, OpcUaEndpoint):
        return
    if endpoint.security != "none":
        for key, why in (
            ("client_certificate", "our own certificate"),
            ("client_key", "the key of our certificate"),
            ("server_certificate", "the server's certificate, which is pinned"),
        ):
            if getattr(endpoint, key) is None:
                yield Found((*path, key), f"the security {endpoint.security} needs {why}", f"{key}: FILE")
    elif endpoint.user:
        what = "with security none the password travels in clear text"
        yield Found((*path, "security"), what, "Basic256Sha256, Aes128Sha256RsaOaep or Aes256Sha256RsaPss", True)
    yield from login(endpoint.user, endpoint.password_env, endpoint.password_file, path)


def times_fit(endpoint: AnyEndpoint, path: KeyPath) -> Iterator[Found]:
    """Periods and timeouts are times; a Modbus request has answered or failed well within its period."""
    for key in ("period", "timeout"):
        if getattr(endpoint, key) <= 0.0:
            yield Found((*path, key), f"{getattr(endpoint, key):g} s is no {key}", f"{key}: 1 s")
    if endpoint.period > 60.0:
        yield Found((*path, "period"), f"a period of {endpoint.period:g} s is longer than a minute", "at most 60 s")
    if not isinstance(endpoint, ModbusEndpoint):
        return
    if endpoint.request_gap < 0.0:
        yield Found((*path, "request_gap"), "the gap between requests is negative", "0 s or more")
    if endpoint.timeout > TIMEOUT_SHARE * endpoint.period * (1.0 + 1e-9) and endpoint.period > 0.0:
        what = f"the timeout of {endpoint.timeout:g} s is more than {TIMEOUT_SHARE:g} of the period of {endpoint.period:g} s"
        yield Found(
            (*path, "timeout"), what, f"at most {TIMEOUT_SHARE * endpoint.period:g} s, else a silent device delays others", True
        )


ENDPOINT_RULES: tuple[Callable[[AnyEndpoint, KeyPath], Iterator[Found]], ...] = (
    transport_has_its_address,
    unit_answers_on_a_serial_line,
    tls_is_complete,
    opc_ua_security_is_complete,
    times_fit,
)
