"""Ledgers of empties over weeks, drawn from physics of their own: Poisson counts of every stretch, decay, belt, temperature.

The belt is that of the worked examples: 5,140 1/s net on 60 1/s background, mu 0.0065 m2/kg, 1 m wide, 1.9 m/s, 240 m long,
Cs-137 with 30.05 years (rounded from published evaluations, from memory), so Kv = 3.6 w v / mu = 1,052 t/h.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime
from functools import cache
from typing import Any

import numpy as np

from checks.empties import EmptyStretch
from checks.window import Window
from config.model import Drive, FlowRange, Gauge, Loop, Plc, RecordedTag, Site
from tests.checks.runs_of_terminal import samples_by_hand, window_of

NET, BACKGROUND, MU, SPEED, LENGTH = 5140.0, 60.0, 0.0065, 1.9, 240.0
KV = 3.6 * 1.0 * SPEED / MU
YEAR_D = 365.25
HALF_LIFE_D = {"Cs-137": 30.05 * YEAR_D, "Co-60": 5.271 * YEAR_D, "Am-241": 432.6 * YEAR_D}
DAY_S = 86400
REFERENCE = date(2026, 6, 1)
T0 = int(datetime(2026, 9, 1, tzinfo=UTC).timestamp())
"""Begin of every ledger; the source was tared three months before."""
ROLES = (
    "flow", "speed", "count_rate", "plc_flow", "detector_temperature", "empty_belt_rate", "shutter_closed", "feed_running",
    "drive_running", "gauge_clock", "gauge_uptime", "nuclide_code",
)  # fmt: skip

Course = Callable[[float], float]
"""Something over days since the begin."""


def decay(nuclide: str, days: float) -> float:
    """ln of what is left after some days."""
    return -math.log(2.0) / HALF_LIFE_D[nuclide] * days


def nothing(_: float) -> float:
    return 0.0


@dataclass(frozen=True, kw_only=True)
class Belt:
    """One site; every field is a place where a fault can be put in. Courses take days since the begin."""

    seed: int
    days: float = 60.0
    hours: tuple[float, ...] = (2.0, 6.0, 10.0, 14.0, 18.0, 22.0)
    """Hours of the day at which the belt runs empty (UTC)."""
    turns: int = 4
    nuclide: str = "Cs-137"
    declared: str = "Cs-137"
    scatter: float = 0.5
    """What the empties of the site scatter by beyond counting [t/h]."""
    memory_h: float = 6.0
    """How long that lasts."""
    per_kelvin: float = 0.0
    """Counts per K of detector temperature [parts]."""
    swing_k: float = 5.0
    lag_h: float = 0.0
    mass: Course = nothing
    """Mass on the belt or in the beam beside the tared one [kg/m2]."""
    beam: Course = lambda _: 1.0
    """Part of the net rate that is there."""
    taken: Course | None = None
    """ln of the net rate that the gauge takes for empty, less that at the begin; None: compensated as declared."""
    tare_rate: Course = lambda _: NET + BACKGROUND
    added: Course = nothing
    """Counts from elsewhere [1/s]."""
    events: tuple[tuple[float, str], ...] = ()
    hidden: bool = False
    read: tuple[str, ...] = ROLES
    gauge: dict[str, Any] = field(default_factory=dict)

    def loop(self) -> Loop:
        """The loop as declared."""
        gauge = Gauge(
            range=FlowRange(high=420.0), nuclide=self.declared, reference_date=REFERENCE, empty_belt_rate=NET + BACKGROUND,
            background=BACKGROUND, load_per_attenuation=1.0 / MU, belt_length=LENGTH, counts_filtered=False,
            **self.gauge,
        )  # fmt: skip
        return Loop(
            gauge=gauge, plc=Plc(range=FlowRange(high=420.0)), drive=Drive(speed_at_nominal=SPEED),
            tags={role: RecordedTag() for role in self.read},
        )  # fmt: skip

    def stretches(self) -> tuple[EmptyStretch, ...]:
        """The ledger, oldest first."""
        rng = np.random.default_rng(self.seed)
        seconds = self.turns * LENGTH / SPEED
        age = (T0 - datetime(REFERENCE.year, REFERENCE.month, REFERENCE.day, tzinfo=UTC).timestamp()) / DAY_S
        times = [day + hour / 24.0 for day in range(math.ceil(self.days)) for hour in self.hours]
        out: list[EmptyStretch] = []
        wander, before = float(rng.standard_normal()), -1.0
        for at in (time for time in times if time < self.days):
            keep = math.exp(-(at - before) * 24.0 / self.memory_h)
            wander = keep * wander + math.sqrt(1.0 - keep * keep) * float(rng.standard_normal())
            warm = self.swing_k * math.cos(2.0 * math.pi * (at - 15.0 / 24.0))
            inside = self.swing_k * math.cos(2.0 * math.pi * (at - (15.0 + self.lag_h) / 24.0))
            shift = self.scatter * wander / KV
            net = NET * math.exp(decay(self.nuclide, age + at) - MU * self.mass(at) + shift) * self.beam(at)
            net *= 1.0 + self.per_kelvin * inside
            gross = net + BACKGROUND + self.added(at)
            counted = float(rng.poisson(gross * seconds)) / seconds
            declared = math.log(NET) + decay(self.declared, age + at)
            taken = declared if self.taken is None else math.log(NET) + decay(self.declared, age) + self.taken(at)
            ln_net = math.log(counted - BACKGROUND)
            start = T0 + round(at * DAY_S)
            error = KV * (taken - declared) + 0.05 * float(rng.standard_normal())
            here = tuple((kind, T0 + round(day * DAY_S)) for day, kind in self.events if before < day <= at)
            out.append(
                EmptyStretch(
                    start_s=start, end_s=start + round(seconds), known_s=start + round(seconds) + 10, seconds=seconds,
                    turns=float(self.turns), ln_net=ln_net, se=math.sqrt(counted / seconds) / (counted - BACKGROUND),
                    flow=0.0 if self.hidden else KV * (taken - ln_net), plc_flow=None, hidden=self.hidden,
                    temperature=26.0 + warm, product=1.0, speed=SPEED, tare_rate=self.tare_rate(at), load_error=error,
                    running_s=min(4.0, 24.0 * (at - before)) * 3600.0 if before >= 0.0 else 600.0,
                    loaded_s=min(3.0, 18.0 * (at - before)) * 3600.0 if before >= 0.0 else 0.0, events=here,
                )
            )  # fmt: skip
            before = at
        return tuple(out)

    def window(self, upto: float | None = None) -> Window:
        """The window at the end of the ledger, or after so many days."""
        stretches = self.stretches()
        if upto is not None:
            stretches = tuple(stretch for stretch in stretches if stretch.end_s <= T0 + upto * DAY_S)
        return as_window(self.loop(), stretches)


@cache
def _base() -> Window:
    samples = samples_by_hand({"flow": np.full(60, 100.0)})
    loop = Loop(gauge=Gauge(range=FlowRange(high=420.0)), plc=Plc(range=FlowRange(high=420.0)), tags={"flow": RecordedTag()})
    return window_of(samples, Site.model_validate({"schema": 1, "site": "terminal", "loops": {"TB-07": loop}}))


def as_window(loop: Loop, stretches: Sequence[EmptyStretch]) -> Window:
    """A window that holds nothing but a ledger of empties, a minute after its end."""
    base = _base()
    end = stretches[-1].known_s + 60 if stretches else base.end_s
    return replace(
        base, loop=loop, site=base.site.model_copy(update={"loops": {"TB-07": loop}}), empties=tuple(stretches), end_s=end,
        blocks=base.blocks[slice(0, 0)],
    )  # fmt: skip


def healthy(seed: int, **changes: Any) -> Belt:
    """A sound site of its own: scatter, memory, temperature, hours of empties and turns drawn."""
    rng = np.random.default_rng([seed, 1])
    count = int(rng.integers(1, 9))
    drawn: dict[str, Any] = {
        "scatter": float(rng.uniform(0.1, 1.0)), "memory_h": float(rng.uniform(1.0, 24.0)),
        "per_kelvin": float(rng.uniform(-2e-4, 2e-4)), "swing_k": float(rng.uniform(2.0, 6.0)),
        "hours": tuple(sorted(float(hour) for hour in rng.uniform(0.0, 23.5, count))), "turns": int(rng.integers(2, 8)),
    }  # fmt: skip
    return Belt(seed=seed, **(drawn | changes))
