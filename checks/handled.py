"""When somebody has the loop in hand: currents are injected and values forced then, whatever is on the belt."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from checks.samples import Samples

Bools = NDArray[np.bool_]
SIGNS = ("calibrating", "maintenance", "plc_forced", "gauge_output_mode")
REACH_S = 60
"""How long about it values may still be those of the hand: filters, and bits that are polled seldom."""


def handled(samples: Samples) -> Bools:
    """Seconds in which a bit says so, and a minute about them; bits that are not read say nothing. Shape (n,)."""
    out = np.zeros(len(samples.time_s), dtype=bool)
    for role in SIGNS:
        if role in samples.values:
            with np.errstate(invalid="ignore"):
                out |= samples.column(role) > 0.5
    return maximum_filter1d(out, 2 * max(1, REACH_S // samples.step_s) + 1) if out.any() else out
