"""The forward model of one loop: seconds in, what every tag shows out. No socket, no clock, no file.

    field (belt, source, detector)  ->  transmitter  ->  current loop  ->  input card  ->  scaling block  ->  totalizer

The stream does not depend on the chunks it is made in: every filter carries its state, every source of noise has its own
generator, sums are taken in the same order. A fault replaces the spec between two calls of `advance`.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from checks.samples import Samples
from config.roles import ROLES, Side
from deploy.plant.farend import FarEndState
from deploy.plant.field import FieldState
from deploy.plant.scenario import Scenario, Swings
from deploy.plant.spec import LoopSpec
from deploy.plant.stages import Floats, Hold
from deploy.plant.transmitter import GaugeState

START = 1_800_000_000
"""Default begin of a run [s since 1970 UTC]: 2027-01-15 08:00."""

WARM_UP_S = 120
TRICKLE_STEP_S = 600
GAUGE_ROLES = tuple(name for name, role in ROLES.items() if role.side is Side.GAUGE)

GAUGE_FLOATS = frozenset(
    {"flow", "load", "speed", "count_rate", "detector_temperature", "gauge_output", "gauge_range_low", "gauge_range_high"}
    | {"empty_belt_rate", "background_rate"}
)
"""Roles that a gauge sends as 32-bit floats."""


class LoopModel:
    """One loop in motion. `spec` may be replaced between two calls of `advance`; the state goes on.

    The first `WARM_UP_S` seconds before `start` are run and thrown away, so that filters and delays have a past.
    """

    def __init__(self, spec: LoopSpec, seed: int, *, scenario: Scenario | None = None, start: int = START) -> None:
        rng = np.random.default_rng([seed, *spec.loop.encode()])
        field, gauge, far_end = rng.spawn(3)
        self.spec = spec
        self.scenario: Scenario = Swings(seed) if scenario is None else scenario
        self._field = FieldState(field)
        self.gauge = GaugeState(spec, gauge)
        self.far_end = FarEndState(spec, far_end)
        self._held = {role: Hold() for role in ROLES}
        self.time_s = start - WARM_UP_S
        self.truth: dict[str, Floats] = {}
        self.trickle_from_s: int | None = None
        self.advance(WARM_UP_S)
        self.gauge.total.reset(spec.gauge.total_start)
        self.far_end.total.reset(spec.plc_total.start)

    def advance(self, n: int) -> dict[str, Floats]:
        """The next `n` seconds: every role that the loop offers, shape (n,), canonical units; `truth` holds what is real."""
        spec = self.spec
        if n == 0:
            return {role: np.empty(0) for role in spec.roles}
        time_s = np.arange(self.time_s, self.time_s + n, dtype=np.int64)
        self.time_s += n
        trickle = self._trickle(time_s)
        field = self._field.advance(spec, self.scenario.plan(time_s), time_s, trickle)
        gauge = self.gauge.advance(spec, field, time_s, trickle)
        far_end = self.far_end.advance(spec, gauge, field, time_s)
        self.truth = {
            "time_s": time_s.astype(np.float64),
            "flow": 3.6 * field["true_load"] * field["true_speed"],
            "speed": field["true_speed"],
            "load": field["true_load"],
        }
        every = misread(spec, {**field, **gauge, **far_end})
        return {role: self._as_read(role, every[role]) for role in spec.roles}

    def _trickle(self, time_s: NDArray[np.int64]) -> Floats | None:
        """Product that comes without the feeder [t/h], in steps of ten minutes; None where there is none."""
        rate, begin = self.spec.belt.trickle_rate, self.trickle_from_s
        if rate == 0.0 or begin is None:
            return None
        return np.asarray(rate * ((time_s - begin) // TRICKLE_STEP_S) * TRICKLE_STEP_S / 3600.0, np.float64)

    def _as_read(self, role: str, values: Floats) -> Floats:
        link = self.spec.link
        values = self._held[role](values, role in link.stale)
        if role in link.swapped:
            values = swapped_words(values)
        if link.zeros and role in GAUGE_ROLES:
            values = np.zeros(len(values))
        return values


IN_REGISTERS = ("flow", "load", "speed", "count_rate", "detector_temperature", "gauge_output")
"""Floats of the gauge in the order of their registers."""


def misread(spec: LoopSpec, every: dict[str, Floats]) -> dict[str, Floats]:
    """What tags with a wrong address or type make of the values."""
    link = spec.link
    if link.joined:
        every = every | {role: joined_halves(every[role], every[behind]) for role, behind in itertools.pairwise(IN_REGISTERS)}
    if link.neighbour:
        every = every | {"flow": every["load"]}
    if link.tenths:
        every = every | {"flow": 10.0 * every["flow"]}
    return every


def joined_halves(values: Floats, behind: Floats) -> Floats:
    """The low word of a 32-bit float and the high word of the one behind it, read as one float; no number reads as 0."""
    low = np.ascontiguousarray(values, dtype=np.float32).view(np.uint32) << np.uint32(16)
    high = np.ascontiguousarray(behind, dtype=np.float32).view(np.uint32) >> np.uint32(16)
    return np.nan_to_num((low | high).view(np.float32).astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)


def swapped_words(values: Floats) -> Floats:
    """32-bit floats as they read with their two words in the other order; what is no number reads as 0."""
    words = np.ascontiguousarray(values, dtype=np.float32).view(np.uint32)
    other = ((words << np.uint32(16)) | (words >> np.uint32(16))).view(np.float32)
    return np.nan_to_num(other.astype(np.float64), nan=0.0, posinf=0.0, neginf=0.0)


@dataclass(frozen=True, slots=True)
class Switch:
    """A fault that comes on `at_h` hours after the begin and goes `until_h` (never, where None)."""

    fault: str
    at_h: float = 0.0
    until_h: float | None = None
    severity: float | None = None


def simulate(
    spec: LoopSpec,
    hours: float,
    start: int = START,
    seed: int = 1,
    faults: Sequence[Switch | str] = (),
    *,
    scenario: Scenario | None = None,
) -> Samples:
    """Samples of `hours` of one loop at 1 s, all good; `faults` by id (on from the begin) or as `Switch`."""
    from deploy.plant.faults import Faulty

    faulty = Faulty(LoopModel(spec, seed, scenario=scenario, start=start))
    total = round(hours * 3600.0)
    orders: list[tuple[int, bool, Switch]] = []
    for item in faults:
        switch = Switch(item) if isinstance(item, str) else item
        orders.append((round(switch.at_h * 3600.0), True, switch))
        if switch.until_h is not None:
            orders.append((round(switch.until_h * 3600.0), False, switch))
    parts: list[Mapping[str, Floats]] = []
    done = 0
    for second, on, switch in sorted(orders, key=lambda order: order[0]):
        if second > done:
            parts.append(faulty.model.advance(min(second, total) - done))
            done = min(second, total)
        faulty.set(switch.fault, on, switch.severity)
    if done < total or not parts:
        parts.append(faulty.model.advance(total - done))
    values = {role: np.concatenate([part[role] for part in parts]) for role in spec.roles}
    return Samples(
        loop=spec.loop,
        time_s=np.arange(start, start + total, dtype=np.int64),
        values=values,
        quality={role: np.zeros(total, np.uint8) for role in spec.roles},
        flags=np.zeros(total, np.uint8),
    )
