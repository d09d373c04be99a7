"""A fault of the demo plant: a change to the stage where it really happens, with one number for how strong it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from deploy.plant.model import LoopModel
from deploy.plant.spec import LoopSpec

Apply = Callable[[LoopSpec, float], LoopSpec]
Begin = Callable[[LoopModel, float], None]

REFERENCE_SPAN = 420.0


@dataclass(frozen=True, slots=True)
class FaultSpec:
    """One fault: what it is called, how strong by default and in what measure, the change it makes, and what happens once."""

    title: str
    severity: float
    measure: str
    apply: Apply
    begin: Begin | None = None
    per_span: bool = False
    """The default severity is for a span of 420 t/h and goes with the span of the loop."""

    measured_speed: bool = False
    """Only a loop whose gauge measures the belt speed can have it."""

    def default(self, spec: LoopSpec) -> float:
        """Default severity in this loop."""
        return self.severity * spec.span / REFERENCE_SPAN if self.per_span else self.severity


def change(part: str, **values: Callable[[LoopSpec, float], object]) -> Apply:
    """A fault that sets some fields of one part of the spec, each from the sound spec and the severity."""

    def apply(spec: LoopSpec, severity: float) -> LoopSpec:
        return spec.with_(part, **{name: value(spec, severity) for name, value in values.items()})

    return apply
