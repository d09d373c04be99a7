"""Behind a reverse proxy: nobody else may connect, and only the proxy is believed about who asks and how."""

from __future__ import annotations

import ipaddress
from collections.abc import Sequence

from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware


def within(address: str, networks: Sequence[str]) -> bool:
    """Whether an address is one of those, or lies in one of the networks; what is no address never does."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return False
    if isinstance(found, ipaddress.IPv6Address) and found.ipv4_mapped is not None:
        found = found.ipv4_mapped
    return any(found in ipaddress.ip_network(network, strict=False) for network in networks)


class BehindProxy:
    """ASGI middleware, the outermost: takes client and scheme from the headers of the proxy, and refuses all others."""

    def __init__(self, app: ASGIApp, trusted: Sequence[str]) -> None:
        self._trusted = tuple(trusted)
        self._app = ProxyHeadersMiddleware(app, trusted_hosts=list(self._trusted))  # type: ignore[arg-type]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        client = scope.get("client")
        if scope["type"] == "http" and not within(client[0] if client else "", self._trusted):
            refused = PlainTextResponse("This address is for the reverse proxy of the site only.\n", 403)
            await refused(scope, receive, send)
            return
        await self._app(scope, receive, send)  # type: ignore[arg-type]
