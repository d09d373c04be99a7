"""What was weighed, tared and calibrated by hand: the only evidence that comes from outside the chain.

Times are epoch seconds UTC. A number that was not written down is None.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo
from zoneinfo import ZoneInfo

from config.ledger import MaterialTestEntry, SpanEntry, TareEntry
from config.model import Site


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What every entry has: begin and end [epoch s], product, and who says so."""

    begin_s: int
    end_s: int
    product: str = ""
    method: str = ""
    source: str = ""
    note: str = ""

    @property
    def run_s(self) -> int:
        """How long it ran [s]."""
        return self.end_s - self.begin_s


@dataclass(frozen=True, slots=True, kw_only=True)
class MaterialTest(Reference):
    """A lot weighed by something else: `reference_t` with its expanded uncertainty (k = 2) [t].

    `gauge_t` is what the gauge booked for the lot [t], `moisture` that of the laboratory [%], the factors the setting that
    was in force and the one entered after the test.
    """

    reference_t: float
    reference_u_t: float
    gauge_t: float | None = None
    moisture: float | None = None
    factor_before: float | None = None
    factor_after: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tare(Reference):
    """A tare: gross empty-belt rate found and the one before [1/s], whole turns, belt speed [m/s], temperature [degC]."""

    rate: float
    rate_before: float | None = None
    turns: float | None = None
    speed: float | None = None
    detector_temperature: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Span(Reference):
    """A run over a known mass [t] or load [kg/m] with its uncertainty (k = 2) [%], and what the gauge made of it.

    `rate` is the gross count rate [1/s] during the run, `speed` [m/s], `belt_length` [m].
    """

    mass_t: float | None = None
    load_kg_m: float | None = None
    uncertainty_percent: float | None = None
    gauge_t: float | None = None
    gauge_load_kg_m: float | None = None
    rate: float | None = None
    speed: float | None = None
    belt_length: float | None = None
    factor_before: float | None = None
    factor_after: float | None = None


def references_of(site: Site, loop_id: str) -> tuple[Reference, ...]:
    """The entries of a loop in the order of their ends."""
    zone = ZoneInfo(site.time_zone)
    ledger = site.ledger
    found: list[Reference] = []
    found += [_material_test(entry, zone) for entry in ledger.material_tests if entry.loop == loop_id]
    found += [_tare(entry, zone) for entry in ledger.tares if entry.loop == loop_id]
    found += [_span(entry, zone) for entry in ledger.spans if entry.loop == loop_id]
    return tuple(sorted(found, key=lambda entry: (entry.end_s, entry.begin_s)))


def moment_s(moment: datetime, zone: tzinfo) -> int:
    """Epoch seconds of a moment; one without a zone is local time."""
    return int((moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)).timestamp())


def _material_test(entry: MaterialTestEntry, zone: tzinfo) -> MaterialTest:
    return MaterialTest(
        begin_s=moment_s(entry.begin, zone),
        end_s=moment_s(entry.end, zone),
        product=entry.product,
        method=entry.method,
        source=entry.source,
        note=entry.note,
        reference_t=entry.reference,
        reference_u_t=entry.uncertainty,
        gauge_t=entry.gauge,
        moisture=entry.moisture,
        factor_before=entry.factor_before,
        factor_after=entry.factor_after,
    )


def _tare(entry: TareEntry, zone: tzinfo) -> Tare:
    return Tare(
        begin_s=moment_s(entry.begin, zone),
        end_s=moment_s(entry.end, zone),
        product=entry.product,
        method=entry.method,
        source=entry.source,
        note=entry.note,
        rate=entry.rate,
        rate_before=entry.rate_before,
        turns=entry.turns,
        speed=entry.speed,
        detector_temperature=entry.detector_temperature,
    )


def _span(entry: SpanEntry, zone: tzinfo) -> Span:
    return Span(
        begin_s=moment_s(entry.begin, zone),
        end_s=moment_s(entry.end, zone),
        product=entry.product,
        method=entry.method,
        source=entry.source,
        note=entry.note,
        mass_t=entry.mass,
        load_kg_m=entry.load,
        uncertainty_percent=entry.uncertainty,
        gauge_t=entry.gauge,
        gauge_load_kg_m=entry.gauge_load,
        rate=entry.rate,
        speed=entry.speed,
        belt_length=entry.belt_length,
        factor_before=entry.factor_before,
        factor_after=entry.factor_after,
    )
