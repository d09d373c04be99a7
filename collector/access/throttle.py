"""Delays between failed sign-ins, growing for an account and for an address, and never for ever."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass

from collector.clock import Clock

FREE = {"account": 3, "address": 10}
"""Failures that cost nothing: people mistype, and a whole control room may share an address."""
FIRST_S, LONGEST_S = 1.0, 60.0
FORGOTTEN_S = 900.0
"""After so long without a failure the count begins anew [s]."""
MOST = 10_000
"""Names and addresses that are remembered; the oldest goes first."""


@dataclass(slots=True)
class _Count:
    failures: int = 0
    last: float = 0.0


class Throttle:
    """Counts failures in memory. Time is monotonic, so a step of the clock frees nobody.

    An address from which an account has signed in before does not wait for failures elsewhere: else anybody could keep its
    owner out by failing on purpose.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._counts: OrderedDict[tuple[str, str], _Count] = OrderedDict()
        self._known: OrderedDict[tuple[str, str], None] = OrderedDict()

    def wait_s(self, account: str, address: str) -> float:
        """How long the next try must wait [s]; 0 where it need not."""
        name = account.strip().lower()
        waits = [self._left(("address", address))]
        if (name, address) not in self._known:
            waits.append(self._left(("account", name)))
        else:
            waits.append(self._left(("both", f"{name} {address}")))
        return max(waits)

    def failed(self, account: str, address: str) -> None:
        """A try failed, or is about to be made: many at once must each count."""
        name, now = account.strip().lower(), self._clock.monotonic()
        for key in (("address", address), ("account", name), ("both", f"{name} {address}")):
            count = self._counts.setdefault(key, _Count())
            if now - count.last > FORGOTTEN_S:
                count.failures = 0
            count.failures, count.last = count.failures + 1, now
            self._counts.move_to_end(key)
        while len(self._counts) > MOST:
            self._counts.popitem(last=False)

    def succeeded(self, account: str, address: str) -> None:
        """The try that was counted succeeded: the account starts anew, the address is only rid of this one."""
        name = account.strip().lower()
        for key in (("account", name), ("both", f"{name} {address}")):
            self._counts.pop(key, None)
        count = self._counts.get(("address", address))
        if count is not None:
            count.failures = max(0, count.failures - 1)
        self._known[(name, address)] = None
        self._known.move_to_end((name, address))
        while len(self._known) > MOST:
            self._known.popitem(last=False)

    def _left(self, key: tuple[str, str]) -> float:
        count = self._counts.get(key)
        if count is None:
            return 0.0
        over = count.failures - FREE["address" if key[0] == "address" else "account"]
        passed = self._clock.monotonic() - count.last
        if over <= 0 or passed > FORGOTTEN_S:
            return 0.0
        return max(0.0, min(FIRST_S * 2.0 ** min(over - 1, 20), LONGEST_S) - passed)
