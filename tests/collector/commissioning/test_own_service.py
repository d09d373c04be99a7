"""A command speaks to the running service: by its certificate, with a token, and says what is missing."""

from __future__ import annotations

import ssl
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import httpx
import pytest

from collector.commissioning.own_service import TOKEN, client_of, silent
from collector.commissioning.readers import ServiceReader, service_runs
from config.errors import TallywireError
from config.load import load_site
from config.model import Site
from tests.collector.delivery.smtp import certificate

SITE = """
schema: 1
site: terminal
web: {{port: {port}, {more}}}
endpoints: {{gauge: {{protocol: modbus, host: 127.0.0.1}}}}
loops:
  TB-07:
    gauge: {{range: {{high: 420 t/h}}}}
    plc: {{range: {{high: 420 t/h}}}}
    tags: {{flow: {{endpoint: gauge, address: 0}}}}
"""
TAGS = b'[{"role": "flow", "value": 210.5, "quality": "good"}]'


class Service(BaseHTTPRequestHandler):
    """Answers whoever brings the token."""

    def do_GET(self) -> None:
        known = self.headers.get("Authorization") == "Bearer tw_secret"
        body = (TAGS if "tags" in self.path else b'{"site": "terminal"}') if known else b"{}"
        self.send_response(200 if known else 401)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        pass


@contextmanager
def serving(pair: tuple[Path, Path] | None = None) -> Iterator[int]:
    server = HTTPServer(("127.0.0.1", 0), Service)
    if pair is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        context.load_cert_chain(*pair)
        server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def site_at(folder: Path, port: int, more: str = "") -> Site:
    file = folder / "site.yaml"
    file.write_text(SITE.format(port=port, more=more), encoding="utf-8")
    return load_site(file).site


async def test_values_are_read_through_a_service_that_wants_a_token(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(TOKEN, "tw_secret")
    with serving() as port:
        site = site_at(tmp_path, port)
        assert service_runs(site)
        reader = ServiceReader(site, "TB-07")
        read = await reader.read()
        await reader.close()
    assert read["flow"].value == 210.5
    assert not service_runs(site), "it has ended"


def test_service_that_asks_who_is_there_is_told_with_the_scope(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(TOKEN, raising=False)
    with serving() as port, pytest.raises(TallywireError, match="asks who you are") as told:
        service_runs(site_at(tmp_path, port))
    assert "with the scope operate" in told.value.fix


def test_certificate_is_trusted_where_it_is_named_and_else_missed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv(TOKEN, "tw_secret")
    pair = certificate(tmp_path)
    with serving(pair) as port:
        site, base = site_at(tmp_path, port), f"https://localhost:{port}"
        with client_of(site, timeout=5.0, base=base, ca=pair[0]) as client:
            assert client.get("/api/v1/site").status_code == 200
        with client_of(site, timeout=5.0, base=base) as client, pytest.raises(httpx.ConnectError) as refused:
            client.get("/api/v1/site")
    told = silent(refused.value, base)
    assert "does not prove itself" in told.what
    assert "--ca" in told.fix


def test_certificate_that_is_none_is_one_message(tmp_path: Path) -> None:
    (tmp_path / "cert.pem").write_text("no certificate", encoding="utf-8")
    with pytest.raises(TallywireError, match="cannot be used") as told:
        client_of(site_at(tmp_path, 8460), timeout=5.0, ca=tmp_path / "cert.pem")
    assert told.value.fix == "a PEM file"
