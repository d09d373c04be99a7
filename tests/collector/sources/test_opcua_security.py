from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from checks.samples import BAD
from collector.clock import SystemClock
from collector.sources.opcua_source import OpcUaSource
from config.model import OpcUaEndpoint
from tests.collector.sources.authority import Pair, application_pair
from tests.collector.sources.opcua_server import URI, PlantServer, count_services
from tests.collector.sources.polling import polled
from tests.collector.sources.sites import opcua_site

FLOW: dict[str, dict[str, Any]] = {"flow": {"node": "ns=2;s=flow"}}
OUR_URI = "urn:tallywire:collector"


class Keys:
    """The certificates of one run: of the server, ours, and of somebody else."""

    def __init__(self, folder: Path) -> None:
        self.server = application_pair(folder, "server", URI)
        self.ours = application_pair(folder, "collector", OUR_URI, days=90.0)
        self.other = application_pair(folder, "other", URI)

    def fields(self, pinned: Pair | None = None) -> dict[str, Any]:
        """What the endpoint needs, with this certificate pinned."""
        return {
            "server_certificate": (pinned or self.server).certificate,
            "client_certificate": self.ours.certificate,
            "client_key": self.ours.key,
            "application_uri": OUR_URI,
            "timeout": 2.0,
        }


@pytest.fixture(scope="module")
def keys(tmp_path_factory: pytest.TempPathFactory) -> Keys:
    return Keys(tmp_path_factory.mktemp("keys"))


@pytest.fixture(scope="module")
def server(keys: Keys) -> Iterator[PlantServer]:
    with PlantServer(keys.server) as running:
        yield running


@pytest.mark.parametrize(
    ("security", "mode"),
    [
        ("Basic256Sha256", "SignAndEncrypt"),
        ("Basic256Sha256", "Sign"),
        ("Aes128Sha256RsaOaep", "SignAndEncrypt"),
        ("Aes256Sha256RsaPss", "SignAndEncrypt"),
    ],
)
async def test_each_policy_reads_with_the_pinned_certificate(
    server: PlantServer, keys: Keys, security: str, mode: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PLC_PASSWORD", "reader-pw")
    site = opcua_site(
        server.url, FLOW, security=security, mode=mode, user="reader", password_env="PLC_PASSWORD", **keys.fields()
    )
    async with polled(site, "plc") as watch:
        reading = await watch.good()
        expires = watch.status.certificate_expires
        assert expires is not None
        assert 89.9 < (expires - reading.receive_time) / 86400.0 < 90.1


async def test_a_server_with_another_certificate_is_refused_and_gets_no_session(
    server: PlantServer, keys: Keys, monkeypatch: pytest.MonkeyPatch
) -> None:
    count_services(server, monkeypatch)
    server.services.clear()
    fields = keys.fields(pinned=keys.other) | {"timeout": 0.3}
    async with polled(opcua_site(server.url, FLOW, security="Basic256Sha256", **fields), "plc") as watch:
        await watch.bad("does not have the pinned certificate")
        assert {reading.quality for reading in watch.readings} == {BAD}
    assert not server.services


async def test_without_a_pinned_certificate_nothing_is_asked(
    server: PlantServer, keys: Keys, monkeypatch: pytest.MonkeyPatch
) -> None:
    count_services(server, monkeypatch)
    server.services.clear()
    fields = keys.fields()
    del fields["server_certificate"]
    async with polled(opcua_site(server.url, FLOW, security="Basic256Sha256", **fields), "plc") as watch:
        await watch.bad("server_certificate, client_certificate and client_key are needed")
    assert not server.services


async def test_the_password_comes_from_a_file(server: PlantServer, keys: Keys, tmp_path: Path) -> None:
    secret = tmp_path / "password"
    secret.write_text("reader-pw\n", encoding="utf-8")
    secret.chmod(0o600)
    site = opcua_site(server.url, FLOW, security="Basic256Sha256", user="reader", password_file=secret, **keys.fields())
    async with polled(site, "plc") as watch:
        await watch.good()


async def test_a_refused_login_is_told_and_not_repeated(
    server: PlantServer, keys: Keys, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = tmp_path / "password"
    secret.write_text("wrong", encoding="utf-8")
    secret.chmod(0o600)
    count_services(server, monkeypatch)
    server.services.clear()
    site = opcua_site(server.url, FLOW, security="Basic256Sha256", user="reader", password_file=secret, **keys.fields())
    async with polled(site, "plc") as watch:
        await watch.bad("BadUserAccessDenied")
        await watch.until(lambda: len(watch.readings) > 20)
    assert server.services["ActivateSession"] == 1


async def test_a_password_in_clear_is_told() -> None:
    site = opcua_site("opc.tcp://127.0.0.1:1", FLOW, user="reader")
    endpoint = site.endpoints["plc"]
    assert isinstance(endpoint, OpcUaEndpoint)
    assert "not encrypted" in OpcUaSource("plc", endpoint, site, SystemClock()).notice()


@pytest.mark.parametrize(
    ("fields", "reason"),
    [
        ({"user": "reader", "password_env": "NO_SUCH_VARIABLE"}, "environment variable NO_SUCH_VARIABLE is not set"),
        ({"user": "reader", "password_file": Path("no such file")}, "password file cannot be read"),
        ({"security": "Basic256Sha256"}, "are needed"),
    ],
)
async def test_what_is_missing_on_our_side_is_told(fields: dict[str, Any], reason: str) -> None:
    async with polled(opcua_site("opc.tcp://127.0.0.1:1", FLOW, **fields), "plc") as watch:
        await watch.bad(reason)


async def test_a_key_file_that_is_none_is_told(keys: Keys, tmp_path: Path) -> None:
    wrong = tmp_path / "key.pem"
    wrong.write_bytes(b"-----BEGIN nonsense")
    wrong.chmod(0o600)
    fields = keys.fields() | {"client_key": wrong}
    async with polled(opcua_site("opc.tcp://127.0.0.1:1", FLOW, security="Basic256Sha256", **fields), "plc") as watch:
        await watch.bad("certificate files cannot be used")


async def test_a_key_file_that_others_may_read_is_refused_with_what_to_do(keys: Keys) -> None:
    keys.ours.key.chmod(0o644)
    fields = keys.fields()
    async with polled(opcua_site("opc.tcp://127.0.0.1:1", FLOW, security="Basic256Sha256", **fields), "plc") as watch:
        await watch.bad("others may read the file")
    keys.ours.key.chmod(0o600)
