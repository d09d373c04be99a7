"""The real server under real sockets of this machine: slow heads, slow bodies, long headers, TLS. Short and bounded."""

from __future__ import annotations

import asyncio
import contextlib
import ssl
from collections.abc import AsyncIterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from collector.access.roles import Role
from collector.service import locked as door
from collector.service import patience
from collector.service.patience import Patient
from collector.service.serving import Serving, bind
from collector.web import limits
from config.errors import AddressError, TallywireError
from config.web import Web
from tests.collector.web.locked import CONSOLE, HOST, Locked, locked_app

HEAD_S, BODY_S = 0.3, 0.4
PATIENCE_S = 0.9 * min(patience.HEAD_S, limits.TIME_LIMIT)
"""Before the service would have cut anything off by its own figures [s]."""


@contextlib.asynccontextmanager
async def running(locked: Locked, tls: ssl.SSLContext | None = None) -> AsyncIterator[int]:
    serving = Serving(bind("127.0.0.1", 0), locked.app, tls=tls)
    locked.app.state.guard.port = serving.port
    stop = asyncio.Event()
    task = asyncio.create_task(serving.run(stop))
    try:
        yield serving.port
    finally:
        stop.set()
        await task
        serving.close()
        locked.state.close()


def certificate(folder: Path, *, mode: int = 0o600) -> Web:
    """A certificate for the name of the site and for this machine, signed by itself."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, HOST)])
    now = datetime.now(UTC)
    made = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(x509.random_serial_number()).not_valid_before(now - timedelta(days=1)).not_valid_after(now + timedelta(days=30))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(HOST), x509.DNSName("localhost")]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    (folder / "page.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    (folder / "page.key").write_bytes(private)
    (folder / "page.key").chmod(mode)
    return Web(host="127.0.0.1", names=(HOST,), certificate=folder / "page.pem", key=folder / "page.key")


async def read_to_end(reader: asyncio.StreamReader) -> bytes:
    async with asyncio.timeout(PATIENCE_S):
        try:
            return await reader.read()
        except ConnectionResetError:
            return b""


async def test_heads_that_drip_are_cut_off_and_others_are_served_meanwhile(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Patient, "head_s", HEAD_S)
    async with running(locked_app(tmp_path, Web(), accounts=False)) as port:
        slow = [await asyncio.open_connection("127.0.0.1", port) for _ in range(30)]
        for _, writer in slow:
            writer.write(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Drip: ")
        async with httpx.AsyncClient() as client:
            assert (await client.get(f"http://127.0.0.1:{port}/login")).status_code == 303
        ends = await asyncio.gather(*(read_to_end(reader) for reader, _ in slow))
        assert set(ends) == {b""}
        for _, writer in slow:
            writer.close()


async def test_head_that_drips_after_a_good_request_on_the_same_connection_is_cut_off_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Patient, "head_s", HEAD_S)
    async with running(locked_app(tmp_path, Web(), accounts=False)) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(f"GET /login HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\nGET /login HT".encode())
        answers = await read_to_end(reader)
        assert answers.count(b"HTTP/1.1 303") == 1
        writer.close()


async def test_body_that_drips_is_refused_after_its_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    defaults = limits.Limits.__init__.__kwdefaults__
    assert defaults is not None
    monkeypatch.setitem(defaults, "time_limit", BODY_S)
    async with running(locked_app(tmp_path, Web(), accounts=False)) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        head = (
            f"POST /alerts/x/acknowledge HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nOrigin: http://127.0.0.1:{port}\r\n"
            "Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 1000\r\n\r\ntoken="
        )
        writer.write(head.encode())
        async with asyncio.timeout(PATIENCE_S):
            answer = await reader.readline()
        assert answer.startswith(b"HTTP/1.1 503")
        writer.close()


async def test_headers_that_are_too_long_are_refused(tmp_path: Path) -> None:
    async with running(locked_app(tmp_path, Web(), accounts=False)) as port:
        for head in (b"X-Long: " + b"a" * 40_000, b"\r\n".join(b"X-%d: a" % number for number in range(5000))):
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            with contextlib.suppress(ConnectionResetError, BrokenPipeError):
                writer.write(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\n" + head + b"\r\n\r\n")
                await writer.drain()
            async with asyncio.timeout(PATIENCE_S):
                answer = await reader.readline()
            assert answer.startswith((b"HTTP/1.1 400", b"HTTP/1.1 431")), answer
            writer.close()


@pytest.mark.parametrize(
    "smuggled",
    [
        b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n", b"Content-Length: 5\r\nContent-Length: 6\r\n\r\nhello",
        b"Content-Length: -1\r\n\r\n", b"Transfer-Encoding: xchunked\r\n\r\n", b"Host: evil.example\r\n\r\n", b"X: a\x00b\r\n\r\n",
    ],
)  # fmt: skip
async def test_head_that_two_servers_would_read_differently_is_refused(tmp_path: Path, smuggled: bytes) -> None:
    async with running(locked_app(tmp_path, Web(), accounts=False)) as port:
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(b"POST / HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nConnection: close\r\n" % port + smuggled)
        answer = await read_to_end(reader)
        assert answer[:10] in (b"HTTP/1.1 4", b"HTTP/1.1 5"), answer[:80]
        writer.close()


async def test_tls_is_spoken_and_clear_text_and_old_versions_are_not(tmp_path: Path) -> None:
    web = certificate(tmp_path)
    tls = door.tls_of(web)
    async with running(locked_app(tmp_path, web), tls) as port:
        trusted = ssl.create_default_context(cafile=web.certificate)
        async with httpx.AsyncClient(verify=trusted) as client:
            answer = await client.get(f"https://localhost:{port}/login")
            assert answer.status_code == 200
            assert answer.headers["strict-transport-security"] == "max-age=31536000"
        async with httpx.AsyncClient() as client:
            with pytest.raises(httpx.TransportError):
                await client.get(f"http://localhost:{port}/login")
        assert tls is not None
        assert tls.minimum_version is ssl.TLSVersion.TLSv1_2


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604])
def test_key_that_others_may_read_is_refused(tmp_path: Path, mode: int) -> None:
    with pytest.raises(TallywireError, match="others may read") as told:
        door.tls_of(certificate(tmp_path, mode=mode))
    assert told.value.fix == "chmod 600 page.key"


def test_certificate_and_key_that_do_not_belong_together_are_refused(tmp_path: Path) -> None:
    first = certificate(tmp_path)
    (tmp_path / "other").mkdir()
    second = certificate(tmp_path / "other")
    mixed = first.model_copy(update={"key": second.key})
    with pytest.raises(TallywireError, match="cannot be used") as told:
        door.tls_of(mixed)
    assert "belong together" in told.value.fix
    assert door.tls_of(Web()) is None


@pytest.mark.parametrize(
    "web", [Web(host="0.0.0.0", names=(HOST,)), Web(behind_proxy=("192.0.2.10",), names=(HOST,))], ids=["network", "proxy"]
)
def test_service_that_others_could_reach_does_not_start_without_an_account(tmp_path: Path, web: Web) -> None:
    locked = locked_app(tmp_path, Web(), accounts=False)
    with pytest.raises(AddressError, match="there is no account") as told:
        door.require_account(web, locked.access.accounts)
    assert "tallywire account add SITE NAME --role admin" in told.value.fix
    door.require_account(Web(), locked.access.accounts)
    locked.access.accounts.add("ortega", Role.ADMIN, "potash on the belt", by=CONSOLE)
    door.require_account(web, locked.access.accounts)
    locked.state.close()
