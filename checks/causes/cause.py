"""One entry of the catalogue of causes."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from checks.result import Link


class Signal(StrEnum):
    """Status signals of NAMUR NE 107."""

    FAILURE = "F"
    FUNCTION_CHECK = "C"
    OUT_OF_SPECIFICATION = "S"
    MAINTENANCE_REQUIRED = "M"


class FailureMode(StrEnum):
    """Failure modes of instruments in the vocabulary of ISO 14224 (codes from memory)."""

    ERRATIC = "ERO"
    LOW = "LOO"
    HIGH = "HIO"
    NO_OUTPUT = "NOO"
    ABNORMAL_READING = "AIR"
    PARAMETER_DEVIATION = "PDE"
    MINOR = "SER"


@dataclass(frozen=True, slots=True, kw_only=True)
class LookAlike:
    """A cause that shows the same, and the cheapest measurement that separates the two."""

    cause: str
    separated_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """What can be wrong with a chain.

    `links` are the steps it touches, the first is where it is looked for. `roles` must be there before it can be named.
    `weight` is how often the trade meets it, relative to the others (own estimate, no source). `at_gauge` sends a person to
    the gauge: then the cautions go with the advice. `innocent`: recognised so that it is not reported. `signature` is what it
    does to the chain, as a formula (`checks.causes.signatures`).
    """

    id: str
    title: str
    links: tuple[Link, ...]
    roles: tuple[str, ...]
    checks: tuple[str, str, str]
    look_alikes: tuple[LookAlike, ...] = ()
    at_gauge: bool = False
    signal: Signal = Signal.OUT_OF_SPECIFICATION
    mode: FailureMode = FailureMode.PARAMETER_DEVIATION
    weight: float = 1.0
    innocent: bool = False
    signature: str = ""

    def separated_from(self, other: str) -> str:
        """What separates this cause from another one; empty where the catalogue does not say."""
        return next((item.separated_by for item in self.look_alikes if item.cause == other), "")


def unlike(**separators: str) -> tuple[LookAlike, ...]:
    """Look-alikes by id (underscores for hyphens)."""
    return tuple(LookAlike(cause=name.replace("_", "-"), separated_by=text) for name, text in separators.items())
