"""The nuclides a gauge can carry: one chosen half-life each, its source, and how far the evaluations lie apart.

The chosen evaluation is NUBASE2020 for all of them, so that two nuclides of one plant never come from two tables. It lies
within 0.5 % of every other evaluation that was compared; for Cs-137 the choice is worth 0.1 t/h a year on the reference
belt, which no check may call a fault (`relative_uncertainty`).
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass

from config.unit_table import YEAR_D

__all__ = ["NUCLIDES", "YEAR_D", "Nuclide", "decay_constant_s", "decay_factor", "nuclide"]

DAY_S = 86400.0
_SOURCE = "NUBASE2020, Chinese Physics C 45 (2021) 030001 (value: package mendeleev 1.3.0; citation from memory)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Nuclide:
    """One nuclide.

    half_life_s : half-life [s]
    relative_uncertainty : spread between the evaluations, largest less smallest over the chosen value [1]
    gamma_kev : main gamma lines [keV]; empty where the gauge uses beta or bremsstrahlung
    source : evaluation the half-life is taken from, with its origin word
    """

    name: str
    mass_number: int
    half_life_s: float
    relative_uncertainty: float
    gamma_kev: tuple[float, ...]
    source: str

    @property
    def half_life_d(self) -> float:
        """Half-life [d]."""
        return self.half_life_s / DAY_S


def _of(name: str, half_life_d: float, spread: float, *gamma_kev: float) -> tuple[str, Nuclide]:
    return name, Nuclide(
        name=name,
        mass_number=int(name.rpartition("-")[2]),
        half_life_s=half_life_d * DAY_S,
        relative_uncertainty=spread,
        gamma_kev=gamma_kev,
        source=_SOURCE,
    )


# Spread over ICRP-107, NUBASE2020, ENSDF, DDEP and a decay library of 2012 (packages radioactivedecay, mendeleev,
# paceENSDF, actigamma; DDEP second-hand and from memory). Lines: ENSDF by the package paceENSDF.
NUCLIDES: dict[str, Nuclide] = dict(
    (
        _of("Cs-137", 30.04 * YEAR_D, 5.0e-3, 661.657),
        _of("Co-60", 5.2714 * YEAR_D, 1.0e-4, 1173.228, 1332.492),
        _of("Am-241", 432.6 * YEAR_D, 1.5e-3, 59.5409),
        _of("Cm-244", 18.11 * YEAR_D, 6.1e-3),
        _of("Kr-85", 10.728 * YEAR_D, 2.7e-3),
        _of("Sr-90", 28.91 * YEAR_D, 4.2e-3),
        _of("Se-75", 119.78, 1.2e-3),
        _of("Ir-192", 73.820, 1.2e-4),
    )
)
"""Every known nuclide by name."""


def nuclide(name: str) -> Nuclide:
    """Look a nuclide up; ValueError lists the known ones, the nearest first where the name looks like a slip."""
    if name in NUCLIDES:
        return NUCLIDES[name]
    near = difflib.get_close_matches(name.replace(" ", "").replace("_", "-").capitalize(), NUCLIDES, n=1, cutoff=0.6)
    hint = f" (did you mean {near[0]}?)" if near else ""
    raise ValueError(f"{name!r} is no known nuclide{hint}; use one of: {', '.join(NUCLIDES)}")


def decay_constant_s(name: str) -> float:
    """Decay constant ln 2 / half-life of a nuclide [1/s]."""
    return math.log(2.0) / nuclide(name).half_life_s


def decay_factor(name: str, seconds: float) -> float:
    """Activity after `seconds` [s] over the activity at the start [1]; above 1 for a time before the start."""
    return math.exp(-decay_constant_s(name) * seconds)
