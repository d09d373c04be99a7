"""What is told about an endpoint: each change once, a flapping one rarely. Pure: the time is given."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable

TOLD_AT_MOST = 6
"""Events of one kind within `WITHIN_S`; what exceeds it is counted and told with the next."""
WITHIN_S = 600.0

OnEvent = Callable[[str, str, str], None]
"""Takes kind ("endpoint-lost", "endpoint-back", "clock-skew", "overload", "certificate", "notice"), endpoint name, sentence."""


class News:
    """Passes events of one endpoint on to `tell`, no more than 6 of a kind in 10 min."""

    def __init__(self, endpoint: str, tell: OnEvent) -> None:
        self._endpoint, self._tell = endpoint, tell
        self._told: dict[str, deque[float]] = {}
        self._held: dict[str, int] = {}

    def event(self, now: float, kind: str, text: str) -> None:
        """Tell, or count, an event at `now` [s]."""
        told = self._told.setdefault(kind, deque(maxlen=TOLD_AT_MOST))
        if len(told) == TOLD_AT_MOST and now - told[0] < WITHIN_S:
            self._held[kind] = self._held.get(kind, 0) + 1
            return
        told.append(now)
        held = self._held.pop(kind, 0)
        self._tell(kind, self._endpoint, f"{text} ({held} more like this were not told)" if held else text)
