"""Speaking to the running service of a site from a command: its address, its certificate, and a token where it asks for one."""

from __future__ import annotations

import os
import ssl
from pathlib import Path
from typing import Any

import httpx

from config.errors import TallywireError
from config.model import Site

TOKEN = "TALLYWIRE_TOKEN"  # noqa: S105 - the name of the variable
"""Environment variable that holds the token; it needs the scope `engineer` to borrow, `operate` for loop checks and alerts."""


def client_of(site: Site, *, timeout: float, base: str = "", ca: Path | None = None) -> httpx.Client:
    """A client of the service that the site file describes, or of the one at `base`; `ca` is a further certificate to trust.

    Raises
    ------
    TallywireError
        A certificate cannot be read.
    """
    return httpx.Client(timeout=timeout, **_asking(site, base, ca))


def async_client_of(site: Site, *, timeout: float, base: str = "") -> httpx.AsyncClient:
    """The same for coroutines."""
    return httpx.AsyncClient(timeout=timeout, **_asking(site, base, None))


def address_of(site: Site) -> str:
    """Where the service of a site answers."""
    web = site.web
    return web.address if web.behind_proxy else f"{web.address}:{web.port}"


def unproven(error: Exception) -> bool:
    """Whether something answered that did not prove itself by a trusted certificate."""
    return "CERTIFICATE_VERIFY_FAILED" in str(error)


def silent(error: Exception, address: str) -> TallywireError:
    """What to say where a service gave no answer: it does not run, or does not prove to be the one that is meant."""
    if unproven(error):
        return TallywireError(
            "the service does not prove itself by a certificate that is trusted here", where=address,
            fix="name the certificate that signed its own with --ca, or as `certificate` under `web` in the site file",
        )  # fmt: skip
    return TallywireError(
        f"the service does not answer ({type(error).__name__})", where=address,
        fix="start it with `tallywire run`, or name its address with --page",
    )  # fmt: skip


def refused(answer: httpx.Response, scope: str = "engineer") -> str:
    """What to do about an answer that is none, '' where nothing special can be said."""
    if answer.status_code == 401:
        return f"set {TOKEN} to a token: an admin makes one on the page /accounts, with the scope {scope}"
    if answer.status_code == 403:
        return f"the token in {TOKEN} needs the scope {scope}: an admin makes one on the page /accounts"
    return ""


def _asking(site: Site, base: str, ca: Path | None) -> dict[str, Any]:
    secret = os.environ.get(TOKEN, "").strip()
    return {
        "base_url": base or address_of(site), "trust_env": False, "verify": _trusted(site, ca),
        "headers": {"Authorization": f"Bearer {secret}"} if secret else {},
    }  # fmt: skip


def _trusted(site: Site, ca: Path | None) -> ssl.SSLContext | bool:
    """What the service must prove itself by: the usual authorities, the one that is named, and its own certificate where it lies here."""
    files = [file for file in (ca, site.web.certificate) if file is not None]
    if not files:
        return True
    context = ssl.create_default_context()
    for file in files:
        try:
            context.load_verify_locations(file)
        except (OSError, ValueError) as error:
            raise TallywireError(
                f"the certificate of the page cannot be used ({error})", where=str(file), fix="a PEM file"
            ) from error
    return context
