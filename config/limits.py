"""The limits of a loop: two for each thing that is judged, `suspect` and `fault`.

The numbers here are the defaults; `config.defaults` gives for each its reason and its source, and a test holds that the
two agree and that none is missing.
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from config.quantity import CurrentMA, FlowTH, MassT, Percent, TempC, TempRateKMin, TimeS


class _Limits(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class SpanLimit(_Limits):
    """Deviation between two neighbouring links [% of span]."""

    suspect: Percent = 0.25
    fault: Percent = 0.5


class TotalLimit(_Limits):
    """Deviation between two totals [% of the tonnes that passed], and the least tonnes and time that decide."""

    suspect: Percent = 0.25
    fault: Percent = 0.5
    least_tonnes: MassT = 20.0
    horizon: TimeS = 8 * 3600.0


class TemperatureLimit(_Limits):
    """Detector temperature: high, low, rate of change; outside the plausible pair the sensor itself is doubted."""

    suspect_high: TempC = 45.0
    fault_high: TempC = 55.0
    suspect_low: TempC = -10.0
    fault_low: TempC = -20.0
    rate: TempRateKMin = 2.0
    plausible_low: TempC = -50.0
    plausible_high: TempC = 100.0


class CountLimit(_Limits):
    """Count rates: `zero_probability` is the chance that a live detector shows the run of zeros that is called dead."""

    zero_probability: float = 1e-9
    zero_least: TimeS = 5.0
    above_empty: Percent = 3.0
    frozen_after: TimeS = 120.0


class CurrentLimit(_Limits):
    """Levels of NAMUR NE 43 with the time for which they must stand."""

    measuring_low: CurrentMA = 3.8
    measuring_high: CurrentMA = 20.5
    failure_low: CurrentMA = 3.6
    failure_high: CurrentMA = 21.0
    confirm: TimeS = 4.0
    frozen_band: CurrentMA = 0.002
    frozen_after: TimeS = 120.0


class FreshLimit(_Limits):
    """Age and quality of readings: a role is stale after `periods` periods, dead after `fault_after`."""

    periods: float = 3.0
    fault_after: TimeS = 30.0
    coverage_suspect: Percent = 95.0
    coverage_fault: Percent = 80.0
    clock_skew: TimeS = 2.0


class ZeroLimit(_Limits):
    """Error of the zero on the empty belt [% of span]; `scatter` is what two empties of a sound belt differ by beyond counting
    [% of the counts] until the site has shown its own; an empty belt older than `stale_after` says nothing of now."""

    suspect: Percent = 0.25
    fault: Percent = 0.5
    scatter: Percent = 0.05
    stale_after: TimeS = 14 * 86400.0


class DecayLimit(_Limits):
    """Drift of what the gauge takes for empty against the decay of the source [% of the net counts in 30 days], and how far
    the clock of the gauge may be off."""

    suspect: Percent = 0.05
    fault: Percent = 0.1
    clock: TimeS = 86400.0


class AlertLimit(_Limits):
    """Delays of an alert: how long a finding must stand before it is raised, and be gone before it returns."""

    on_delay: TimeS = 20.0
    off_delay: TimeS = 120.0


class Limits(_Limits):
    """All limits of one loop."""

    link: SpanLimit = SpanLimit()
    counts_to_flow: SpanLimit = SpanLimit(suspect=0.5, fault=1.0)
    totals: TotalLimit = TotalLimit()
    temperature: TemperatureLimit = TemperatureLimit()
    counts: CountLimit = CountLimit()
    current: CurrentLimit = CurrentLimit()
    freshness: FreshLimit = FreshLimit()
    zero: ZeroLimit = ZeroLimit()
    decay: DecayLimit = DecayLimit()
    alerts: AlertLimit = AlertLimit()
    empty_below: FlowTH | None = None
