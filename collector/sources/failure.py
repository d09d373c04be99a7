"""Why a request to an endpoint brought nothing that may be used."""

from __future__ import annotations

from enum import StrEnum


class Kind(StrEnum):
    """What failed, as far as it decides what is done next."""

    REFUSED = "refused"
    """No connection: nobody listens, no route, unknown host, no such device."""
    TIMEOUT = "timeout"
    LOST = "lost"
    """The connection ended while it was in use."""
    BAD_FRAME = "bad frame"
    """An answer came and is none to what was asked."""
    EXCEPTION = "exception"
    """The device answered that it cannot."""
    LOGIN = "login"
    """User, password or certificate of ours was refused; asking again may lock the account."""
    BUSY = "busy"
    """The server has no session left for us."""
    SETUP = "setup"
    """Something is missing on our side: a file, an environment variable, a trusted certificate."""


class LinkError(Exception):
    """A request, or a connection, failed.

    `reason` is a short text for people ("timeout", "exception 2", "refused"); `code` the Modbus exception code, else 0; `torn`
    says that the stream of bytes may go on in the middle of a frame.
    """

    def __init__(self, kind: Kind, reason: str, *, code: int = 0, torn: bool = False) -> None:
        super().__init__(reason)
        self.kind, self.reason, self.code, self.torn = kind, reason, code, torn
