"""What a target of messages is, and how it says that it has not taken one."""

from __future__ import annotations

from typing import Protocol

from collector.delivery.message import Message


class RefusedError(OSError):
    """The target works and does not take this one message; others may pass."""


class Target(Protocol):
    """Somewhere a message can go."""

    @property
    def shown(self) -> str:
        """Where it goes, without what is secret."""
        ...

    async def send(self, message: Message) -> None:
        """Deliver one message.

        Raises
        ------
        RefusedError
            The target does not take this message.
        OSError
            The target cannot be reached or takes nothing now.
        """
        ...
