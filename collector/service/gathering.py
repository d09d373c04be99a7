"""Samples of a loop wait until they close a block: an engine makes the same of them then, at a tenth of the cost."""

from __future__ import annotations

from checks.samples import Samples
from collector.columns import joined
from config.model import Site

MINUTE_S = 60


class Gathering:
    """Holds the closed samples of each loop back while they close no block. The samples that close one go on at once.

    An engine gives the same evaluations in any chunks, and none before the end of a block, so that nothing is told later.
    """

    def __init__(self, site: Site) -> None:
        self._length_s = next(length for length in range(int(site.block), MINUTE_S + 1) if MINUTE_S % length == 0)
        self._held: dict[str, list[Samples]] = {}

    def take(self, samples: Samples) -> Samples | None:
        """Take the next samples of a loop; returns all that were held of it where they close a block, else None."""
        if not len(samples):
            return None
        held = self._held.setdefault(samples.loop, [])
        held.append(samples)
        first, end = int(held[0].time_s[0]), int(samples.time_s[-1]) + samples.step_s
        if first // self._length_s == end // self._length_s:
            return None
        del self._held[samples.loop]
        return joined(held)

    def drop(self, loop: str) -> None:
        """Forget what is held of a loop: another collector judges it, or it is read back from history."""
        self._held.pop(loop, None)
