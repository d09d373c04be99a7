"""Rules of the limits of one loop: each pair in order, each share a share, each time not negative."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from pydantic import BaseModel

from config.limits import Limits
from config.problems import Found, KeyPath

_ASCENDING: dict[str, tuple[str, ...]] = {
    "temperature": ("plausible_low", "fault_low", "suspect_low", "suspect_high", "fault_high", "plausible_high"),
    "current": ("failure_low", "measuring_low", "measuring_high", "failure_high"),
}
"""Limits that must rise in this order; neighbours may be equal."""


def limit_rules(limits: Limits, range_high: float, path: KeyPath) -> list[Found]:
    """Everything against the limits of a loop; `range_high` is the flow at 20 mA [t/h]."""
    return [*_pairs(limits, path), *_ascending(limits, path), *_numbers(limits, path), *_shares(limits, range_high, path)]


def _pairs(limits: Limits, path: KeyPath) -> Iterator[Found]:
    for name in type(limits).model_fields:
        part = getattr(limits, name)
        if isinstance(part, BaseModel) and hasattr(part, "suspect") and hasattr(part, "fault") and part.suspect > part.fault:
            what = f"the suspect limit {part.suspect:g} % lies above the fault limit {part.fault:g} %"
            yield Found((*path, name, "suspect"), what, f"at most {part.fault:g} %")
    fresh = limits.freshness
    if fresh.coverage_suspect < fresh.coverage_fault:
        what = f"coverage is doubtful below {fresh.coverage_suspect:g} % but a fault below {fresh.coverage_fault:g} %"
        yield Found((*path, "freshness", "coverage_suspect"), what, f"at least {fresh.coverage_fault:g} %")


def _ascending(limits: Limits, path: KeyPath) -> Iterator[Found]:
    for name, order in _ASCENDING.items():
        part = getattr(limits, name)
        for low, high in itertools.pairwise(order):
            if getattr(part, low) > getattr(part, high):
                what = f"{low} ({getattr(part, low):g}) lies above {high} ({getattr(part, high):g})"
                yield Found((*path, name, low), what, "in rising order: " + ", ".join(order))


_ALSO_NEGATIVE = {"suspect_low", "suspect_high", "fault_low", "fault_high", "plausible_low", "plausible_high"}


def _numbers(part: BaseModel, path: KeyPath) -> Iterator[Found]:
    for name in type(part).model_fields:
        value = getattr(part, name)
        if isinstance(value, BaseModel):
            yield from _numbers(value, (*path, name))
        elif isinstance(value, float) and value < 0.0 and name not in _ALSO_NEGATIVE:
            yield Found((*path, name), f"the limit {value:g} is negative", "0 or more")


def _shares(limits: Limits, range_high: float, path: KeyPath) -> Iterator[Found]:
    fresh, counts = limits.freshness, limits.counts
    for name in ("coverage_suspect", "coverage_fault"):
        if getattr(fresh, name) > 100.0:
            yield Found(
                (*path, "freshness", name), f"a coverage of {getattr(fresh, name):g} % cannot be reached", "at most 100 %"
            )
    if fresh.periods < 1.0:
        what = f"a reading would be stale after {fresh.periods:g} periods, before the next one can come"
        yield Found((*path, "freshness", "periods"), what, "1 or more; 3 is usual")
    if not 0.0 < counts.zero_probability < 0.5:
        what = f"{counts.zero_probability:g} is no probability of a false alarm"
        yield Found((*path, "counts", "zero_probability"), what, "a small number such as 1e-9")
    if limits.empty_below is not None and limits.empty_below >= range_high:
        what = f"the belt would count as empty below {limits.empty_below:g} t/h, the whole range"
        yield Found((*path, "empty_below"), what, f"well below {range_high:g} t/h")
