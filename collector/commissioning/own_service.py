"""Speaking to the running service of a site from a command: its address, its certificate, and a token where it asks for one."""

from __future__ import annotations

import os
import ssl

import httpx

from config.errors import TallywireError
from config.model import Site

TOKEN = "TALLYWIRE_TOKEN"  # noqa: S105 - the name of the variable
"""Environment variable that holds the token; it needs the scope `engineer` to borrow, `operate` for loop checks."""


def client_of(site: Site, *, timeout: float, base: str = "") -> httpx.Client:
    """A client of the service that the site file describes, or of the one at `base`.

    Raises
    ------
    TallywireError
        The certificate of the page cannot be read.
    """
    web = site.web
    own = web.address if web.behind_proxy else f"{web.address}:{web.port}"
    secret = os.environ.get(TOKEN, "").strip()
    return httpx.Client(
        base_url=base or own, timeout=timeout, trust_env=False, verify=_trusted(site),
        headers={"Authorization": f"Bearer {secret}"} if secret else {},
    )  # fmt: skip


def refused(answer: httpx.Response) -> str:
    """What to do about an answer that is none, '' where nothing special can be said."""
    if answer.status_code == 401:
        return f"set {TOKEN} to a token: tallywire account token SITE NAME --scope engineer"
    if answer.status_code == 403:
        return f"the token in {TOKEN} needs a wider scope: tallywire account token SITE NAME --scope engineer"
    return ""


def _trusted(site: Site) -> ssl.SSLContext | bool:
    """What the service must prove itself by: the usual authorities, and its own certificate where it lies here."""
    if site.web.certificate is None:
        return True
    context = ssl.create_default_context()
    try:
        context.load_verify_locations(site.web.certificate)
    except (OSError, ValueError) as error:
        raise TallywireError(
            f"the certificate of the page cannot be used ({error})", where=str(site.web.certificate), fix="a PEM file"
        ) from error
    return context
