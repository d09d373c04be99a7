"""Webhooks: what is posted, what counts as delivered, and that the address stays secret."""

from __future__ import annotations

import pytest

from collector.alerts.stored import finding_text
from collector.delivery.message import Message, alert_message
from collector.delivery.target import RefusedError
from collector.delivery.webhook import Webhook
from config.cautions import CAUTIONS
from config.deliveries import WebhookDelivery
from config.errors import TallywireError
from config.model import Site
from tests.collector.alerts.raised import finding
from tests.collector.delivery.receiver import Receiver
from tests.service.fakes import site


def message(at: Site | None = None) -> Message:
    row = {"id": "TB-07-scaling-block-1", "priority": "high", "finding": finding_text(finding())}
    return alert_message("TB-07-scaling-block-1/1/chat", "raised", row, finding(), at or site(), "http://127.0.0.1:8460")


@pytest.fixture
def webhook(receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> Webhook:
    monkeypatch.setenv("CHAT_URL", receiver.url)
    return Webhook("chat", WebhookDelivery(kind="webhook", url_env="CHAT_URL"))


async def test_message_is_posted_as_json_with_its_key(webhook: Webhook, receiver: Receiver) -> None:
    await webhook.send(message())
    assert receiver.keys == ["TB-07-scaling-block-1/1/chat"]
    (event,) = receiver.taken
    body = event["data"]
    assert event["id"] == body["key"] == receiver.keys[0]
    assert (body["kind"], body["loop"], body["link"], body["cause"]) == ("raised", "TB-07", "scaling-block", "range-mismatch")
    assert body["cautions"] == list(CAUTIONS)
    assert body["text"] == message().text


@pytest.mark.parametrize("status", [301, 401, 404, 429, 500, 503])
async def test_receiver_that_fails_is_worth_another_try(webhook: Webhook, receiver: Receiver, status: int) -> None:
    receiver.statuses.append(status)
    with pytest.raises(OSError, match=f"HTTP {status}") as caught:
        await webhook.send(message())
    assert not isinstance(caught.value, RefusedError)
    assert "s3cr3t" not in str(caught.value)


@pytest.mark.parametrize("status", [400, 413, 422])
async def test_refusal_of_one_message_is_told_apart(webhook: Webhook, receiver: Receiver, status: int) -> None:
    receiver.statuses.append(status)
    with pytest.raises(RefusedError, match=f"HTTP {status}"):
        await webhook.send(message())


async def test_receiver_that_is_gone_is_one_error_without_the_address(monkeypatch: pytest.MonkeyPatch) -> None:
    with Receiver() as gone:
        monkeypatch.setenv("CHAT_URL", gone.url)
    webhook = Webhook("chat", WebhookDelivery(kind="webhook", url_env="CHAT_URL"))
    with pytest.raises(OSError, match=r"webhook to 127\.0\.0\.1: ConnectError") as caught:
        await webhook.send(message())
    assert "s3cr3t" not in str(caught.value)


@pytest.mark.parametrize("address", ["ftp://host/s3cr3t", "s3cr3t", "http://", "http://host:s3cr3t/"])
def test_bad_address_is_one_clear_error_that_does_not_show_it(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CHAT_URL", address)
    with pytest.raises(TallywireError, match="no http or https address") as caught:
        Webhook("chat", WebhookDelivery(kind="webhook", url_env="CHAT_URL"))
    assert "s3cr3t" not in str(caught.value)


def test_only_the_host_is_shown(webhook: Webhook) -> None:
    assert webhook.shown == "webhook to 127.0.0.1"
