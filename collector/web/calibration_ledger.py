"""The ledger of a loop for people: tares, background, span runs and material tests, with what follows from each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from checks.references import MaterialTest, Span, Tare, references_of
from config.model import Site

EXAMPLE = """\
tares:
  - {loop: TB-07, begin: 2027-03-01 06:10, end: 2027-03-01 06:17, rate: 5083 1/s,
     rate_before: 5200 1/s, turns: 3, source: R. Ortega}
spans:
  - {loop: TB-07, begin: 2027-03-01 07:00, end: 2027-03-01 08:10, mass: 251.3 t,
     gauge: 246.4 t, uncertainty: 0.1 %, factor_before: 153.85, factor_after: 156.91}
material_tests:
  - {loop: TB-07, begin: 2027-03-02 06:00, end: 2027-03-02 09:30, product: standard grade,
     reference: 812.4 t, uncertainty: 0.8 t, gauge: 809.0 t, moisture: 0.4 %,
     method: trucks over the scale of the gate}
"""
"""A ledger file as people write it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpanLine:
    """A span run with the ratio of reference to gauge [1] and the factor that follows [kg/m]; None where the entry lacks a number.

    `factor_u` is what the reference alone leaves of that factor, expanded (k = 2) [kg/m].
    """

    entry: Span
    ratio: float | None
    factor: float | None
    factor_u: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LotLine:
    """A material test with the error of the gauge against the reference [%] and the factor that follows, with what the
    reference alone leaves of it (k = 2) [kg/m]; None where the entry lacks a number."""

    entry: MaterialTest
    error: float | None
    factor: float | None
    factor_u: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerView:
    """Everything of one loop, newest first. `repeats` is the standard deviation of one test [%], None below two errors."""

    loop: str
    factor: float | None
    background: float
    tares: tuple[Tare, ...]
    spans: tuple[SpanLine, ...]
    tests: tuple[LotLine, ...]
    mean_error: float | None
    repeats: float | None

    @property
    def empty(self) -> bool:
        """Whether nothing is in it."""
        return not (self.tares or self.spans or self.tests)


def ledger_of(site: Site, loop: str) -> LedgerView:
    """The ledger of a loop as the site file names it."""
    gauge, entries = site.loops[loop].gauge, references_of(site, loop)[::-1]
    tests = tuple(_lot(item) for item in entries if isinstance(item, MaterialTest))
    errors = [line.error for line in tests if line.error is not None]
    return LedgerView(
        loop=loop, factor=gauge.load_per_attenuation, background=gauge.background,
        tares=tuple(item for item in entries if isinstance(item, Tare)),
        spans=tuple(_span(item) for item in entries if isinstance(item, Span)), tests=tests,
        mean_error=float(np.mean(errors)) if errors else None, repeats=_deviation(errors),
    )  # fmt: skip


def _span(item: Span) -> SpanLine:
    pairs = ((item.mass_t, item.gauge_t), (item.load_kg_m, item.gauge_load_kg_m))
    ratio = next((known / shown for known, shown in pairs if known is not None and shown), None)
    factor = None if ratio is None or item.factor_before is None else ratio * item.factor_before
    sure = item.uncertainty_percent
    return SpanLine(
        entry=item, ratio=ratio, factor=factor, factor_u=None if factor is None or sure is None else factor * sure / 100.0
    )


def _lot(item: MaterialTest) -> LotLine:
    factor = item.factor_before * item.reference_t / item.gauge_t if item.factor_before and item.gauge_t else None
    return LotLine(
        entry=item, error=_error(item), factor=factor, factor_u=None if factor is None else factor * item.reference_u_t / item.reference_t
    )  # fmt: skip


def _error(item: MaterialTest) -> float | None:
    return None if item.gauge_t is None else 100.0 * (item.gauge_t / item.reference_t - 1.0)


def _deviation(errors: Sequence[float]) -> float | None:
    return float(np.std(errors, ddof=1)) if len(errors) > 1 else None
