"""What a check gets to look at."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeVar, cast

from checks.blocks import Blocks
from checks.references import Reference
from checks.samples import Samples
from checks.stretches import EmptyStretch
from config.model import Loop, Site

if TYPE_CHECKING:
    from checks.line_rows import KeptRows

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerEntry:
    """One entry of the event ledger: a setting that changed, a restart, a stop, a tare, a product change.

    `kind` is a short stable word ("parameter-change", "belt-stop", "belt-start", "gauge-restart", "plc-restart", "tare",
    "calibration", "bypass", "force", "shutter", "product-change", "clock-step", "total-reset", "total-rollover"); `role` the tag
    it was seen in. "calibration", "bypass", "force" and "shutter" (closed) begin with `new` 1 and end with `new` 0. A "clock-step" with the role
    `gauge_clock` has the offset of that clock to ours before and after [s], one without a role is ours.
    """

    time_s: int
    kind: str
    role: str = ""
    old: float | None = None
    new: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A loop as it stands at `end_s` (exclusive, epoch seconds UTC).

    `blocks` are the 10 s blocks of the last 24 h at most, `minutes` and `hours` the merged ones (14 days, 400 days at
    most); `samples` the last 2 h. `settings` holds the last good value of each setting role, `setting_since` when that
    value was first seen. All in order of time, the newest last.
    """

    site: Site
    loop_id: str
    loop: Loop
    end_s: int
    blocks: Blocks
    minutes: Blocks
    hours: Blocks
    samples: Samples
    ledger: tuple[LedgerEntry, ...]
    settings: Mapping[str, float]
    setting_since: Mapping[str, int]
    references: tuple[Reference, ...] = ()
    """What was weighed, tared and calibrated by hand, in the order of the ends; those that end later are not in it."""
    empties: tuple[EmptyStretch, ...] = ()
    """Every stretch of empty running belt of the last 400 days, oldest first (`checks.empties`)."""
    line_rows: KeptRows | None = None
    """Where the rows of the lines were made before; None: they are made of `blocks`."""
    _made: dict[str, object] = field(default_factory=dict, init=False, repr=False, compare=False)

    def once(self, name: str, make: Callable[[Window], T]) -> T:
        """What `make` makes of this window, made once whoever asks; one name always stands for the same."""
        if name not in self._made:
            self._made[name] = make(self)
        return cast(T, self._made[name])
