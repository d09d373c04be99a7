"""Chats by Apprise: a real post to a local receiver, errors without the address, and the extra that is not installed."""

from __future__ import annotations

import sys

import pytest

from collector.delivery.chat import Chat
from config.deliveries import ChatDelivery
from config.errors import TallywireError
from tests.collector.delivery.receiver import Receiver
from tests.collector.delivery.test_webhook import message

pytestmark = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
"""Of a plug-in of Apprise, while Python 3.11 and 3.12 still have that module."""


def chat(receiver_url: str, monkeypatch: pytest.MonkeyPatch) -> Chat:
    # json:// is the plain HTTP service of Apprise: it posts title and message as JSON
    monkeypatch.setenv("CHAT_URL", receiver_url.replace("http://", "json://"))
    return Chat("office", ChatDelivery(kind="chat", url_env="CHAT_URL"))


async def test_subject_and_text_arrive(receiver: Receiver, monkeypatch: pytest.MonkeyPatch) -> None:
    target = chat(receiver.url, monkeypatch)
    assert target.shown == "chat by json"
    await target.send(message())
    (body,) = receiver.taken
    assert body["title"] == message().subject
    assert body["message"].strip() == message().text.strip()


async def test_service_that_refuses_is_one_error_without_the_address(
    receiver: Receiver, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    receiver.statuses.append(503)
    with pytest.raises(OSError, match="chat by json: it was not taken") as caught:
        await chat(receiver.url, monkeypatch).send(message())
    assert "s3cr3t" not in str(caught.value)
    assert "s3cr3t" not in caplog.text


@pytest.mark.parametrize("address", ["nonsense://host/s3cr3t", "s3cr3t", "json://"])
def test_address_that_is_none_is_one_error_that_does_not_show_it(
    address: str, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setenv("CHAT_URL", address)
    with pytest.raises(TallywireError, match="no address that Apprise knows") as caught:
        Chat("office", ChatDelivery(kind="chat", url_env="CHAT_URL"))
    assert "s3cr3t" not in str(caught.value) + caplog.text


def test_missing_extra_is_said_with_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CHAT_URL", "json://127.0.0.1/x")
    monkeypatch.setitem(sys.modules, "apprise", None)
    with pytest.raises(TallywireError, match="Apprise, which is not installed") as caught:
        Chat("office", ChatDelivery(kind="chat", url_env="CHAT_URL"))
    assert caught.value.fix == 'pip install "tallywire[mail]"'
