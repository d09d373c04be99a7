"""What the library raises, as the failures of a link."""

from __future__ import annotations

import contextlib
import struct
from collections.abc import Iterator

from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError, UaStatusCodeError

from collector.sources.failure import Kind, LinkError
from collector.sources.opcua_values import quality_of

_LOGIN = frozenset(
    {
        StatusCodes.BadUserAccessDenied, StatusCodes.BadIdentityTokenRejected, StatusCodes.BadIdentityTokenInvalid,
        StatusCodes.BadUserSignatureInvalid,
    }
)  # fmt: skip
_BUSY = frozenset({StatusCodes.BadTooManySessions})


@contextlib.contextmanager
def failures(*, connecting: bool = False) -> Iterator[None]:
    """Turn what the library raises into LinkError."""
    try:
        yield
    except TimeoutError:
        raise LinkError(Kind.TIMEOUT, "no answer to the connection" if connecting else "timeout") from None
    except UaStatusCodeError as error:
        raise _status_failure(error.code) from error
    except ConnectionRefusedError as error:
        raise LinkError(Kind.REFUSED, "connection refused") from error
    except OSError as error:
        if connecting:
            raise LinkError(Kind.REFUSED, f"the server ended the connection: {error}") from error
        raise LinkError(Kind.LOST, "connection lost") from error
    except UaError as error:
        if "certificate mismatch" in str(error):
            raise LinkError(Kind.SETUP, "server certificate is not the pinned one") from error
        raise LinkError(Kind.REFUSED if connecting else Kind.BAD_FRAME, f"{error}") from error
    except (ValueError, TypeError, AttributeError, struct.error) as error:
        raise LinkError(Kind.BAD_FRAME, f"bad frame: {type(error).__name__}", torn=True) from error


def _status_failure(code: int) -> LinkError:
    reason = quality_of(code)[1]
    if code in _LOGIN:
        return LinkError(Kind.LOGIN, reason, code=code)
    if code in _BUSY:
        return LinkError(Kind.BUSY, reason, code=code)
    if code == StatusCodes.BadTimeout:
        return LinkError(Kind.TIMEOUT, reason, code=code)
    return LinkError(Kind.LOST, reason, code=code)
