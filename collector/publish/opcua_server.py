"""The OPC UA server: security policies, users and known clients as configured; it is read and never written."""

from __future__ import annotations

import hmac
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import asyncua.ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.permission_rules import USER_TYPES, SimpleRoleRuleset, User, UserRole
from asyncua.server.internal_server import InternalServer
from asyncua.server.server import Server
from asyncua.server.user_managers import UserManager
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from collector.publish.picture import Picture
from collector.publish.space import Space
from collector.sources.certificates import load
from config.publish import OpcUaPublish

ua: Any = asyncua.ua

APPLICATION_URI = "urn:tallywire:publish"
MOST_CONNECTIONS = 100
MOST_SUBSCRIPTIONS = 400
LONGEST_QUEUE = 100
"""Values that wait in one monitored item of a client that does not fetch them."""

_REFUSED = {
    ua.ObjectIds.CallRequest_Encoding_DefaultBinary,
    ua.ObjectIds.HistoryReadRequest_Encoding_DefaultBinary,
}
_ALLOWED = frozenset(ua.NodeId(kind) for kind in USER_TYPES if kind not in _REFUSED)
"""Services of a session. A write is let through to the address space, which refuses it node by node (BadUserAccessDenied)."""


class _Reader(SimpleRoleRuleset):
    def check_validity(self, user: User, action_type: Any, body: Any) -> bool:
        return action_type in _ALLOWED


class _Door(UserManager):
    """Who may come in: the certificate of the channel is one of the known ones, and a user knows his password."""

    def __init__(self, clients: Sequence[bytes], passwords: Mapping[str, str]) -> None:
        self._clients = frozenset(clients)
        self._passwords = dict(passwords)

    def get_user(
        self, iserver: Any, username: str | None = None, password: str | None = None, certificate: bytes | None = None
    ) -> User | None:
        """Called by the library when a session is activated; None refuses it."""
        if self._clients and (certificate is None or certificate not in self._clients or not _in_force(certificate)):
            return None
        if self._passwords:
            known = self._passwords.get(username or "")
            given = (password or "").encode()
            if known is None or not hmac.compare_digest(known.encode(), given):
                return None
        return User(role=UserRole.User, name=username)


class _Inside(InternalServer):
    """The library's server without the service by which any passer-by could register other servers with it."""

    def register_server(self, server: Any, conf: Any = None) -> None:
        raise ServiceError(ua.StatusCodes.BadServiceUnsupported)


class VerdictServer:
    """Publishes pictures. `passwords` holds the password of each user of the site file."""

    def __init__(self, part: OpcUaPublish, passwords: Mapping[str, str]) -> None:
        self._part = part
        clients = [load(path).public_bytes(Encoding.DER) for path in part.clients]
        inside = _Inside(user_manager=_Door(clients, passwords))
        inside.max_connections, inside.max_subscriptions = MOST_CONNECTIONS, MOST_SUBSCRIPTIONS
        inside.max_monitored_item_queue_size = LONGEST_QUEUE
        inside.allow_remote_admin = False
        self._server = Server(iserver=inside)
        self.space = Space(self._server)

    async def open(self, pictures: Sequence[Picture]) -> str:
        """Build the address space and listen; the URL. OSError where the address cannot be bound or a file not be read."""
        part, server = self._part, self._server
        await server.init()
        server.name, server.manufacturer_name, server.product_uri = "Tallywire", "Tallywire", "urn:tallywire"
        await server.set_build_info("urn:tallywire", "Tallywire", "Tallywire", version("tallywire"), "0", datetime.now(UTC))
        own = APPLICATION_URI
        if part.certificate is not None and part.key is not None:
            await server.load_certificate(part.certificate.read_bytes(), _form(part.certificate))
            await server.load_private_key(part.key.read_bytes(), format=_form(part.key))
            own = _uri_of(load(part.certificate)) or own
        await server.set_application_uri(own)
        server.set_security_policy([_policy(name, part.mode) for name in part.security], _Reader())  # type: ignore[no-untyped-call]
        server.set_identity_tokens([ua.UserNameIdentityToken] if part.users else [ua.AnonymousIdentityToken])
        host = "127.0.0.1" if part.host == "localhost" else part.host.strip("[]")
        shown = f"[{host}]" if ":" in host else host
        server.set_endpoint(f"opc.tcp://{shown}:{part.port}/tallywire")
        await self.space.build(pictures)
        await server.start()
        listening: Any = server.bserver
        return f"opc.tcp://{shown}:{listening.port or part.port}/tallywire"

    async def close(self) -> None:
        """Stop listening."""
        await self._server.stop()

    @property
    def clients(self) -> int:
        """Connections that stand."""
        listening: Any = self._server.bserver
        return len(listening.clients) if listening is not None else 0


def _form(path: Path) -> str:
    """How a certificate or key is written, whatever its file is called."""
    return "pem" if b"-----BEGIN" in path.read_bytes() else "der"


def _policy(name: str, mode: str) -> Any:
    kind = "NoSecurity" if name == "none" else f"{name}_{mode}"
    return ua.SecurityPolicyType[kind]


def _uri_of(certificate: x509.Certificate) -> str:
    """The application URI that a certificate is made for, '' where it names none (OPC 10000-6, 6.2.2)."""
    try:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return ""
    return next(iter(names.get_values_for_type(x509.UniformResourceIdentifier)), "")


def _in_force(certificate: bytes) -> bool:
    """Whether a certificate is valid today."""
    found = x509.load_der_x509_certificate(certificate)
    return found.not_valid_before_utc <= datetime.now(UTC) <= found.not_valid_after_utc
