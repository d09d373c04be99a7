"""A local SMTP server on a free port, with STARTTLS under a certificate made for the test."""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from email import message_from_bytes
from email.message import Message
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


class Post:
    """What the server took, and what it was told to answer; an empty answer is a good one."""

    def __init__(self) -> None:
        self.mails: list[Message] = []
        self.recipients: list[list[str]] = []
        self.passwords: list[tuple[str, str]] = []
        self.answer = ""
        self.port = 0

    async def handle_DATA(self, server: SMTP, session: Any, envelope: Envelope) -> str:
        if self.answer:
            return self.answer
        assert isinstance(envelope.content, bytes)
        self.mails.append(message_from_bytes(envelope.content))
        self.recipients.append(list(envelope.rcpt_tos))
        return "250 taken"

    def authenticate(self, server: SMTP, session: Any, envelope: Envelope, mechanism: str, data: object) -> AuthResult:
        assert isinstance(data, LoginPassword)
        self.passwords.append((data.login.decode(), data.password.decode()))
        return AuthResult(success=data.password == b"s3cr3t", handled=False)


def certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate for the loopback that signs itself, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    now = datetime.now(UTC)
    names = x509.SubjectAlternativeName([x509.DNSName("localhost"), x509.IPAddress(ip_address("127.0.0.1"))])
    signed = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .add_extension(names, critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA256())
    )
    shown, hidden = folder / "server.pem", folder / "server.key"
    shown.write_bytes(signed.public_bytes(serialization.Encoding.PEM))
    hidden.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )  # fmt: skip
    return shown, hidden


@contextlib.asynccontextmanager
async def serving(folder: Path | None = None) -> AsyncIterator[Post]:
    """Serve until left: with STARTTLS and login where a folder for the certificate is given, else plainly."""
    post = Post()
    options: dict[str, Any] = {}
    if folder is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*certificate(folder))
        options = {"tls_context": context, "require_starttls": True, "authenticator": post.authenticate, "auth_required": True}
    server = await asyncio.get_running_loop().create_server(lambda: SMTP(post, **options), "127.0.0.1", 0)
    post.port = server.sockets[0].getsockname()[1]
    try:
        yield post
    finally:
        server.close()
        await server.wait_closed()
