"""What may be published, and to whom: each rule is broken once; what is sound loads."""

from __future__ import annotations

import pytest

from tests.config.bad_files import SOUND, problems_of, sound

FILES = "certificate: own.der, key: own.pem"


def site(opcua: str = "", modbus: str = "") -> str:
    parts = [f"opcua: {{{opcua}}}"] if opcua else []
    parts += [f"modbus: {{{modbus}}}"] if modbus else []
    return SOUND + f"publish: {{{', '.join(parts)}}}\n"


WRONG: dict[str, tuple[str, str, str]] = {
    "open without a policy": (site("host: 192.0.2.1"), "publish.opcua.security", "could change what a controller reads"),
    "open to anybody": (
        site(f"host: 192.0.2.1, security: [Basic256Sha256], {FILES}"), "publish.opcua.clients", "nobody is asked",
    ),
    "by name": (site(f"host: plant, security: [Basic256Sha256], {FILES}"), "publish.opcua.clients", "nobody is asked"),
    "no way in": (site("security: []"), "publish.opcua.security", "no way in"),
    "twice": (site("security: [none, none]"), "publish.opcua.security", "named twice"),
    "no certificate": (site("security: [Basic256Sha256], key: own.pem"), "publish.opcua.certificate", "needs the certificate"),
    "no key": (site("security: [Aes256Sha256RsaPss], certificate: own.der"), "publish.opcua.key", "needs the key"),
    "unknown policy": (site("security: [Basic128Rsa15]"), "publish.opcua.security[0]", "Basic128Rsa15"),
    "clients without a policy": (site("clients: [plc.der]"), "publish.opcua.security", "would keep nobody out"),
    "users in the clear": (site("users: {plc: {password_env: PW}}"), "publish.opcua.users", "clear text"),
    "users partly in the clear": (
        site(f"security: [none, Basic256Sha256], {FILES}, users: {{plc: {{password_env: PW}}}}"),
        "publish.opcua.security", "clear text",
    ),
    "user without password": (
        site(f"security: [Basic256Sha256], {FILES}, users: {{plc: {{}}}}"),
        "publish.opcua.users.plc.password_env", "has no password",
    ),
    "password in the file": (
        site(f"security: [Basic256Sha256], {FILES}, users: {{plc: {{password: secret}}}}"),
        "publish.opcua.users.plc.password", "does not belong",
    ),
    "modbus open": (site(modbus="host: 0.0.0.0"), "publish.modbus.clients", "asks nobody"),
    "modbus client": (site(modbus="clients: [plc-1]"), "publish.modbus.clients[0]", "neither an address"),
    "one port": (site("port: 5000", "port: 5000"), "publish.modbus.port", "is that of publish.opcua"),
    "port of the page": (site("port: 8460"), "web.port", "published on, too"),
    "never fit": (SOUND + "publish: {fit_after: 2 h}\n", "publish.fit_after", "out of range"),
    "a word": (SOUND + "publish: {mqtt: {}}\n", "publish.mqtt", "unknown key"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_each_rule_names_the_key_and_the_reason(name: str) -> None:
    text, path, piece = WRONG[name]
    found = problems_of(text)
    assert [problem.path for problem in found] == [path]
    assert piece in found[0].what
    assert found[0].allowed


SOUND_ONES = [
    site("port: 0"),
    site("port: 0", "port: 0"),
    site(f"security: [none, Basic256Sha256], {FILES}"),
    site(f"host: 192.0.2.1, security: [Basic256Sha256], {FILES}, clients: [plc.der]"),
    site(f"host: 192.0.2.1, security: [Aes128Sha256RsaOaep], {FILES}, users: {{plc: {{password_file: pw}}}}"),
    site(modbus="host: 0.0.0.0, clients: [192.0.2.30, 192.0.2.64/28, '2001:db8::1']"),
]


@pytest.mark.parametrize("text", SOUND_ONES)
def test_what_is_sound_loads(text: str) -> None:
    sound(text)


def test_nothing_listens_unless_named() -> None:
    publish = sound().site.publish
    assert (publish.opcua, publish.modbus) == (None, None)


def test_a_table_has_room_for_so_many_loops() -> None:
    rows = "\n".join(f"  L{n}: {{gauge: {{range: {{high: 1 t/h}}}}, plc: {{range: {{high: 1 t/h}}}}, tags: {{flow: {{}}}}}}"
                     for n in range(1001))  # fmt: skip
    found = problems_of(f"schema: 1\nsite: wide\nloops:\n{rows}\npublish: {{modbus: {{}}}}\n")
    assert [problem.path for problem in found] == ["publish.modbus"]
