"""The door by the site file: what must be written before others may come in."""

from __future__ import annotations

import pytest

from config.errors import TallywireError
from config.load import parse_site
from config.web import Web
from tests.config.bad_files import SOUND
from tests.config.test_rules import TAIL

TLS = "certificate: c.pem, key: k.pem"


def load(web: str) -> Web:
    return parse_site(SOUND.replace(TAIL, f"web: {{{web}}}\n"), "site.yaml").site.web


REFUSED = {
    "open without TLS": ("host: 0.0.0.0, names: [w.example.com]", "web.host", "in clear text"),
    "a name to listen on": ("host: weighers.example.com", "web.host", "no address of this machine"),
    "certificate alone": ("certificate: c.pem", "web.certificate", "no key"),
    "key alone": ("key: k.pem", "web.key", "no certificate"),
    "any address, no name": (f'host: "::", {TLS}', "web.names", "by which name"),
    "proxy, no name": ("behind_proxy: [192.0.2.10]", "web.names", "by which name"),
    "name with a port": (f"host: 0.0.0.0, {TLS}, names: ['w.example.com:443']", "web.names[0]", "no host name"),
    "name as address": (f"host: 0.0.0.0, {TLS}, names: ['https://w.example.com']", "web.names[0]", "no host name"),
    "proxy by name": ("behind_proxy: [proxy], names: [w.example.com]", "web.behind_proxy[0]", "no address"),
    "everybody a proxy": ("behind_proxy: [0.0.0.0/0], names: [w.example.com]", "web.behind_proxy[0]", "everybody"),
    "everybody reads metrics": ('metrics_from: ["::/0"]', "web.metrics_from[0]", "everybody"),
    "no time at all": ("session_idle: 5 s", "web.session_idle", "no use"),
    "for ever": ("session_longest: 30 d", "web.session_longest", "no use"),
    "idle longer": ("session_idle: 2 h, session_longest: 1 h", "web.session_idle", "idle longer"),
}


@pytest.mark.parametrize(("web", "path", "what"), REFUSED.values(), ids=REFUSED)
def test_door_that_is_not_safe_is_refused_with_a_remedy(web: str, path: str, what: str) -> None:
    with pytest.raises(TallywireError) as told:
        load(web)
    text = str(told.value)
    assert f"{path}:" in text
    assert what in text
    assert "fix:" in text


@pytest.mark.parametrize(
    ("web", "exposed", "address"),
    [
        ("port: 8460", False, "http://127.0.0.1"),
        ('host: "::1"', False, "http://[::1]"),
        (f"host: 192.0.2.7, {TLS}", True, "https://192.0.2.7"),
        (f"host: 0.0.0.0, {TLS}, names: [w.example.com, weighers]", True, "https://w.example.com"),
        ("behind_proxy: [127.0.0.1], names: [w.example.com]", True, "https://w.example.com"),
        (f"host: 127.0.0.1, {TLS}, session_idle: 8 h, metrics_from: [192.0.2.0/28]", False, "https://127.0.0.1"),
    ],
)
def test_door_that_is_safe_loads_and_knows_whether_others_can_come(web: str, exposed: bool, address: str) -> None:
    found = load(web)
    assert found.exposed is exposed
    assert found.address == address
