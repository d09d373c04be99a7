"""Webhooks against published specifications: CloudEvents 1.0 in structured JSON, signed as Standard Webhooks 1.0 has it."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import re
from datetime import datetime
from pathlib import Path

import pytest

from collector.delivery.signature import LEAST_BYTES, key_of, signature_of
from collector.delivery.webhook import MEDIA_TYPE, Webhook, cloud_event
from config.deliveries import WebhookDelivery
from config.errors import TallywireError
from tests.collector.delivery.receiver import Receiver
from tests.collector.delivery.test_webhook import message

SECRET = "whsec_" + base64.b64encode(b"k" * 32).decode()


def test_signature_is_that_of_the_published_example() -> None:
    # Standard Webhooks specification 1.0, example of its reference libraries (from memory): secret, id, time, body and result
    key = key_of("x", "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    made = signature_of(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}')
    assert made == {
        "webhook-id": "msg_p5jXN8AQM9LWM0D4loKWxJek",
        "webhook-timestamp": "1614265330",
        "webhook-signature": "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE=",
    }


def test_event_has_what_the_specification_asks_for() -> None:
    # CloudEvents 1.0.2, section 3.1: id, source, specversion and type are required and not empty; time is RFC 3339, source a
    # URI reference; attribute names are lower-case letters and digits (section 3)
    event = json.loads(cloud_event(message()))
    assert event["specversion"] == "1.0"
    assert event["id"] == "TB-07-scaling-block-1/1/chat"
    assert event["source"] == "/tallywire/terminal"
    assert event["type"] == "tallywire.raised"
    assert event["subject"] == "TB-07/scaling-block"
    assert event["datacontenttype"] == "application/json"
    assert datetime.fromisoformat(event["time"]).tzinfo is not None
    assert all(re.fullmatch("[a-z0-9]+", name) for name in event)
    assert all(isinstance(value, str) and value for name, value in event.items() if name != "data")


async def test_posted_event_is_structured_and_its_signature_is_over_what_was_posted(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    # CloudEvents HTTP binding 1.0.2, section 3.2: structured mode is told by the media type application/cloudevents+json
    monkeypatch.setenv("CHAT_URL", receiver.url)
    monkeypatch.setenv("CHAT_SECRET", SECRET)
    webhook = Webhook(
        "chat", WebhookDelivery(kind="webhook", url_env="CHAT_URL", secret_env="CHAT_SECRET"), wall=lambda: 1_795_600_000.7
    )
    assert webhook.shown == "webhook to 127.0.0.1, signed"
    await webhook.send(message())
    ((headers, body),) = receiver.requests
    assert headers["Content-Type"] == MEDIA_TYPE
    signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    wanted = base64.b64encode(hmac.new(b"k" * 32, signed, hashlib.sha256).digest()).decode()
    assert headers["webhook-signature"] == f"v1,{wanted}"
    assert headers["webhook-timestamp"] == "1795600000"
    assert headers["webhook-id"] == json.loads(body)["id"]
    assert "." not in headers["webhook-id"]  # a dot would make id and time ambiguous (Standard Webhooks 1.0)


async def test_without_a_secret_nothing_is_signed(receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CHAT_URL", receiver.url)
    await Webhook("chat", WebhookDelivery(kind="webhook", url_env="CHAT_URL")).send(message())
    ((headers, _),) = receiver.requests
    assert "webhook-signature" not in headers


@pytest.mark.parametrize(
    "secret", ["sh0rt", "whsec_" + base64.b64encode(b"k" * (LEAST_BYTES - 1)).decode(), "whsec_not base64!"]
)
def test_secret_that_protects_nothing_is_refused_without_being_shown(
    secret: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("CHAT_URL", "https://chat.terminal.example/x")
    path = tmp_path / "secret"
    path.write_text(secret)
    path.chmod(0o600)
    with pytest.raises(TallywireError, match="the secret is") as caught:
        Webhook("chat", WebhookDelivery(kind="webhook", url_env="CHAT_URL", secret_file=path))
    assert secret not in str(caught.value)


def test_secret_of_plain_text_is_taken_as_it_is() -> None:
    assert key_of("x", "k" * LEAST_BYTES) == b"k" * LEAST_BYTES
    assert key_of("x", "") == b""
