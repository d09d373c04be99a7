"""Messages as JSON to an HTTP address."""

from __future__ import annotations

import httpx

from collector.delivery.message import Message
from collector.delivery.secrets import read_secret
from collector.delivery.target import RefusedError
from config.deliveries import WebhookDelivery
from config.errors import TallywireError

TIMEOUT_S = 10.0
REFUSALS = (400, 413, 415, 422)
"""Answers that speak of the one message; all other failures are taken for the receiver's."""


class Webhook:
    """Posts messages; 2xx is delivered, all else is tried again. The address is a secret and shown only by its host.

    Raises
    ------
    TallywireError
        The address is not there, others may read it, or it is none. The text never holds the address.
    """

    def __init__(self, name: str, delivery: WebhookDelivery) -> None:
        self.name = name
        given = read_secret(f"delivery {name}", env=delivery.url_env, file=delivery.url_file)
        try:
            self._url = httpx.URL(given)
        except (httpx.InvalidURL, UnicodeError):
            self._url = httpx.URL("")
        if self._url.scheme not in ("http", "https") or not self._url.host:
            raise TallywireError(
                f"delivery {name}: the address is no http or https address", fix="see what url_env or url_file names"
            )

    @property
    def shown(self) -> str:
        """Where it goes, without what is secret."""
        return f"webhook to {self._url.host}"

    async def send(self, message: Message) -> None:
        """See `collector.delivery.target.Target.send`."""
        headers = {"Idempotency-Key": message.key, "User-Agent": "tallywire"}
        body = {**message.fields, "subject": message.subject, "text": message.text}
        try:
            async with httpx.AsyncClient(timeout=TIMEOUT_S, trust_env=False, follow_redirects=False) as client:
                answer = await client.post(self._url, json=body, headers=headers)
        except httpx.HTTPError as error:
            raise OSError(f"{self.shown}: {type(error).__name__}") from None
        if answer.status_code in REFUSALS:
            raise RefusedError(f"{self.shown}: HTTP {answer.status_code}")
        if not answer.is_success:
            raise OSError(f"{self.shown}: HTTP {answer.status_code}")
