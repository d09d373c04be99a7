"""Mails: sent through a real SMTP server, plainly and over STARTTLS; passwords are never told and never travel bare."""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path
from typing import Any

import pytest

from collector.delivery.mail import Mail
from collector.delivery.target import RefusedError
from config.cautions import CAUTIONS
from config.deliveries import MailDelivery
from config.errors import TallywireError
from tests.collector.delivery.smtp import serving
from tests.collector.delivery.test_webhook import message
from tests.service.waiting import SOON


def mail(port: int, **changes: Any) -> Mail:
    fields = {"server": "127.0.0.1", "port": port, "sender": "tallywire@terminal.example", "to": ("shift@terminal.example",)}
    return Mail("shift", MailDelivery(kind="mail", **(fields | {"start_tls": False} | changes)))


async def test_mail_carries_subject_text_and_cautions_as_plain_text() -> None:
    async with serving() as post:
        await mail(post.port, to=("shift@terminal.example", "chief@terminal.example")).send(message())
    (taken,) = post.mails
    assert post.recipients == [["shift@terminal.example", "chief@terminal.example"]]
    assert taken["Subject"] == message().subject
    assert taken["Auto-Submitted"] == "auto-generated"
    payload = taken.get_payload(decode=True)
    assert isinstance(payload, bytes)
    said = payload.decode().replace("\r\n", "\n")
    assert all(caution in said for caution in CAUTIONS)


async def test_repeated_mail_has_the_same_id_so_that_it_can_be_dropped() -> None:
    async with serving() as post:
        target = mail(post.port)
        await target.send(message())
        await target.send(message())
    first, second = post.mails
    assert first["Message-ID"] == second["Message-ID"] != ""


async def test_password_travels_over_tls(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MAIL_PASSWORD", "s3cr3t")
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "server.pem"))
    async with serving(tmp_path) as post:
        await mail(post.port, start_tls=True, user="tallywire", password_env="MAIL_PASSWORD").send(message())
    assert post.passwords == [("tallywire", "s3cr3t")]
    assert len(post.mails) == 1


async def test_certificate_of_the_plant_is_named_in_the_site_file_and_recipients_come_from_elsewhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MAIL_PASSWORD", "s3cr3t")
    monkeypatch.setenv("MAIL_TO", "shift@terminal.example, chief@terminal.example")
    async with serving(tmp_path) as post:
        target = mail(
            post.port, start_tls=True, user="tallywire", password_env="MAIL_PASSWORD", to=(), to_env="MAIL_TO",
            ca_file=tmp_path / "server.pem",
        )  # fmt: skip
        await target.send(message())
    assert post.recipients == [["shift@terminal.example", "chief@terminal.example"]]
    assert target.shown == "mail through 127.0.0.1 to s...@terminal.example and 1 more"


@pytest.mark.parametrize("given", ["the crew", "a@b c", " , "])
def test_recipients_that_are_none_are_refused_without_being_shown(given: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MAIL_TO", given)
    with pytest.raises(TallywireError, match="recipients are no mail addresses") as caught:
        mail(25, to=(), to_env="MAIL_TO")
    assert given.strip(" ,") == "" or given not in str(caught.value)


async def test_server_with_an_unknown_certificate_gets_neither_password_nor_mail(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MAIL_PASSWORD", "s3cr3t")
    monkeypatch.delenv("SSL_CERT_FILE", raising=False)
    async with serving(tmp_path) as post:
        with pytest.raises(OSError, match="SSLCertVerificationError"):
            await mail(post.port, start_tls=True, user="tallywire", password_env="MAIL_PASSWORD").send(message())
    assert (post.passwords, post.mails) == ([], [])


async def test_wrong_password_is_an_error_that_shows_neither_password_nor_user(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MAIL_PASSWORD", "wr0ng-s3cr3t")
    monkeypatch.setenv("SSL_CERT_FILE", str(tmp_path / "server.pem"))
    async with serving(tmp_path) as post:
        with pytest.raises(OSError, match=r"mail through 127\.0\.0\.1: SMTPAuthenticationError") as caught:
            await mail(post.port, start_tls=True, user="tallywire", password_env="MAIL_PASSWORD").send(message())
    assert "s3cr3t" not in str(caught.value)


def test_password_without_tls_is_refused_at_the_start(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("MAIL_PASSWORD", "s3cr3t")
    with pytest.raises(TallywireError, match="would travel unprotected"):
        mail(25, user="tallywire", password_env="MAIL_PASSWORD")


async def test_server_without_starttls_gets_nothing_where_it_is_asked_for() -> None:
    async with serving() as post:
        with pytest.raises(OSError, match="SMTPNotSupportedError"):
            await mail(post.port, start_tls=True).send(message())
    assert post.mails == []


async def test_refused_mail_is_told_apart_from_a_server_that_is_gone() -> None:
    async with serving() as post:
        post.answer = "554 no such message here"
        with pytest.raises(RefusedError, match="SMTPDataError"):
            await mail(post.port).send(message())
    with pytest.raises(OSError, match="ConnectionRefusedError") as caught:
        await mail(post.port).send(message())
    assert not isinstance(caught.value, RefusedError)


async def test_mail_that_cannot_be_made_is_refused_and_does_not_hang() -> None:
    async with serving() as post:
        with pytest.raises(RefusedError, match="cannot be made"):
            await asyncio.wait_for(mail(post.port, sender="a@terminal.example\nBcc: b@terminal.example").send(message()), SOON)
    assert post.mails == []


async def test_server_that_says_nothing_does_not_hold_up_the_end() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        sending = asyncio.ensure_future(mail(silent.getsockname()[1]).send(message()))
        connection, _ = await asyncio.get_running_loop().run_in_executor(None, silent.accept)
        with connection:
            sending.cancel()
            with pytest.raises(asyncio.CancelledError):
                await asyncio.wait_for(sending, SOON)
