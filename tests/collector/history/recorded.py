"""Samples as a terminal would record them, and the site they belong to; every value is drawn from a printed seed."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from checks.samples import BAD, GOOD, UNCERTAIN, Samples
from config.model import FlowRange, Gauge, Loop, Plc, RecordedTag, Site

DAY = 20_650
"""A UTC day [days since 1970]: 2026-07-16."""
DAY_S = 86_400
MIDNIGHT = DAY * DAY_S
ROLES = ("flow", "plc_flow", "count_rate", "drive_running")
LOOPS = {"TB-07": ROLES, "TB-08": ("flow", "ai_raw"), "TB-09": ("flow", "speed", "gauge_total", "product")}
"""Three loops with different tags."""


def terminal(**changes: object) -> Site:
    """The site of the three loops."""
    gauge = Gauge(range=FlowRange(low=0, high=500), nuclide="Cs-137", reference_date=date(2019, 5, 14))
    loops = {
        name: Loop(
            gauge=gauge,
            plc=Plc(range=FlowRange(low=0, high=500)),
            tags={role: RecordedTag() for role in roles},
        )
        for name, roles in LOOPS.items()
    }
    site = Site(schema_=1, site="potash-terminal", time_zone="America/Regina", loops=loops)
    return site.model_copy(update=changes)


def recorded(
    loop: str = "TB-07",
    begin: int = MIDNIGHT,
    rows: int = 60,
    *,
    roles: Sequence[str] | None = None,
    step_s: int = 1,
    seed: int = 1,
) -> Samples:
    """Random samples with doubtful and bad ones, infinities, minus zero, very small and very large values, and flags."""
    rng = np.random.default_rng([seed, begin, rows])
    roles = LOOPS[loop] if roles is None else roles
    values, quality = {}, {}
    for role in roles:
        column = rng.standard_normal(rows) * 10.0 ** rng.integers(-300, 300, rows)
        codes = rng.choice(np.array([GOOD, UNCERTAIN, BAD], np.uint8), rows, p=[0.7, 0.2, 0.1])
        column[rng.random(rows) < 0.05] = np.inf
        column[rng.random(rows) < 0.05] = 5e-324
        column[rng.random(rows) < 0.2] = 1.0
        column[rng.random(rows) < 0.05] = -0.0
        column[codes == BAD] = np.nan
        values[role], quality[role] = column, codes
    return Samples(
        loop=loop, step_s=step_s, time_s=begin + step_s * np.arange(rows, dtype=np.int64), values=values, quality=quality,
        flags=rng.integers(0, 4, rows).astype(np.uint8),
    )  # fmt: skip


def assert_same(found: Samples | None, wanted: Samples) -> None:
    """To the byte, with the same types, roles in the same order or not."""
    assert found is not None
    assert (found.loop, found.step_s) == (wanted.loop, wanted.step_s)
    assert set(found.values) == set(found.quality) == set(wanted.values)
    pairs: list[tuple[NDArray[Any], NDArray[Any]]] = [(found.time_s, wanted.time_s), (found.flags, wanted.flags)]
    pairs += [(found.values[role], wanted.values[role]) for role in wanted.values]
    pairs += [(found.quality[role], wanted.quality[role]) for role in wanted.values]
    for one, other in pairs:
        assert one.dtype == other.dtype
        assert one.tobytes() == other.tobytes()
