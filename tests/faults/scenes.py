"""What the belt does while a case runs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from deploy.plant.scenario import SYLVITE, Plan, Scenario, Shifts, Steady, Swings
from tests.faults.draws import Draw

REFERENCE_TOP = 320.0
"""Largest feed of `Swings` at scale 1 [t/h]."""


class Stops:
    """Ten minutes over and over: seven under load, then a stop of three with the load on the belt."""

    def __init__(self, seed: int, feed: float) -> None:
        self._seed, self._feed = seed, feed

    def plan(self, time_s: NDArray[np.int64]) -> Plan:
        within = time_s % 600
        part = 0.6 + 0.4 * np.cos(2.0 * np.pi * (time_s // 60 + self._seed) / 17.0)
        ones = np.ones(len(time_s))
        return Plan(self._feed * part, np.where(within < 420, 1.0, 0.0), ones, ones * SYLVITE)


class NearLimit:
    """A feed that wanders about a level, back and forth over it every few minutes."""

    def __init__(self, level: float, swing: float) -> None:
        self._level, self._swing = level, swing

    def plan(self, time_s: NDArray[np.int64]) -> Plan:
        ones = np.ones(len(time_s))
        return Plan(self._level + self._swing * np.sin(2.0 * np.pi * time_s / 420.0), ones, ones, ones * SYLVITE)


def scene(name: str, chosen: Draw) -> Scenario:
    """A scene for a draw, scaled to its range."""
    gauge, seed = chosen.spec.gauge, chosen.seed + chosen.number
    top = gauge.range_high
    scenes: dict[str, Scenario] = {
        "swings": Swings(seed, scale=0.78 * top / REFERENCE_TOP, varies_speed=chosen.spec.belt.variable),
        "shifts": Shifts(seed, typical=0.6 * top, spread=0.09 * top),
        "stops": Stops(seed, 0.6 * top),
        "steady": Steady(0.6 * top),
        "near-limit": NearLimit(0.86 * top, 0.05 * top),
    }
    return scenes[name]
