"""Messages by SMTP."""

from __future__ import annotations

import asyncio
import hashlib
import smtplib
import ssl
from email.message import EmailMessage

from collector.delivery.message import Message
from collector.delivery.secrets import read_secret
from config.model import MailDelivery

TIMEOUT_S = 20.0


class Mail:
    """Sends messages through one server; the password comes from the environment or a file."""

    def __init__(self, name: str, delivery: MailDelivery) -> None:
        self.name = name
        self._delivery = delivery
        self._password = read_secret(f"delivery {name}", env=delivery.password_env, file=delivery.password_file)

    @property
    def shown(self) -> str:
        """Where it goes."""
        return f"mail through {self._delivery.server}"

    async def send(self, message: Message) -> None:
        """Deliver one message.

        Raises
        ------
        OSError
            It was not taken; worth another try.
        """
        try:
            await asyncio.to_thread(self._send, message)
        except smtplib.SMTPException as error:
            raise OSError(f"{self.shown}: {type(error).__name__}") from None

    def _send(self, message: Message) -> None:
        mail = EmailMessage()
        mail["Subject"], mail["From"], mail["To"] = message.subject, self._delivery.sender, ", ".join(self._delivery.to)
        mail["Message-ID"] = f"<{hashlib.sha256(message.key.encode()).hexdigest()[:32]}@tallywire>"
        mail.set_content(message.text)
        with smtplib.SMTP(self._delivery.server, self._delivery.port, timeout=TIMEOUT_S) as server:
            if self._delivery.start_tls:
                server.starttls(context=ssl.create_default_context())
            if self._delivery.user:
                server.login(self._delivery.user, self._password)
            server.send_message(mail)
