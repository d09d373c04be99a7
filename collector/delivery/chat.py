"""Messages to a chat, by Apprise: one library for the ways that people use."""

from __future__ import annotations

import importlib
import logging
from typing import Any

from collector.delivery.background import in_thread
from collector.delivery.message import Message
from collector.delivery.secrets import read_secret
from collector.delivery.target import RefusedError
from config.deliveries import ChatDelivery
from config.errors import TallywireError

EXTRA = 'pip install "tallywire[mail]"'


class Chat:
    """Sends messages to one address as Apprise writes it. The address is a secret and shown only by its scheme.

    Raises
    ------
    TallywireError
        The address is not there, others may read it, Apprise is not installed or does not know it. The text never holds it.
    """

    def __init__(self, name: str, delivery: ChatDelivery) -> None:
        self.name = name
        address = read_secret(f"delivery {name}", env=delivery.url_env, file=delivery.url_file)
        self._scheme = address.partition("://")[0] if "://" in address else ""
        try:
            apprise: Any = importlib.import_module("apprise")
        except ImportError:
            raise TallywireError(f"delivery {name}: a chat needs Apprise, which is not installed", fix=EXTRA) from None
        quiet = logging.getLogger("apprise")  # its lines may hold the address
        quiet.handlers, quiet.propagate, quiet.disabled = [logging.NullHandler()], False, True
        self._apprise = apprise.Apprise(asset=apprise.AppriseAsset(app_id="Tallywire", async_mode=False))
        if not self._scheme or not self._apprise.add(address):
            raise TallywireError(
                f"delivery {name}: this is no address that Apprise knows", fix="see what url_env or url_file names"
            )

    @property
    def shown(self) -> str:
        """Where it goes, without what is secret."""
        return f"chat by {self._scheme}"

    async def send(self, message: Message) -> None:
        """See `collector.delivery.target.Target.send`."""
        await in_thread(f"chat {self.name}", lambda: self._tried(message))

    def _tried(self, message: Message) -> OSError | None:
        try:
            taken = bool(self._apprise.notify(body=message.text, title=message.subject, body_format="text"))
        except Exception as error:  # noqa: BLE001 - of a foreign plug-in; told without its words, which may hold the address
            return RefusedError(f"{self.shown}: the message cannot be made ({type(error).__name__})")
        return None if taken else OSError(f"{self.shown}: it was not taken")
