"""A mail and a webhook message as they leave, kept as files that the README can show. TALLYWIRE_RENDER=1 writes them anew."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from collector.delivery.mail import Mail
from collector.delivery.message import Message, message_of
from collector.delivery.signature import key_of, signature_of
from collector.delivery.webhook import MEDIA_TYPE, cloud_event
from config.deliveries import Alerting, MailDelivery
from config.model import Site
from tests.collector.alerts.conftest import Make
from tests.collector.alerts.raised import T0, change, finding
from tests.service.fakes import site as plain_site

FOLDER = Path(__file__).parent / "rendered"
PAGE = "https://tallywire.terminal.example"


def site() -> Site:
    return plain_site().model_copy(update={"time_zone": "America/Regina", "alerting": Alerting(page=PAGE)})


def compared(name: str, text: str) -> None:
    path = FOLDER / name
    if os.environ.get("TALLYWIRE_RENDER"):
        path.write_text(text, encoding="utf-8")
    assert path.read_text(encoding="utf-8") == text


@pytest.fixture
def said(keep: Make) -> Message:
    """The message of a range that was changed on one side, as the outbox holds it."""
    kept = keep()
    found = finding(
        cause="upper-range", title="upper range differs",
        sentence="The PLC scales to 420 t/h, the gauge sends 500 t/h as 20 mA.", rate_error_t_h=-41.6, tonnes=-6.9,
        tonnes_uncertainty=0.4,
        advice=(
            "read the upper range in the gauge and in the block, side by side", "look for a change note of today",
            "force 4, 12 and 20 mA and read the block",
        ),
    )  # fmt: skip
    kept.book.take([change(found=found)], now=float(T0))
    (body,) = kept.messages()
    return message_of("TB-07-scaling-block-1/1/shift-mail", body, found, site(), "")


def test_mail_is_as_shown(said: Message) -> None:
    to = ("shift@terminal.example",)
    mail = Mail(
        "shift-mail", MailDelivery(kind="mail", server="mail.terminal.example", sender="tallywire@terminal.example", to=to)
    )
    made = mail.mail_of(said)
    heads = [f"{name}: {made[name]}" for name in ("Subject", "From", "To", "Message-ID", "Auto-Submitted")]
    compared("mail.txt", "\n".join(heads) + "\n\n" + str(made.get_content()))


def test_webhook_is_as_shown(said: Message) -> None:
    body = cloud_event(said)
    signed = signature_of(key_of("x", "an example of thirty-two signs..."), said.key, T0, body)
    heads = [
        f"Content-Type: {MEDIA_TYPE}",
        f"Idempotency-Key: {said.key}",
        *(f"{name}: {value}" for name, value in signed.items()),
    ]
    shown = json.dumps(json.loads(body), indent=2, ensure_ascii=False)
    compared("webhook.txt", "\n".join(heads) + "\n\n" + shown + "\n")
