"""The faults that the demo plant can be given, and what an honest plant does.

`FAULTS` maps the id of a cause to its `FaultSpec`; `BENIGN` holds what nobody should call a fault. The severity is one number
in the unit that `measure` names.
"""

from __future__ import annotations

from difflib import get_close_matches

from config.errors import TallywireError
from deploy.plant.fault import FaultSpec, change
from deploy.plant.faults_of_data import DATA
from deploy.plant.faults_of_field import FIELD
from deploy.plant.faults_of_setup import SETUP
from deploy.plant.faults_of_signal import SIGNAL
from deploy.plant.faults_of_tags import TAGS
from deploy.plant.faults_of_zero import ZERO
from deploy.plant.model import LoopModel

FAULTS: dict[str, FaultSpec] = {**SIGNAL, **FIELD, **DATA, **TAGS, **SETUP, **ZERO}
"""Every fault by the id of its cause; `@plc` behind it is the same cause at the other end."""

BENIGN: dict[str, FaultSpec] = {
    "belt-stop": FaultSpec("the belt stands", 1.0, "", change("belt", running_override=lambda _s, _x: False)),
    "empty-belt": FaultSpec("the belt runs empty", 0.0, "t/h", change("belt", feed_override=lambda _, x: x)),
    "steady-load": FaultSpec("the feed does not change", 260.0, "t/h", change("belt", feed_override=lambda _, x: x)),
    "maintenance": FaultSpec("the loop is under maintenance", 1.0, "", change("block", maintenance=lambda _s, _x: True)),
    "calibration": FaultSpec(
        "the gauge is being calibrated", 1.0, "", change("gauge", calibrating=lambda _s, _x: True)
    ),
    "product-change": FaultSpec("another product runs", 2.0, "product code", change("belt", product=lambda _, x: x)),
    "range-both-ends": FaultSpec(
        "both ends are given a new range together", 500.0, "t/h at 20 mA",
        lambda spec, x: spec.with_("gauge", range_high=x).with_("block", range_high=x), per_span=True,
    ),
}  # fmt: skip
"""What an honest plant does, in the same form."""


def find(name: str) -> FaultSpec:
    """The fault or honest event of this id; an unknown one is an error that names the nearest."""
    found = FAULTS.get(name) or BENIGN.get(name)
    if found is None:
        near = get_close_matches(name, [*FAULTS, *BENIGN], n=3, cutoff=0.5)
        raise TallywireError(
            f"the demo plant knows no fault {name!r}",
            fix=f"did you mean {' or '.join(near)}?" if near else "`tallywire demo faults` lists them",
        )
    return found


class Faulty:
    """A loop model with the faults that are on; they apply in the order in which they were switched on."""

    def __init__(self, model: LoopModel) -> None:
        self.model = model
        self._sound = model.spec
        self._on: dict[str, float] = {}

    @property
    def active(self) -> dict[str, float]:
        """Severity of every fault that is on."""
        return dict(self._on)

    def set(self, name: str, on: bool, severity: float | None = None) -> None:
        """Switch a fault on or off; from the next second on the loop runs with it. A severity None is the default one."""
        fault = find(name)
        if on and fault.measured_speed and self._sound.gauge.fixed_speed is not None:
            raise TallywireError(
                f"{self._sound.loop} has a fixed belt speed and cannot have {name!r}", fix="take a loop that measures its speed"
            )
        strength = fault.default(self._sound) if severity is None else severity
        if on:
            if name not in self._on and fault.begin is not None:
                fault.begin(self.model, strength)
            self._on[name] = strength
        else:
            self._on.pop(name, None)
        spec = self._sound
        for active, value in self._on.items():
            spec = find(active).apply(spec, value)
        self.model.spec = spec
