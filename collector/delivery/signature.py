"""The signature of a webhook as the Standard Webhooks specification 1.0 has it: HMAC-SHA256 over id, time and body.

A receiver computes the same, and refuses a time that is more than some minutes off, so that nothing can be sent again later.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac

from config.errors import TallywireError

PREFIX = "whsec_"
LEAST_BYTES = 24
"""Shortest key that the specification allows."""


def key_of(what: str, secret: str) -> bytes:
    """The key behind a secret: base64 after `whsec_`, else the text itself; empty for none.

    Raises
    ------
    TallywireError
        The secret is too short or no base64.
    """
    if not secret:
        return b""
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True) if secret.startswith(PREFIX) else secret.encode()
    except binascii.Error:
        raise TallywireError(f"{what}: the secret is no base64 behind {PREFIX}", fix=_FIX) from None
    if len(key) < LEAST_BYTES:
        raise TallywireError(f"{what}: the secret is shorter than {LEAST_BYTES} bytes", fix=_FIX)
    return key


_FIX = "make one with: python3 -c \"import base64, os; print('whsec_' + base64.b64encode(os.urandom(32)).decode())\""


def signature_of(key: bytes, message_id: str, time_s: int, body: bytes) -> dict[str, str]:
    """The headers that sign a body."""
    signed = hmac.new(key, f"{message_id}.{time_s}.".encode() + body, hashlib.sha256).digest()
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(time_s),
        "webhook-signature": f"v1,{base64.b64encode(signed).decode()}",
    }
