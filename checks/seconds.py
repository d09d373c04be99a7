"""The newest samples of one loop, as far back as the checks look; a long stretch is looked at where it lies."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from checks.ring import Ring
from checks.samples import Samples, empty, join


class Seconds:
    """Keeps the last `keep` samples before any moment of the newest stretch.

    Short stretches go into a table at once. A stretch that is longer than what is kept stays where it is while it is worked
    on: nearly all windows of it are views; `settle` puts its end into the table.
    """

    def __init__(self, loop: str, roles: Sequence[str], step_s: int, keep: int) -> None:
        self._loop, self._roles, self._step_s = loop, tuple(roles), step_s
        self._ring = Ring(keep)
        self._long: Samples | None = None
        self._begin: Samples | None = None

    def take(self, samples: Samples) -> None:
        """Take the next samples."""
        self.settle()
        if len(samples) > self._ring.keep:
            self._long = samples
        else:
            self._append(samples)

    def settle(self) -> None:
        """Let go of a long stretch but for its end."""
        if self._long is not None:
            self._append(self._long[slice(len(self._long) - self._ring.keep, None)])
        self._long = self._begin = None

    def before(self, end: int) -> Samples:
        """The last samples before a moment of the newest stretch [epoch s]."""
        keep = self._ring.keep
        if self._long is None:
            return self._kept(end)
        last = int(np.searchsorted(self._long.time_s, end))
        if last >= keep:
            return self._long[slice(last - keep, last)]
        if self._begin is None:
            self._begin = join([self._kept(int(self._long.time_s[0])), self._long[slice(0, keep)]])
        last = int(np.searchsorted(self._begin.time_s, end))
        return self._begin[slice(max(last - keep, 0), last)]

    def _append(self, samples: Samples) -> None:
        rows: dict[str, NDArray[Any]] = {"time_s": samples.time_s, "flags": samples.flags}
        rows |= {f"v:{role}": samples.column(role) for role in self._roles}
        rows |= {f"q:{role}": samples.quality[role] for role in self._roles}
        self._ring.append(rows)

    def _kept(self, end: int) -> Samples:
        if not len(self._ring):
            return empty(self._loop, self._roles, self._step_s)
        view: dict[str, Any] = self._ring.view(int(np.searchsorted(self._ring.column("time_s"), end)))
        return Samples(
            loop=self._loop,
            step_s=self._step_s,
            time_s=view["time_s"],
            values={role: view[f"v:{role}"] for role in self._roles},
            quality={role: view[f"q:{role}"] for role in self._roles},
            flags=view["flags"],
        )
