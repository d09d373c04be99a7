from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from checks.blocks import ARRAYS, Blocks
from checks.engine import LoopEngine
from checks.merge import concat
from checks.samples import Samples
from collector.history import rollups
from collector.history.bulk import import_samples
from collector.history.sqlite import SEAL_AFTER_S
from tests.checks.simulation import Chain, swinging_load
from tests.collector.history.conftest import Opener
from tests.collector.history.recorded import DAY_S, MIDNIGHT, assert_same

SEED = 20_260_716
HOURS = 30


def chain(hours: int = HOURS) -> Chain:
    print(f"seed {SEED}")
    return Chain(load=swinging_load(np.random.default_rng(SEED), hours * 3600), seed=SEED)


def moved(samples: Samples, begin: int) -> Samples:
    """The samples as if they began at another time."""
    return Samples(
        loop=samples.loop, time_s=samples.time_s - samples.time_s[0] + begin, values=samples.values, quality=samples.quality,
        flags=samples.flags,
    )  # fmt: skip


def built(source: Chain, begin: int = MIDNIGHT) -> tuple[Samples, dict[int, Blocks]]:
    """Samples, and the rollups that the engine of the running service makes of them."""
    samples = moved(source.samples(), begin)
    engine = LoopEngine(source.site(), "TB-07")
    parts: dict[int, list[Blocks]] = {}
    for first in range(0, len(samples), 7000):
        engine.push(samples[slice(first, first + 7000)], evaluate=False)
        for length, blocks in engine.take_rollups().items():
            parts.setdefault(length, []).append(blocks)
    return samples, {length: concat(rows) for length, rows in parts.items()}


def assert_same_blocks(found: Blocks | None, wanted: Blocks) -> None:
    assert found is not None
    for item in fields(Blocks):
        one, other = getattr(found, item.name), getattr(wanted, item.name)
        if item.name in ARRAYS:
            assert one.dtype == other.dtype
            assert one.shape == other.shape
            assert one.tobytes() == other.tobytes(), item.name
        else:
            assert one == other, item.name


@pytest.fixture(scope="module")
def day() -> tuple[Chain, Samples, dict[int, Blocks]]:
    source = chain()
    return source, *built(source)


def test_fields_of_one_value_are_named(day: tuple[Chain, Samples, dict[int, Blocks]]) -> None:
    minutes = day[2][60]
    assert {name for name in rollups.FIELDS if getattr(minutes, name).ndim == 1} == set(rollups.SINGLE)


def test_every_length_comes_back_to_the_byte(opened: Opener, day: tuple[Chain, Samples, dict[int, Blocks]]) -> None:
    source, _, wanted = day
    store = opened(site=source.site())
    assert set(wanted) == {60, 3600, 86400}
    for blocks in wanted.values():
        store.add_rollups(blocks)
        store.add_rollups_of([blocks, blocks[slice(0, 0)]])
    store.close()
    store = opened(site=source.site())
    for length, blocks in wanted.items():
        assert_same_blocks(store.rollups("TB-07", length, MIDNIGHT, MIDNIGHT + 3 * DAY_S), blocks)
    begin = MIDNIGHT + 3600
    assert_same_blocks(store.rollups("TB-07", 60, begin, begin + 600), wanted[60][slice(60, 70)])
    assert store.rollups("TB-07", 60, MIDNIGHT - DAY_S, MIDNIGHT) is None
    assert store.rollups("TB-08", 60, MIDNIGHT, MIDNIGHT + DAY_S) is None


def test_row_gives_way_only_to_one_that_covers_as_much(opened: Opener, day: tuple[Chain, Samples, dict[int, Blocks]]) -> None:
    source, samples, wanted = day
    store = opened(site=source.site())
    store.add_rollups(wanted[3600])
    cut = LoopEngine(source.site(), "TB-07")
    cut.push(samples[slice(1800, 3 * 3600)], evaluate=False)
    part = cut.take_rollups()[3600]
    assert part.covered_s[0] == 1800
    store.add_rollups(part)
    found = store.rollups("TB-07", 3600, MIDNIGHT, MIDNIGHT + 3600)
    assert_same_blocks(found, wanted[3600][slice(0, 1)])
    other = opened(folder=store.layout.root.parent / "other", site=source.site())
    other.add_rollups(part)
    other.add_rollups(wanted[3600])
    assert_same_blocks(other.rollups("TB-07", 3600, MIDNIGHT, MIDNIGHT + 2 * DAY_S), wanted[3600])


def test_layouts_are_kept_once_and_told_apart(opened: Opener, day: tuple[Chain, Samples, dict[int, Blocks]]) -> None:
    source, _, wanted = day
    fewer = Chain(load=source.load[: 4 * 3600], seed=1, roles=("flow", "speed", "count_rate", "plc_flow"))
    _, later = built(fewer, MIDNIGHT + 2 * DAY_S)
    store = opened(site=source.site())
    store.add_rollups(wanted[60])
    store.add_rollups(wanted[3600])
    store.add_rollups(later[60])
    with store.state.transaction() as connection:
        stored = rollups.read(connection, "TB-07", 60, MIDNIGHT, MIDNIGHT + 3 * DAY_S)
    assert [len(part.start_s) for part in stored] == [len(wanted[60]), len(later[60])]
    assert stored[0].role("mean", "ai_raw") is not None
    assert stored[1].role("mean", "ai_raw") is None
    assert_same_blocks(store.rollups("TB-07", 60, MIDNIGHT, MIDNIGHT + 3 * DAY_S), later[60])
    whole = store.trend("TB-07", "flow", MIDNIGHT, MIDNIGHT + 3 * DAY_S)
    assert whole.time_s[0] == MIDNIGHT
    assert whole.time_s[-1] > MIDNIGHT + 2 * DAY_S


def test_nothing_to_store_is_no_error(opened: Opener, day: tuple[Chain, Samples, dict[int, Blocks]]) -> None:
    opened().add_rollups(day[2][60][slice(0, 0)])


@pytest.mark.parametrize("piece", [900, 40_000, 200_000])
def test_import_leaves_what_appending_with_the_engine_leaves(
    opened: Opener, day: tuple[Chain, Samples, dict[int, Blocks]], piece: int
) -> None:
    source, samples, wanted = day
    store = opened(site=source.site())
    parts = (samples[slice(first, first + piece)] for first in range(0, len(samples), piece))
    assert import_samples(store, source.site(), "TB-07", parts, now=MIDNIGHT + DAY_S + SEAL_AFTER_S) == len(samples)
    found = list(store.scan("TB-07", MIDNIGHT, MIDNIGHT + 2 * DAY_S))
    assert [len(part) for part in found] == [DAY_S, len(samples) - DAY_S]
    assert_same(found[0], samples[slice(0, DAY_S)])
    assert_same(found[1], samples[slice(DAY_S, None)])
    for length, blocks in wanted.items():
        assert_same_blocks(store.rollups("TB-07", length, MIDNIGHT, MIDNIGHT + 2 * DAY_S), blocks)
    again = [samples[slice(5000, 9000)]]
    assert import_samples(store, source.site(), "TB-07", again, now=MIDNIGHT + DAY_S + SEAL_AFTER_S) == 0
    assert_same_blocks(store.rollups("TB-07", 3600, MIDNIGHT, MIDNIGHT + 2 * DAY_S), wanted[3600])
