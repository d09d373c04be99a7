"""Messages as CloudEvents to an HTTP address, signed where the receiver shares a secret."""

from __future__ import annotations

import json
import time
from collections.abc import Callable

import httpx

from collector.delivery.message import Message
from collector.delivery.secrets import read_secret
from collector.delivery.signature import key_of, signature_of
from collector.delivery.target import RefusedError
from config.deliveries import WebhookDelivery
from config.errors import TallywireError

TIMEOUT_S = 10.0
REFUSALS = (400, 413, 415, 422)
"""Answers that speak of the one message; all other failures are taken for the receiver's."""
MEDIA_TYPE = "application/cloudevents+json"
"""Structured content mode, CloudEvents HTTP binding 1.0."""


def cloud_event(message: Message) -> bytes:
    """A message as a CloudEvent 1.0 in JSON. `id` is the key of the message, the same at every repetition."""
    event = {
        "specversion": "1.0", "id": message.key, "source": f"/tallywire/{message.site}", "type": f"tallywire.{message.kind}",
        "subject": message.about, "time": message.time, "datacontenttype": "application/json",
        "data": {**message.fields, "subject": message.subject, "text": message.text},
    }  # fmt: skip
    return json.dumps({key: value for key, value in event.items() if value != ""}, ensure_ascii=False).encode()


class Webhook:
    """Posts messages; 2xx is delivered, all else is tried again. The address is a secret and shown only by its host.

    Raises
    ------
    TallywireError
        Address or secret are not there, others may read them, or they are none. The text never holds them.
    """

    def __init__(self, name: str, delivery: WebhookDelivery, *, wall: Callable[[], float] = time.time) -> None:
        self.name = name
        self._wall = wall
        given = read_secret(f"delivery {name}", env=delivery.url_env, file=delivery.url_file)
        secret = read_secret(f"delivery {name}, secret", env=delivery.secret_env, file=delivery.secret_file)
        self._key = key_of(f"delivery {name}", secret)
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
        return f"webhook to {self._url.host}{', signed' if self._key else ''}"

    async def send(self, message: Message) -> None:
        """See `collector.delivery.target.Target.send`."""
        body = cloud_event(message)
        headers = {"Content-Type": MEDIA_TYPE, "Idempotency-Key": message.key, "User-Agent": "tallywire"}
        if self._key:
            headers |= signature_of(self._key, message.key, int(self._wall()), body)
        try:
            async with httpx.AsyncClient(timeout=TIMEOUT_S, trust_env=False, follow_redirects=False) as client:
                answer = await client.post(self._url, content=body, headers=headers)
        except httpx.HTTPError as error:
            raise OSError(f"webhook to {self._url.host}: {type(error).__name__}") from None
        if answer.status_code in REFUSALS:
            raise RefusedError(f"webhook to {self._url.host}: HTTP {answer.status_code}")
        if not answer.is_success:
            raise OSError(f"webhook to {self._url.host}: HTTP {answer.status_code}")
