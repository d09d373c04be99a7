"""What must be there before others may reach the pages: an account, and files for TLS that can be used and are kept."""

from __future__ import annotations

import ssl

from collector.access.accounts import AccountBook
from collector.delivery.secrets import require_private
from config.errors import AddressError, TallywireError
from config.web import Web


def require_account(web: Web, accounts: AccountBook) -> None:
    """AddressError where others could come in and nobody has an account."""
    if web.exposed and not accounts.any():
        reach = f"through the proxy at {', '.join(web.behind_proxy)}" if web.behind_proxy else f"at {web.host}"
        raise AddressError(
            f"others could reach the pages {reach}, and there is no account",
            where="web.host" if not web.behind_proxy else "web.behind_proxy",
            fix="tallywire account add SITE NAME --role admin, then start again; or take it out to serve this machine only",
        )


def tls_of(web: Web) -> ssl.SSLContext | None:
    """The TLS context of the site, None where it speaks none. TLS 1.2 is the oldest that is spoken (RFC 8996).

    Raises
    ------
    TallywireError
        A file is missing, others may read the key, or the two do not belong together.
    """
    if web.certificate is None or web.key is None:
        return None
    require_private("the key of the page", web.key)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(web.certificate, web.key)
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", None) or getattr(error, "strerror", None) or error
        raise TallywireError(
            f"certificate and key of the page cannot be used ({reason})",
            where=str(web.certificate),
            fix="PEM files that belong together, the certificate with its chain, the key without a password",
        ) from error
    return context
