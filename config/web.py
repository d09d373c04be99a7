"""Where pages, REST and metrics listen, and who may come there."""

from __future__ import annotations

import ipaddress

from pydantic import Field

from config.base import Part, SitePath
from config.quantity import TimeS


class Web(Part):
    """On this machine alone by default. Anything else needs accounts, and TLS or a proxy that has it.

    `behind_proxy` and `metrics_from` hold addresses or networks. A session ends after `session_idle` without an act and after
    `session_longest` at any rate; the defaults are those of NIST SP 800-63B for authentication of the second level.
    """

    host: str = "127.0.0.1"
    port: int = Field(default=8460, ge=0, le=65535)
    names: tuple[str, ...] = ()
    certificate: SitePath | None = None
    key: SitePath | None = None
    behind_proxy: tuple[str, ...] = ()
    metrics_from: tuple[str, ...] = ()
    session_idle: TimeS = 1800.0
    session_longest: TimeS = 43200.0

    @property
    def loopback(self) -> bool:
        """Whether it listens where only this machine can reach."""
        try:
            return ipaddress.ip_address(self.host.strip("[]")).is_loopback
        except ValueError:
            return self.host.lower() == "localhost"

    @property
    def exposed(self) -> bool:
        """Whether others can reach it, by the network or through a proxy."""
        return not self.loopback or bool(self.behind_proxy)

    @property
    def encrypted(self) -> bool:
        """Whether it speaks TLS itself."""
        return self.certificate is not None

    @property
    def address(self) -> str:
        """What to open, without a port: the first name, else the host; https where browsers see it so."""
        host = self.names[0] if self.names else f"[{self.host.strip('[]')}]" if ":" in self.host else self.host
        return f"{'https' if self.encrypted or self.behind_proxy else 'http'}://{host}"
