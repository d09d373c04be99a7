"""The bulk path: days that are over go straight to the archive, the rest into hot rows, each second once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from checks.samples import join
from collector.history.bulk import import_samples
from config.errors import StoreError
from tests.collector.history.conftest import Opener
from tests.collector.history.recorded import DAY, DAY_S, MIDNIGHT, assert_same, terminal
from tests.crash.victim import steady

NOON_AFTER = MIDNIGHT + 1.5 * DAY_S


def test_day_that_is_over_is_sealed_at_once_and_today_is_hot(opened: Opener) -> None:
    store = opened()
    parts = [steady(MIDNIGHT + DAY_S - 300, 400), steady(MIDNIGHT + DAY_S + 100, 200)]
    assert import_samples(store, terminal(), "TB-07", parts, now=NOON_AFTER) == 600
    assert_same(join(list(store.scan("TB-07", 0, 2**40))), join(parts))
    assert store.hot_days() == [DAY + 1]
    assert store.layout.archive("TB-07", DAY).exists()


def test_import_that_is_repeated_takes_nothing_again(opened: Opener) -> None:
    store = opened()
    parts = [steady(MIDNIGHT + DAY_S - 300, 600)]
    import_samples(store, terminal(), "TB-07", parts, now=NOON_AFTER)
    assert import_samples(store, terminal(), "TB-07", parts, now=NOON_AFTER) == 0
    assert_same(join(list(store.scan("TB-07", 0, 2**40))), parts[0])


def test_what_is_stored_already_stays_as_it_was(opened: Opener) -> None:
    store = opened()
    live, recorded = steady(MIDNIGHT + DAY_S + 100, 50), steady(MIDNIGHT + DAY_S, 200)
    store.append([live])
    assert import_samples(store, terminal(), "TB-07", [recorded], now=NOON_AFTER) == 150
    assert_same(join(list(store.scan("TB-07", 0, 2**40))), recorded)


def test_hour_of_which_the_rest_is_imported_has_the_tonnes_of_both(opened: Opener, tmp_path: Path) -> None:
    store, whole = opened(), steady(MIDNIGHT + DAY_S, 7200)
    import_samples(store, terminal(), "TB-07", [whole[slice(0, 2000)]], now=NOON_AFTER)
    import_samples(store, terminal(), "TB-07", [whole[slice(2000, 7200)]], now=NOON_AFTER)
    parts = store.rollups("TB-07", 3600, MIDNIGHT + DAY_S, MIDNIGHT + DAY_S + 3600)
    other = opened(folder=tmp_path / "other")
    import_samples(other, terminal(), "TB-07", [whole], now=NOON_AFTER)
    at_once = other.rollups("TB-07", 3600, MIDNIGHT + DAY_S, MIDNIGHT + DAY_S + 3600)
    assert parts is not None
    assert at_once is not None
    assert parts.covered_s.tolist() == [3600.0]
    assert parts.own_t.tolist() == at_once.own_t.tolist()


def test_file_that_says_other_numbers_of_a_sealed_day_changes_no_rollup(opened: Opener) -> None:
    store, first = opened(), steady(MIDNIGHT, 7200)
    other = replace(first, values={role: 2.0 * column for role, column in first.values.items()})
    import_samples(store, terminal(), "TB-07", [first], now=NOON_AFTER)
    before = store.rollups("TB-07", 3600, MIDNIGHT, MIDNIGHT + 7200)
    assert import_samples(store, terminal(), "TB-07", [other], now=NOON_AFTER) == 0
    after = store.rollups("TB-07", 3600, MIDNIGHT, MIDNIGHT + 7200)
    assert before is not None
    assert after is not None
    assert after.own_t.tolist() == before.own_t.tolist()


def test_coarse_samples_of_today_are_refused_and_the_days_before_are_taken(opened: Opener) -> None:
    store = opened()
    coarse = [part[slice(None, None, 10)] for part in (steady(MIDNIGHT + DAY_S - 300, 300), steady(MIDNIGHT + DAY_S, 300))]
    every_ten = [
        type(part)(
            loop=part.loop, step_s=10, time_s=part.time_s, values=part.values, quality=part.quality, flags=part.flags
        )
        for part in coarse
    ]  # fmt: skip
    with pytest.raises(StoreError, match="every 10 s reach into 2026-07-17") as caught:
        import_samples(store, terminal(), "TB-07", every_ten, now=NOON_AFTER)
    assert "resample" in caught.value.fix
    assert_same(join(list(store.scan("TB-07", 0, 2**40))), every_ten[0])
    store.append([steady(MIDNIGHT + DAY_S + 5000, 5)])
