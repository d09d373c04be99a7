"""The rules of the door: what must be there before others may reach the pages."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator

from config.model import Site
from config.problems import Found

_NAME = re.compile(r"^(?=.{1,253}$)[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?(\.[a-z0-9]([a-z0-9-]{0,61}[a-z0-9])?)*$", re.IGNORECASE)
SHORTEST_S, LONGEST_S = 60.0, 7 * 86400.0


def web_is_closed_to_strangers(site: Site) -> Iterator[Found]:
    """What is open to others is encrypted, by ourselves or by a proxy that is named."""
    web = site.web
    if not _is_address(web.host) and web.host.lower() != "localhost":
        yield Found(
            ("web", "host"),
            f"{web.host!r} is no address of this machine",
            "an IP address, such as 127.0.0.1 or 0.0.0.0; host names that people type go into names",
        )
        return
    if not web.loopback and not web.encrypted and not web.behind_proxy:
        yield Found(
            ("web", "host"),
            f"{web.host!r} is open to others, and passwords would travel in clear text",
            "127.0.0.1; or certificate and key; or behind_proxy with the addresses of a proxy that speaks https",
        )
    if (web.certificate is None) != (web.key is None):
        missing, there = ("key", "certificate") if web.key is None else ("certificate", "key")
        yield Found(("web", there), f"there is a {there} and no {missing}", f"{missing}: the file that belongs to it (PEM)")


def web_knows_its_names(site: Site) -> Iterator[Found]:
    """A request must name the host that it wants: a page of somebody else's name in the browser is how it is tricked."""
    web = site.web
    for index, name in enumerate(web.names):
        if not _NAME.match(name) and not _is_address(name):
            yield Found(("web", "names", index), f"{name!r} is no host name", "as people type it, without https:// and port")
    if not web.names and (web.behind_proxy or (web.encrypted and _is_any(web.host))):
        yield Found(
            ("web", "names"),
            "nobody knows by which name the page is opened",
            "names: [weighers.example.com], as people type it into the browser",
        )


def web_trusts_few(site: Site) -> Iterator[Found]:
    """A proxy and a scraper of metrics are named by address; all of a network of the world is nobody."""
    for key, entries in (("behind_proxy", site.web.behind_proxy), ("metrics_from", site.web.metrics_from)):
        for index, entry in enumerate(entries):
            path = ("web", key, index)
            try:
                network = ipaddress.ip_network(entry, strict=False)
            except ValueError:
                yield Found(path, f"{entry!r} is no address and no network", "as 192.0.2.10 or 192.0.2.0/28")
                continue
            if network.prefixlen == 0:
                yield Found(path, f"{entry} is everybody", "name the address, such as 192.0.2.10")


def web_sessions_end(site: Site) -> Iterator[Found]:
    """A session lasts at least a minute and at most a week, and no longer idle than at all."""
    web = site.web
    for key, value in (("session_idle", web.session_idle), ("session_longest", web.session_longest)):
        if not SHORTEST_S <= value <= LONGEST_S:
            yield Found(("web", key), f"a session of {value:g} s is no use", "from 60 s to 7 d; 30 min idle and 12 h are usual")
    if web.session_idle > web.session_longest:
        yield Found(("web", "session_idle"), "a session would be idle longer than it lasts", "at most session_longest")


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text.strip("[]"))
    except ValueError:
        return False
    return True


def _is_any(host: str) -> bool:
    return _is_address(host) and ipaddress.ip_address(host.strip("[]")).is_unspecified


WEB_RULES = (web_is_closed_to_strangers, web_knows_its_names, web_trusts_few, web_sessions_end)
