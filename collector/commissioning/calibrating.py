"""A calibration from the history: the steady part of each run, the new factor, and what the past would become."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from checks.commissioning.calibration_sum import (
    Factor,
    Run,
    counting_uncertainty,
    new_factor,
    past_totals,
    steady_part,
    zero_uncertainty,
)
from checks.commissioning.durations import LEAST_LOAD
from checks.commissioning.gauge import GaugeFacts, facts_of
from collector.history.store import Store
from collector.replay.text import wrapped
from config.cautions import caution_text
from config.errors import TallywireError
from config.model import Site

TARE_S = 300.0
"""Length of the last tare where nobody says another [s]."""
LEAST_U = 0.0005
"""What a run repeats to at best beside counting, one standard deviation [1]; own estimate."""
HOUR_S = 3600
LARGE = 0.1
"""A factor that would move by more is told with a doubt [1]; own estimate."""
EDGES = 0.02
"""Edges above this part of a run are told [1]; own estimate."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """A run with a known mass: its time [epoch s], the reference [t], and whether that is the mass of the steady part alone."""

    begin: float
    end: float
    reference: float
    window: tuple[float, float] | None = None
    whole: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Everything that is told; `used` are the indicated tonnes of each run [t], `u` their relative uncertainty [1].

    `common` is what all runs share (scale, tare), relative, one standard deviation [1]; `scale_u` the expanded uncertainty of
    the scale alone; `otherwise` the outcome if the edges were treated the other way: left out where they are counted.
    """

    loop: str
    facts: GaugeFacts
    known: tuple[Known, ...]
    runs: tuple[Run, ...]
    used: tuple[float, ...]
    u: tuple[float, ...]
    scale_u: float
    tare_s: float
    common: float
    found: Factor
    otherwise: Factor
    since: float | None
    booked: float | None
    notes: tuple[str, ...]

    @property
    def differs(self) -> bool:
        """Whether the factor in force lies outside of what the runs leave."""
        return abs(self.found.ratio - 1.0) > self.found.ratio_u


def calibrate(
    site: Site,
    loop_id: str,
    store: Store,
    known: Sequence[Known],
    *,
    scale_u: float,
    tare_s: float = TARE_S,
    since: float | None = None,
) -> Calibration:
    """Evaluate runs with known masses from the stored flow.

    Parameters
    ----------
    site, loop_id, store
        Where the flow comes from.
    known : sequence of Known
        The runs.
    scale_u : float
        Expanded uncertainty of the reference scale, relative (k = 2) [1]; all runs share it.
    tare_s : float
        How long the last tare counted [s].
    since : float, optional
        From when the tonnes are told that the new factor would change [epoch s].

    Raises
    ------
    TallywireError
        The site file lacks what is needed, or the history has no load in a run.
    """
    facts = gauge_facts(site, loop_id, known[0].begin)
    runs = [
        steady_run(site, loop_id, store, one.begin, one.end, window=one.window, name=f"run {number}")
        for number, one in enumerate(known, 1)
    ]
    booked = None if since is None else booked_since(store, loop_id, since, min(one.begin for one in known))
    notes = [] if since is None else notes_of_past(store, loop_id, since, site.time_zone)
    return evaluated(loop_id, facts, known, runs, scale_u=scale_u, tare_s=tare_s, since=since, booked=booked, notes=notes)


def gauge_facts(site: Site, loop_id: str, day_s: float) -> GaugeFacts:
    """What a calibration must know of the gauge; TallywireError that says what the site file lacks."""
    facts = facts_of(site.loops[loop_id], day_s)
    if isinstance(facts, list):
        raise TallywireError(f"loop {loop_id}: a calibration needs {'; '.join(facts)}", where="site file", fix="declare it")
    return facts


def steady_run(
    site: Site,
    loop_id: str,
    store: Store,
    begin: float,
    end: float,
    *,
    window: tuple[float, float] | None,
    name: str = "the run",
) -> Run:
    """The steady part of a stored stretch [epoch s]; TallywireError where nothing was on the belt."""
    time, flow = _flow(store, loop_id, begin, end)
    if not np.isfinite(flow).any():
        raise TallywireError(
            f"{name}: no flow is stored of that time",
            where=loop_id,
            fix="correct its times, or name the folder of the service with --data",
        )
    run = steady_part(time, flow, site.loops[loop_id].gauge.range.high, window=window)
    if run is None or not run.tonnes > 0.0:
        raise TallywireError(f"{name}: the belt was never loaded in that time", where=loop_id, fix="correct its times")
    return run


def evaluated(
    loop_id: str, facts: GaugeFacts, known: Sequence[Known], runs: Sequence[Run], *, scale_u: float, tare_s: float,
    since: float | None = None, booked: float | None = None, notes: Sequence[str] = (),
) -> Calibration:  # fmt: skip
    """The outcome of runs that were read already."""
    u = [max(LEAST_U, counting_uncertainty(facts, run)) for run in runs]
    common = float(np.hypot(scale_u / 2.0, zero_uncertainty(facts, runs[0], tare_s)))

    def factor(*, turned: bool) -> tuple[list[float], Factor]:
        used = [indicated(run, whole=one.whole is not turned) for one, run in zip(known, runs, strict=True)]
        return used, new_factor([one.reference for one in known], used, u, facts.factor, common)

    used, found = factor(turned=False)
    pairs = zip(known, runs, strict=True)
    told = [*notes, *(note for number, (one, run) in enumerate(pairs, 1) for note in _notes(number, run, one, facts))]
    if abs(found.ratio - 1.0) > LARGE:
        told.insert(
            0,
            f"the factor would move by {found.ratio - 1.0:+.0%}: before it is believed, compare the mass, its unit and the times",
        )
    return Calibration(
        loop=loop_id, facts=facts, known=tuple(known), runs=tuple(runs), used=tuple(used), u=tuple(u), scale_u=scale_u, tare_s=tare_s,
        common=common, found=found, otherwise=factor(turned=True)[1], since=since, booked=booked, notes=tuple(told),
    )  # fmt: skip


def indicated(run: Run, *, whole: bool) -> float:
    """Tonnes of a run by the gauge [t]: of its steady part, with the edges where the whole lot was weighed."""
    return run.tonnes + run.leading_t + run.tailing_t if whole else run.tonnes


def _notes(number: int, run: Run, one: Known, facts: GaugeFacts) -> list[str]:
    notes = []
    load = 3600.0 * run.tonnes / run.seconds / facts.full
    if load < LEAST_LOAD:
        notes.append(
            f"run {number} carried {load:.0%} of full load: too light to set a span (20 %, common practice, no source)"
        )
    if run.edges > EDGES:
        said = (
            "They are counted, because the reference weighed them; where it did not, leave them out"
            if one.whole
            else "They are left out, because the reference did not weigh them; where it did, count them"
        )
        notes.append(f"run {number}: {run.edges:.1%} of its tonnes lie in the leading edge and the tailings. {said}")
    if run.missing_s > 0.0:
        notes.append(f"run {number}: {run.missing_s:.0f} s without a flow; their tonnes are missing, so this run reads too low")
    return notes


def _flow(store: Store, loop: str, begin: float, end: float) -> tuple[np.ndarray, np.ndarray]:
    """Seconds and flow of a stretch; a second without a sample is NaN."""
    time = np.arange(np.floor(begin), np.ceil(end))
    flow = np.full(len(time), np.nan)
    for samples in store.scan(loop, int(time[0]), int(time[-1]) + 1):
        rows = samples.time_s - int(time[0])
        good = (rows >= 0) & (rows < len(time))
        flow[rows[good]] = samples.column("flow")[good]
    return time, flow


def booked_since(store: Store, loop: str, begin: float, end: float) -> float:
    """Tonnes that the flow made over a time [t]: whole hours from their sums, the rest from the samples."""
    first, last = math.ceil(begin / HOUR_S) * HOUR_S, math.floor(end / HOUR_S) * HOUR_S
    if last <= first:
        return _integral(store, loop, begin, end)
    rows = store.rollups(loop, HOUR_S, first, last)
    sums = {} if rows is None else dict(zip(rows.start_s.tolist(), rows.own_t.tolist(), strict=True))
    known = {hour: tonnes for hour, tonnes in sums.items() if first <= hour < last and math.isfinite(tonnes)}
    total = float(sum(known.values())) + _integral(store, loop, begin, first) + _integral(store, loop, last, end)
    lacking = [hour for hour in range(first, last, HOUR_S) if hour not in known]
    stretches = np.split(lacking, np.flatnonzero(np.diff(lacking) > HOUR_S) + 1) if lacking else []
    for part in stretches:
        total += _integral(store, loop, float(part[0]), float(part[-1]) + HOUR_S)
    return total


def notes_of_past(store: Store, loop: str, since: float, zone: str) -> list[str]:
    """Whether the history reaches back to a time."""
    extent = store.extent(loop)
    if extent is not None and extent[0] > since + HOUR_S:
        return [f"the history begins at {_local(extent[0], zone)[:16]}: tonnes before that are not in the sum"]
    return []


def _integral(store: Store, loop: str, begin: float, end: float) -> float:
    total = 0.0
    for samples in store.scan(loop, int(begin), int(end)) if end > begin else ():
        total += float(np.nansum(samples.column("flow"))) * samples.step_s / 3600.0
    return total


def text(found: Calibration, zone: str) -> str:
    """What is told, at most 80 columns wide, the cautions first."""
    lines = [
        *caution_text(80).splitlines(),
        "",
        f"Calibration of {found.loop} by {len(found.runs)} run{'s' if len(found.runs) > 1 else ''} with a known mass",
    ]
    lines.append("  run  steady part                      min  reference t  gauge t   ratio")
    for number, (one, run, used) in enumerate(zip(found.known, found.runs, found.used, strict=True), 1):
        window = f"{_local(run.begin, zone)} to {_local(run.end, zone)[11:]}"
        lines.append(
            f"  {number:>3}  {window:<30} {run.seconds / 60:>5.0f} {one.reference:>12.2f} {used:>8.2f}  {one.reference / used:.4f}"
        )
    lines.append("")
    for sentence in sentences(found, zone):
        lines += wrapped(sentence)
    for note in found.notes:
        lines += wrapped(f"note: {note}", rest="      ")
    lines += ["", "For the ledger of the site (ledger: spans), as YAML:", *ledger_lines(found, zone)]
    return "\n".join(lines) + "\n"


def sentences(found: Calibration, zone: str) -> list[str]:
    """What the runs say of the factor, one sentence or two at a time."""
    factor = found.found
    in_force = found.facts.factor
    ratio = f"Reference over gauge: {factor.ratio:.5f} ± {factor.ratio_u:.5f} (k = 2)."
    said = [
        f"{ratio} Factor in force {in_force:.6g} kg/m; the new one would be {factor.factor:.6g} ± {factor.factor_u:.2g} kg/m."
    ]
    if factor.repeatability is not None:
        said.append(f"Standard deviation of one run: {100 * factor.repeatability:.3f} %.")
    if not found.differs:
        said.append("The factor in force lies within that uncertainty: these runs give no reason to change it.")
    if not factor.enough:
        said.append("Three runs or more before a span is changed (common practice, no source).")
    if found.booked is not None and found.since is not None:
        tonnes, spread = past_totals(found.booked, factor)
        said.append(
            f"With the new factor, the {found.booked:,.0f} t booked since {_local(found.since, zone)[:16]} would have been {tonnes:,.0f} ± {spread:,.0f} t. That holds "
            "where the factor was wrong all the time; nothing is changed by saying so."
        )
    return said


def ledger_lines(found: Calibration, zone: str) -> list[str]:
    """The runs as entries of `spans:` in the ledger file, to paste; the time is that of what was weighed."""
    lines = []
    for one, run, used in zip(found.known, found.runs, found.used, strict=True):
        begin, end = (one.begin, one.end) if one.whole else (run.begin, run.end)
        lines.append(f"  - {{loop: {found.loop}, begin: {_local(begin, zone)}, end: {_local(end, zone)},")
        lines.append(f"     mass: {one.reference:g} t, gauge: {used:.2f} t, uncertainty: {100 * found.scale_u:g} %,")
        lines.append(f"     factor_before: {found.facts.factor:.6g}}}")
    return lines


def _local(time: float, zone: str) -> str:
    return datetime.fromtimestamp(time, UTC).astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M:%S")
