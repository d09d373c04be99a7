"""Messages by SMTP."""

from __future__ import annotations

import asyncio
import hashlib
import smtplib
import ssl
import threading
from email.message import EmailMessage
from email.utils import formatdate

from collector.delivery.message import Message
from collector.delivery.secrets import read_secret
from collector.delivery.target import RefusedError
from config.errors import TallywireError
from config.model import MailDelivery

TIMEOUT_S = 20.0
IMPLICIT_TLS_PORT = 465
"""Submission over TLS from the first byte, RFC 8314."""


class Mail:
    """Sends messages through one server; the password comes from the environment or a file, and travels only over TLS.

    Raises
    ------
    TallywireError
        The password is not there, others may read it, or it would travel unprotected.
    """

    def __init__(self, name: str, delivery: MailDelivery) -> None:
        self.name = name
        self._delivery = delivery
        self._implicit = delivery.port == IMPLICIT_TLS_PORT
        if delivery.user and not (delivery.start_tls or self._implicit):
            raise TallywireError(
                f"delivery {name}: the password would travel unprotected", fix="set start_tls: true, or leave user out"
            )
        self._password = read_secret(f"delivery {name}", env=delivery.password_env, file=delivery.password_file)

    @property
    def shown(self) -> str:
        """Where it goes, without what is secret."""
        return f"mail through {self._delivery.server}"

    async def send(self, message: Message) -> None:
        """See `collector.delivery.target.Target.send`."""
        loop = asyncio.get_running_loop()
        answer: asyncio.Future[OSError | None] = loop.create_future()

        def settle(error: OSError | None) -> None:
            if not answer.done():
                answer.set_result(error)

        def work() -> None:
            error = self._tried(message)
            if not loop.is_closed():
                loop.call_soon_threadsafe(settle, error)

        # A thread of its own that may be left behind: a server that hangs must not hold up the end of the service.
        threading.Thread(target=work, name=f"mail {self.name}", daemon=True).start()
        error = await answer
        if error is not None:
            raise error

    def _tried(self, message: Message) -> OSError | None:
        """Send; what went wrong, told without anything that the server or the password say."""
        try:
            self._send(message)
        except (smtplib.SMTPRecipientsRefused, smtplib.SMTPDataError) as error:
            return RefusedError(f"{self.shown}: {type(error).__name__}")
        except OSError as error:
            return OSError(f"{self.shown}: {type(error).__name__}")
        except Exception as error:  # noqa: BLE001 - a thread that dies would leave the message waiting for ever
            return RefusedError(f"{self.shown}: the mail cannot be made ({type(error).__name__})")
        return None

    def _send(self, message: Message) -> None:
        if self._implicit:
            with smtplib.SMTP_SSL(
                self._delivery.server, self._delivery.port, timeout=TIMEOUT_S, context=ssl.create_default_context()
            ) as server:
                self._hand_over(server, message)
            return
        with smtplib.SMTP(self._delivery.server, self._delivery.port, timeout=TIMEOUT_S) as server:
            if self._delivery.start_tls:
                server.starttls(context=ssl.create_default_context())
            self._hand_over(server, message)

    def _hand_over(self, server: smtplib.SMTP, message: Message) -> None:
        if self._delivery.user:
            server.login(self._delivery.user, self._password)
        server.send_message(self.mail_of(message))

    def mail_of(self, message: Message) -> EmailMessage:
        """The mail for a message: the same id at every repetition, marked as made by a machine (RFC 3834)."""
        mail = EmailMessage()
        mail["Subject"] = " ".join(message.subject.split())
        mail["From"], mail["To"] = self._delivery.sender, ", ".join(self._delivery.to)
        mail["Date"] = formatdate(localtime=False)
        mail["Message-ID"] = f"<{hashlib.sha256(message.key.encode()).hexdigest()[:32]}@tallywire>"
        mail["Auto-Submitted"] = "auto-generated"
        mail.set_content(message.text)
        return mail
