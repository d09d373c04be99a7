"""From the site file to one poller for each endpoint."""

from __future__ import annotations

import logging
from collections.abc import Callable

from collector.clock import Clock
from collector.live import EndpointStatus
from collector.reading import ReadingSink
from collector.sources.endpoint import EndpointPoller
from collector.sources.modbus_source import ModbusSource
from collector.sources.opcua_source import OpcUaSource
from config.errors import TallywireError
from config.model import ModbusEndpoint, Site

LIBRARY_LOGGERS = (
    "pymodbus.logging", "asyncua.client", "asyncua.common", "asyncua.crypto", "asyncua.observer", "asyncua.uaprotocol",
)  # fmt: skip


def build_pollers(
    site: Site,
    sink: ReadingSink,
    clock: Clock,
    statuses: dict[str, EndpointStatus],
    on_event: Callable[[str, str, str], None],
) -> list[EndpointPoller]:
    """Build a poller for each endpoint that tags are read from, and its status in `statuses`.

    Parameters
    ----------
    site : Site
        The site in force.
    sink : ReadingSink
        Takes the readings of each poll.
    statuses : dict
        Gets one status for each endpoint, also for those without tags.
    on_event : callable
        Told kind, endpoint name and a sentence, see `collector.sources.news`.

    Raises
    ------
    TallywireError
        A tag cannot be decoded as it is written.
    """
    silence_libraries()
    made = (build_poller(site, name, sink, clock, statuses, on_event) for name in site.endpoints)
    return [poller for poller in made if poller is not None]


def build_poller(
    site: Site,
    name: str,
    sink: ReadingSink,
    clock: Clock,
    statuses: dict[str, EndpointStatus],
    on_event: Callable[[str, str, str], None],
) -> EndpointPoller | None:
    """The poller of one endpoint, None where no tag of the site's loops is read from it; see `build_pollers`."""
    endpoint = site.endpoints[name]
    status = statuses[name] = EndpointStatus(name=name, protocol=endpoint.protocol, since=clock.now())
    source = source_of(site, name, clock)
    if not source.periods:
        status.reason = "no tag is read from here"
        return None
    limit_s = 5.0 + 3.0 * endpoint.timeout * sum(len(source.places(period)) for period in source.periods)
    return EndpointPoller(name, source, sink, clock, status, on_event, poll_limit_s=limit_s)


def source_of(site: Site, name: str, clock: Clock) -> ModbusSource | OpcUaSource:
    """The source of one endpoint; TallywireError where there is none of this name or a tag cannot be decoded."""
    endpoint = site.endpoints.get(name)
    if endpoint is None:
        known = ", ".join(sorted(site.endpoints)) or "none"
        raise TallywireError(f"there is no endpoint {name!r}", where="endpoints", fix=f"use one of: {known}")
    try:
        if isinstance(endpoint, ModbusEndpoint):
            return ModbusSource(name, endpoint, site, clock)
        return OpcUaSource(name, endpoint, site, clock)
    except ValueError as error:
        raise TallywireError(f"a tag of endpoint {name} cannot be read: {error}", where=f"endpoints.{name}") from error


def silence_libraries() -> None:
    """Keep the protocol libraries from logging frames and tracebacks once a second; what matters is told as our own events."""
    for name in LIBRARY_LOGGERS:
        logging.getLogger(name).setLevel(logging.CRITICAL)
