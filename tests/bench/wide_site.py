"""A site of many loops with a full history, for benches: patterns of the demo plant, laid down again and again.

Three loops are simulated for two days and judged by the engine once; every further loop and day is a copy of their rollup rows
(the bytes of a row hold no time), each loop by its own pattern and shift of days. So 500 loops over a year cost a few seconds.
What stands on a loop (`evaluations`, `Wide.faulty`) was told by the engine about its pattern; nothing is invented.

`python -m tests.bench.wide_site [loops] [days]` fills a folder of its own and prints what that cost.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import sqlalchemy as sa

from checks.build import BlockBuilder
from checks.engine import LoopEngine
from checks.episodes import EpisodeChange, EpisodeTracker
from checks.evaluation import Evaluation
from checks.merge import TreeMerger
from checks.samples import Samples
from collector.alerts.book import AlertBook
from collector.clock import SystemClock
from collector.history import hour_rows, rollups, trend_rows
from collector.history.sqlite import SqliteStore, open_store
from collector.history.tables import ROLLUPS
from config.load import load_site
from config.model import Site
from deploy.plant.model import LoopModel, Switch, simulate
from deploy.plant.site import POTASH, scenario_of
from deploy.plant.site_file import site_text
from deploy.plant.terminal import fresh, specs_at

DAY_S = 86400
PATTERN_D = 2
"""Days of a pattern [d]."""
HOURS_D = 35
"""Days for which every loop has rows by the hour [d]."""
JUDGED_H = 2.0
"""Hours of each pattern that the engine judges [h]."""
FAULTS = (None, None, None, "upper-range", None, "zero-counts", None, None, None, "build-up")
"""What every tenth loop has, in order of loops."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wide:
    """A filled site. `evaluations` is the newest of each loop, `changes` the episodes that were raised, by loop."""

    site: Site
    begin: int
    end: int
    evaluations: Mapping[str, Evaluation]
    changes: Mapping[str, tuple[EpisodeChange, ...]]

    @property
    def faulty(self) -> tuple[str, ...]:
        """The loops on which something stands."""
        return tuple(loop for loop, changes in self.changes.items() if changes)


def loop_names(loops: int) -> list[str]:
    """Ids of so many loops."""
    return [f"TB-{number:03d}" for number in range(1, loops + 1)]


def wide_site(loops: int, *, now: int | None = None) -> Site:
    """A site of so many loops by the patterns of the terminal; the endpoints are those of the three."""
    small = _small(int(time.time()) if now is None else now)
    patterns = list(small.loops.values())
    many = {
        name: patterns[number % len(patterns)].model_copy(update={"title": f"Belt {number + 1}, store to quay"})
        for number, name in enumerate(loop_names(loops))
    }
    return small.model_copy(update={"loops": many, "site": "wide-terminal", "title": "Wide terminal (invented)"})


def fill(
    store: SqliteStore,
    site: Site,
    days: int,
    *,
    end: int,
    minute_days: int = 1,
    fine_loops: int = 20,
    seed: int = 11,
    alerts: bool = True,
) -> Wide:
    """Fill the history of a `wide_site` over the whole days before the UTC day of `end`, by the hour and by the day.

    To save room, rows by the minute are laid for the newest `minute_days` of the first `fine_loops` loops only, and rows by the
    hour older than `HOURS_D` for those alone (1 kB a row); rows by the day for all.
    With `alerts` the loops of `FAULTS` have a standing alert; no message is made.
    """
    last = end // DAY_S
    names = list(site.loops)
    kinds = list(POTASH)
    rows: dict[tuple[str, int], list[tuple[int, int, bytes]]] = {}
    for kind in kinds:
        for length, stored in _pattern_rows(store, kind, last, seed).items():
            rows[kind, length] = stored
    with store.state.transaction() as connection:
        connection.execute(ROLLUPS.delete().where(ROLLUPS.c.loop.in_(kinds)))
        for number, name in enumerate(names):
            kind = kinds[number % len(kinds)]
            for length in (60, 3600, 86400):
                fine = number < fine_loops
                if length == 60 and not fine:
                    continue
                back = min(days, minute_days) if length == 60 else days if length == DAY_S or fine else min(days, HOURS_D)
                found = _laid(name, length, rows[kind, length], last, back, number)
                connection.execute(sa.insert(ROLLUPS).prefix_with("OR REPLACE"), found)
            for hours in rollups.read(connection, name, hour_rows.HOUR_S, 0, end):
                hour_rows.add(connection, name, hours)
                trend_rows.add(connection, name, hours)
    told = _told(_small(end), end, seed)
    evaluations, changes = {}, {}
    for number, name in enumerate(names):
        evaluation, raised = told[kinds[number % len(kinds)], FAULTS[number % len(FAULTS)]]
        evaluations[name] = _evaluation_of(evaluation, name)
        changes[name] = tuple(_change_of(change, name) for change in raised)
    if alerts:
        AlertBook(store.state, ()).take([change for some in changes.values() for change in some], now=float(end))
    return Wide(site=site, begin=(last - days) * DAY_S, end=last * DAY_S, evaluations=evaluations, changes=changes)


def _small(now: int) -> Site:
    specs = specs_at(fresh(now))
    ports = {loop: 5020 + number for number, loop in enumerate(specs)}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "site.yaml"
        path.write_text(site_text(specs, ports, "opc.tcp://127.0.0.1:4840"), encoding="utf-8")
        return load_site(path).site


def _pattern_rows(store: SqliteStore, kind: str, last: int, seed: int) -> dict[int, list[tuple[int, int, bytes]]]:
    """Start [s into the pattern], layout and bytes of the rows of `PATTERN_D` days, by length."""
    begin = (last - PATTERN_D) * DAY_S
    site = _small(begin)
    spec = specs_at(fresh(begin))[kind]
    model = LoopModel(spec, seed, scenario=scenario_of(kind, seed), start=begin)
    builder, tree = BlockBuilder(site, kind), TreeMerger()
    for _ in range(PATTERN_D * 4):
        samples = _samples(kind, model, DAY_S // 4)
        for merged in tree.push(builder.push(samples)).values():
            store.add_rollups(merged)
    with store.state.transaction() as connection:
        out: dict[int, list[tuple[int, int, bytes]]] = {}
        for row in connection.execute(sa.select(ROLLUPS).where(ROLLUPS.c.loop == kind).order_by(ROLLUPS.c.start_s)):
            out.setdefault(row.length_s, []).append((row.start_s - begin, row.layout, row.statistics))
    return out


def _samples(loop: str, model: LoopModel, seconds: int) -> Samples:
    begin = model.time_s
    values = model.advance(seconds)
    return Samples(
        loop=loop, time_s=np.arange(begin, begin + seconds, dtype=np.int64), values=values,
        quality={role: np.zeros(seconds, np.uint8) for role in values}, flags=np.zeros(seconds, np.uint8),
    )  # fmt: skip


def _laid(
    name: str, length: int, pattern: list[tuple[int, int, bytes]], last: int, days: int, number: int
) -> list[dict[str, object]]:
    """The rows of one loop: day by day a day of the pattern, by turns that begin elsewhere for each loop."""
    by_day: list[list[tuple[int, int, bytes]]] = [[] for _ in range(PATTERN_D)]
    for offset, layout, data in pattern:
        by_day[offset // DAY_S].append((offset % DAY_S, layout, data))
    return [
        {"loop": name, "length_s": length, "start_s": day * DAY_S + offset, "layout": layout, "statistics": data}
        for day in range(last - days, last)
        for offset, layout, data in by_day[(day + number // 3) % PATTERN_D]
    ]


def _told(site: Site, end: int, seed: int) -> dict[tuple[str, str | None], tuple[Evaluation, tuple[EpisodeChange, ...]]]:
    """What the engine tells of each loop with each fault, `JUDGED_H` before `end`; the fault is there from half of it."""
    out = {}
    for kind, spec in specs_at(fresh(end)).items():
        for fault in dict.fromkeys(FAULTS):
            switches = [] if fault is None else [Switch(fault, at_h=JUDGED_H / 2.0)]
            start = end // 60 * 60 - round(JUDGED_H * 3600.0)
            samples = simulate(spec, JUDGED_H, start, seed, switches, scenario=scenario_of(kind, seed))
            engine, tracker = LoopEngine(site, kind), EpisodeTracker(site, kind)
            changes = [change for evaluation in engine.push(samples) for change in tracker.update(evaluation)]
            newest = engine.look()
            assert newest is not None
            standing = {episode.id for episode in tracker.open}
            out[kind, fault] = newest, tuple(change for change in changes if change.episode.id in standing)
    return out


def _evaluation_of(evaluation: Evaluation, name: str) -> Evaluation:
    findings = tuple(replace(finding, loop=name) for finding in evaluation.findings)
    return replace(evaluation, loop=name, findings=findings)


def _change_of(change: EpisodeChange, name: str) -> EpisodeChange:
    episode = change.episode
    own = f"{name}{episode.id.removeprefix(episode.loop)}"
    return replace(change, episode=replace(episode, id=own, loop=name, finding=replace(episode.finding, loop=name)))


def main(loops: int = 500, days: int = 30) -> None:
    """Fill a folder and print what it cost."""
    end = int(time.time())
    site = wide_site(loops, now=end)
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(Path(folder), site, clock=SystemClock())
        begun = time.process_time()
        wide = fill(store, site, days, end=end)
        spent = time.process_time() - begun
        size = sum(path.stat().st_size for path in Path(folder).rglob("*") if path.is_file())
        store.close()
    print(f"{loops} loops x {days} days in {spent:.1f} CPU s, {size / 1e6:.0f} MB, {len(wide.faulty)} loops with an alert")


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:3]))
