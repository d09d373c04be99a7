"""How long to wait before the next attempt to connect. Pure: the time is given."""

from __future__ import annotations

import random
from collections.abc import Callable

from collector.sources.failure import Kind

FIRST_S = 1.0
LONGEST_S = 30.0
BUSY_S = 30.0
"""Least wait after a login was refused or no session was left [s]."""
LOGINS = 3
"""Refused logins in a row after which the account is in danger of being locked."""
LOCKED_OUT_S = 600.0


class Backoff:
    """Waits 1, 2, 4 ... 30 s, each with jitter of 0.5 to 1 times; only a good reply starts over.

    A connection that was accepted proves nothing: a server that accepts and closes is asked ever more rarely. After a refused
    login, or where the server has no session left, the wait is at least 30 s, after three refused logins in a row 10 min.

    Parameters
    ----------
    first_s, longest_s
        First and longest wait, before jitter [s].
    jitter
        Draws from 0 to 1.
    """

    def __init__(
        self, *, first_s: float = FIRST_S, longest_s: float = LONGEST_S, jitter: Callable[[], float] = random.random
    ) -> None:
        self._first_s, self._longest_s, self._jitter = first_s, longest_s, jitter
        self._failures = 0
        self._logins = 0
        self.retry_at = 0.0
        """When the next attempt may begin, on the clock of the caller [s]."""

    def failed(self, now: float, kind: Kind) -> float:
        """Count a failure of this kind at `now` [s]; returns the wait [s]."""
        wait = min(self._first_s * 2.0 ** min(self._failures, 30), self._longest_s) * (0.5 + 0.5 * self._jitter())
        self._failures += 1
        if kind is Kind.LOGIN:
            self._logins += 1
            wait = LOCKED_OUT_S if self._logins >= LOGINS else max(wait, BUSY_S)
        elif kind is Kind.BUSY:
            wait = max(wait, BUSY_S)
        self.retry_at = now + wait
        return wait

    def good_reply(self) -> None:
        """Start over."""
        self._failures = self._logins = 0
