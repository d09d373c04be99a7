"""Reference lots written by hand, and windows that hold them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from checks.references import MaterialTest, Reference
from checks.window import Window
from tests.checks.simulation import START, Chain

DAY = 86400


@cache
def quiet_hour() -> Window:
    """An hour of a sound chain at 260 t/h, without references."""
    return Chain(load=np.full(3600, 260.0)).window()


def lot(
    day: float,
    gauge_t: float | None,
    *,
    reference_t: float = 520.0,
    hours: float = 2.0,
    uncertainty_t: float = 1.0,
    moisture: float | None = None,
    product: str = "",
    factors: tuple[float | None, float | None] = (None, None),
) -> MaterialTest:
    """A lot that ended `day` days before the window does; 520 t in 2 h is 260 t/h."""
    end = quiet_hour().end_s - int(day * DAY)
    return MaterialTest(
        begin_s=end - int(hours * 3600), end_s=end, reference_t=reference_t, reference_u_t=uncertainty_t, gauge_t=gauge_t,
        moisture=moisture, product=product, method="truck scale", source=f"ticket {day:g}", factor_before=factors[0],
        factor_after=factors[1],
    )  # fmt: skip


def with_references(references: Sequence[Reference], window: Window | None = None) -> Window:
    """The window with these references, in the order of their ends."""
    return replace(window or quiet_hour(), references=tuple(sorted(references, key=lambda entry: entry.end_s)))


def off_by(
    per_cent: Sequence[float], *, loads: Sequence[float] = (), moistures: Sequence[float | None] = (), products: Sequence[str] = (),
    seed: int = 1, noise: float = 0.1,
) -> list[MaterialTest]:  # fmt: skip
    """Lots whose gauge tonnes are off by these, one every two days, with a scatter of `noise` %."""
    rng = np.random.default_rng(seed)
    n = len(per_cent)
    flows = list(loads) or [260.0] * n
    out = []
    for index, (off, flow) in enumerate(zip(per_cent, flows, strict=True)):
        reference = 2.0 * flow
        out.append(
            lot(
                2.0 * (n - index), reference * (1.0 + (off + noise * rng.standard_normal()) / 100.0), reference_t=reference,
                uncertainty_t=0.002 * reference, moisture=moistures[index] if moistures else None,
                product=products[index] if products else "",
            )
        )  # fmt: skip
    return out


__all__ = ["DAY", "START", "lot", "off_by", "quiet_hour", "with_references"]
