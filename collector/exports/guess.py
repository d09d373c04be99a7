"""Which role a column is likely to be, by its name, its unit and its numbers. A guess is shown and confirmed, never used unseen."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from config.roles import ROLES
from config.units import known_unit, registry

Floats = NDArray[np.float64]

WORDS: Mapping[str, Mapping[str, float]] = {
    "flow": {"flow": 3, "rate": 1, "massflow": 3, "tph": 1, "gauge": 1, "weigher": 1, "scale": 1, "instrument": 1},
    "plc_flow": {
        "flow": 2,
        "rate": 1,
        "massflow": 2,
        "tph": 1,
        "plc": 3,
        "dcs": 3,
        "pv": 2,
        "block": 1,
        "scaled": 2,
        "screen": 1,
    },
    "load": {"load": 3, "kgm": 3, "beltload": 4},
    "speed": {"speed": 3, "belt": 1, "velocity": 2},
    "count_rate": {"count": 2, "counts": 3, "cps": 4, "pulse": 2, "pulses": 2, "detector": 1, "rate": 0.5},
    "detector_temperature": {"temperature": 2, "temp": 2, "detector": 2, "probe": 1},
    "gauge_total": {"total": 3, "totalizer": 3, "totaliser": 3, "sum": 1, "gauge": 1, "weigher": 1, "mass": 1},
    "plc_total": {"total": 3, "totalizer": 3, "totaliser": 3, "sum": 1, "plc": 3, "dcs": 3, "mass": 1},
    "loop_current": {"current": 3, "ma": 3, "milliamp": 3, "loop": 1, "ai": 1},
    "gauge_output": {"output": 2, "ao": 3, "current": 1, "gauge": 1, "ma": 1},
    "ai_raw": {"raw": 4, "ai": 2, "adc": 3, "card": 1, "input": 1, "analog": 2, "analogue": 2},
    "drive_running": {"running": 3, "run": 2, "drive": 1, "motor": 1, "conveyor": 1, "belt": 1},
    "drive_speed": {"frequency": 3, "freq": 3, "hz": 3, "drive": 2, "vfd": 3, "speed": 1, "motor": 1},
    "feed_running": {"feed": 2, "feeder": 3, "running": 1, "run": 1},
    "maintenance": {"maintenance": 4, "bypass": 4},
    "calibrating": {"calibrating": 4, "calibration": 3, "tare": 3, "zeroing": 3},
    "shutter_closed": {"shutter": 4},
    "product": {"product": 4, "grade": 3, "material": 2},
    "moisture": {"moisture": 4, "humidity": 2, "h2o": 3},
    "cabinet_temperature": {"cabinet": 4, "temperature": 1, "temp": 1},
    "ambient_temperature": {"ambient": 4, "outside": 3, "temperature": 1, "temp": 1},
    "loop_supply_voltage": {"supply": 3, "voltage": 3, "volt": 2},
}
"""Weights of words in a name. Common practice, no source."""
LEAST = 2.5
"""A guess below this is none."""
_UNITS = (re.compile(r"[\[(]\s*([^\])]{1,16})\s*[\])]\s*$"), re.compile(r"(?:\s+in\s+|,\s*|\s|_)([^\s_]{1,12})$"))


@dataclass(frozen=True, slots=True)
class Guess:
    """A role for a column with how sure it is (0 to 1), and the unit that is written beside it (empty: none)."""

    column: str
    role: str
    share: float
    unit: str


def unit_of(name: str, written: str = "") -> str:
    """The unit of a column: from the row of units, else from brackets behind its name; empty where there is none."""
    for text in (written.strip("[]() "), *(found.group(1) for pattern in _UNITS if (found := pattern.search(name)))):
        if text and known_unit(text.strip()):
            return text.strip()
    return ""


def guess_roles(columns: Mapping[str, Floats], units: Mapping[str, str]) -> list[Guess]:
    """A role for every column that looks like one; each role once, the surest first.

    Parameters
    ----------
    columns : mapping of name to array, shape (n,)
        Numbers of each column, NaN where there is none.
    units : mapping of name to str
        Units as written, empty where there is none.
    """
    scores = {
        (name, role): _score(name, role, values, units.get(name, "")) for name, values in columns.items() for role in WORDS
    }
    out: list[Guess] = []
    taken: set[str] = set()
    done: set[str] = set()
    for (name, role), score in sorted(scores.items(), key=lambda item: -item[1]):
        if score < LEAST or role in taken or name in done:
            continue
        rivals = [other for (column, _), other in scores.items() if column == name and other > 0.0]
        out.append(Guess(name, role, score / max(sum(rivals), score), units.get(name, "")))
        taken.add(role)
        done.add(name)
    return _with_a_flow(out)


def _with_a_flow(guesses: list[Guess]) -> list[Guess]:
    """A single flow is that of the gauge: it is the one that a loop must have."""
    roles = {guess.role for guess in guesses}
    if "plc_flow" in roles and "flow" not in roles:
        return [Guess(g.column, "flow", g.share, g.unit) if g.role == "plc_flow" else g for g in guesses]
    return guesses


def _score(name: str, role: str, values: Floats, unit: str) -> float:
    words = _words(name)
    score = sum(weight for word, weight in WORDS[role].items() if word in words)
    if unit:
        fits = _fits(unit, ROLES[role].unit)
        if not fits:
            return 0.0
        score += 1.5
    return score * _plausible(role, values)


def _words(name: str) -> set[str]:
    split = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", name)
    parts = [part.lower() for part in re.split(r"[^A-Za-z0-9]+", split) if part]
    return {*parts, *("".join(pair) for pair in pairwise(parts))}


def _fits(unit: str, wanted: str) -> bool:
    """Whether a unit can be converted to that of a role."""
    if not wanted:
        return unit in ("-", "")
    try:
        return bool(registry().Unit(unit).dimensionality == registry().Unit(wanted).dimensionality)
    except Exception:  # noqa: BLE001 - a unit that the registry does not know fits nothing
        return False


def _plausible(role: str, values: Floats) -> float:
    """1 where the numbers can be that role, less where they hardly can."""
    good = values[np.isfinite(values)]
    if not len(good):
        return 0.8
    low, high = float(good.min()), float(good.max())
    if role in ("loop_current", "gauge_output"):
        return 1.0 if low >= 0.0 and 3.0 <= high <= 25.0 else 0.2
    if role in ("drive_running", "feed_running", "maintenance", "calibrating", "shutter_closed"):
        return 1.0 if set(np.unique(good).tolist()) <= {0.0, 1.0} else 0.1
    if role in ("gauge_total", "plc_total"):
        steps = np.diff(good)
        return 1.0 if not len(steps) or (steps >= 0.0).mean() > 0.95 else 0.3
    if role == "ai_raw":
        return 1.0 if (good == np.round(good)).all() and high > 1000.0 else 0.4
    if role == "count_rate":
        return 1.0 if low >= 0.0 and high > 50.0 else 0.5
    if role in ("flow", "plc_flow"):
        return 0.2 if set(np.unique(good).tolist()) <= {0.0, 1.0} else 1.0
    return 1.0
