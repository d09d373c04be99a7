"""Messages by SMTP."""

from __future__ import annotations

import hashlib
import re
import smtplib
import ssl
from collections.abc import Sequence
from email.message import EmailMessage
from email.utils import formatdate

from collector.delivery.background import in_thread
from collector.delivery.message import Message
from collector.delivery.secrets import read_secret
from collector.delivery.target import RefusedError
from config.deliveries import MailDelivery
from config.errors import TallywireError

TIMEOUT_S = 20.0
IMPLICIT_TLS_PORT = 465
"""Submission over TLS from the first byte, RFC 8314."""


_ADDRESS = re.compile(r"^[^@\s]+@[^@\s]+$")


def masked(addresses: Sequence[str]) -> str:
    """Recipients as they may be shown: the first sign and the host of one, and how many more."""
    first, _, host = addresses[0].partition("@")
    more = f" and {len(addresses) - 1} more" if len(addresses) > 1 else ""
    return f"{first[:1]}...@{host}{more}"


def _recipients(name: str, delivery: MailDelivery) -> tuple[str, ...]:
    if delivery.to:
        return delivery.to
    given = read_secret(f"delivery {name}", env=delivery.to_env, file=delivery.to_file)
    found = tuple(part for part in re.split(r"[,;\s]+", given) if part)
    if not found or not all(_ADDRESS.match(part) for part in found):
        raise TallywireError(f"delivery {name}: the recipients are no mail addresses", fix="see what to_env or to_file names")
    return found


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
        self._to = _recipients(name, delivery)
        self._password = read_secret(f"delivery {name}", env=delivery.password_env, file=delivery.password_file)

    @property
    def shown(self) -> str:
        """Where it goes, without what is secret."""
        return f"mail through {self._delivery.server} to {masked(self._to)}"

    async def send(self, message: Message) -> None:
        """See `collector.delivery.target.Target.send`."""
        await in_thread(f"mail {self.name}", lambda: self._tried(message))

    def _tried(self, message: Message) -> OSError | None:
        """Send; what went wrong, told without anything that the server or the password say."""
        try:
            self._send(message)
        except (smtplib.SMTPRecipientsRefused, smtplib.SMTPDataError) as error:
            return RefusedError(f"mail through {self._delivery.server}: {type(error).__name__}")
        except OSError as error:
            return OSError(f"mail through {self._delivery.server}: {type(error).__name__}")
        except Exception as error:  # noqa: BLE001 - a thread that dies would leave the message waiting for ever
            return RefusedError(f"mail through {self._delivery.server}: the mail cannot be made ({type(error).__name__})")
        return None

    def _send(self, message: Message) -> None:
        if self._implicit:
            with smtplib.SMTP_SSL(
                self._delivery.server, self._delivery.port, timeout=TIMEOUT_S, context=self._trusted()
            ) as server:
                self._hand_over(server, message)
            return
        with smtplib.SMTP(self._delivery.server, self._delivery.port, timeout=TIMEOUT_S) as server:
            if self._delivery.start_tls:
                server.starttls(context=self._trusted())
            self._hand_over(server, message)

    def _trusted(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=self._delivery.ca_file)

    def _hand_over(self, server: smtplib.SMTP, message: Message) -> None:
        if self._delivery.user:
            server.login(self._delivery.user, self._password)
        server.send_message(self.mail_of(message))

    def mail_of(self, message: Message) -> EmailMessage:
        """The mail for a message: the same id at every repetition, marked as made by a machine (RFC 3834)."""
        mail = EmailMessage()
        mail["Subject"] = " ".join(message.subject.split())
        mail["From"], mail["To"] = self._delivery.sender, ", ".join(self._to)
        mail["Date"] = formatdate(localtime=False)
        mail["Message-ID"] = f"<{hashlib.sha256(message.key.encode()).hexdigest()[:32]}@tallywire>"
        mail["Auto-Submitted"] = "auto-generated"
        mail.set_content(message.text)
        return mail
