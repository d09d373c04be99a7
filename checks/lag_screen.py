"""Could a filter or a moving average explain what lies between two stations at all? A cheap look before the search.

Both stations are laid out as means of ten seconds: a lag of twelve seconds and more passes them almost unchanged, so that what
it would leave is known to a few per cent from a few lags, for every stretch at once.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]

ROW_S = 10
LAGS_S = tuple(float(value) for value in np.geomspace(12.0, 200.0, 11))
SLACK, SLACK_SPAN = 2.0, 0.003
"""What the search may find is at least this part of what is left here, and at most so much less [parts of span]."""


class Screen:
    """The two stations of a line over the longest stretch: `x` near, `base` the same behind the declared filter, `y` far.

    All shape (n,), in t/h, without gaps; `step` [s] between samples, `span` of the line [t/h].
    """

    def __init__(self, x: Floats, base: Floats, y: Floats, step: int, span: float) -> None:
        self.x, self.base, self.y, self.step, self.span = x, base, y, step, span

    def plain(self, count: int, delays: range) -> tuple[float, int]:
        """Least root mean square [t/h] over the newest `count` samples behind a plain delay [samples], and that delay.

        Good to 1e-6 of the level of the flow: the squares of both are subtracted from each other.
        """
        most, y = max(delays), self.y[-count:]
        base = self.base[-count - most :]
        if len(base) < count + most:
            base = np.concatenate([np.full(count + most - len(base), self.base[0]), base])
        middle = float(y.mean())
        base, y = base - middle, y - middle
        cross = np.correlate(base, y, mode="valid")[::-1]
        total = np.concatenate([[0.0], np.cumsum(base * base)])
        square = (total[count:] - total[: most + 1])[::-1]
        left = (square - 2.0 * cross)[delays.start : delays.stop : delays.step]
        best = int(np.argmin(left))
        return float(np.sqrt(max((float(left[best]) + float(y @ y)) / count, 0.0))), delays[best]

    def may_be_late(self, count: int, most: float) -> bool:
        """Whether a filter or average of unit gain could leave `most` [t/h] or less over the newest `count` samples."""
        rows = count // self._rows
        if rows < 8 or rows > self._squares.shape[1]:
            return True
        left = float(np.sqrt(self._squares[:, -rows:].mean(axis=1).min()))
        return left <= SLACK * most + SLACK_SPAN * self.span

    @property
    def _rows(self) -> int:
        return max(1, ROW_S // self.step)

    @cached_property
    def _squares(self) -> Floats:
        """Squared difference of the row means behind each shape and lag, shape (2 K, rows)."""
        size = self._rows
        rows = len(self.y) // size
        skipped = len(self.y) - rows * size
        y = self.y[skipped:].reshape(rows, size).mean(axis=1)
        x = self.x[skipped:].reshape(rows, size).mean(axis=1)
        late = [self._filtered(x, lag) for lag in LAGS_S] + self._averaged(skipped, rows)
        return np.asarray((np.stack(late) - y) ** 2)

    def _filtered(self, x: Floats, lag: float) -> Floats:
        """Row means of a first-order filter, where each row is taken to be flat."""
        keep = float(np.exp(-self.step / lag))
        whole = keep**self._rows
        state, _ = lfilter([1.0 - whole], [1.0, -whole], x, zi=[whole * x[0]])
        own = 1.0 - float((keep ** np.arange(1, self._rows + 1)).mean())
        return np.asarray(own * x + (1.0 - own) * np.concatenate([x[:1], state[:-1]]))

    def _averaged(self, skipped: int, rows: int) -> list[Floats]:
        """Row means of moving averages of twice the lags: second sums, taken at the ends of the rows."""
        size, longest = self._rows, round(2.0 * LAGS_S[-1] / self.step)
        padded = np.concatenate([np.full(longest + size, self.base[0]), self.base])
        padded -= self.base[0]
        twice = np.concatenate([np.zeros(1), np.cumsum(np.cumsum(padded))])
        in_row = twice[size:] - twice[:-size]
        ends = np.arange(rows) * size + longest + size + skipped
        out = []
        for lag in LAGS_S:
            count = max(1, round(2.0 * lag / self.step))
            out.append(self.base[0] + (in_row[ends] - in_row[ends - count]) / (count * size))
        return out
