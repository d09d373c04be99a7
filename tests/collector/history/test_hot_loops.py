"""What a day file knows of its loops: the order of their roles, the step of their samples, where they begin and end."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.history import archive
from collector.history.hot import HotDays, HotReader
from collector.history.layout import Layout
from config.errors import StoreError
from tests.collector.history.conftest import Opener
from tests.collector.history.recorded import DAY, DAY_S, MIDNIGHT, assert_same, recorded

ORDERS = (("plc_flow", "flow", "count_rate"), ("count_rate", "plc_flow", "flow"))


@pytest.fixture
def layout(tmp_path: Path) -> Layout:
    made = Layout(tmp_path / "data")
    made.make()
    return made


@pytest.mark.parametrize("roles", ORDERS)
def test_roles_come_back_in_the_order_of_the_loop_whatever_other_loops_have(layout: Layout, roles: tuple[str, ...]) -> None:
    part = recorded("TB-07", roles=roles)
    days = HotDays(layout)
    days.append([recorded("TB-08", roles=("flow", "speed", "plc_flow")), part])
    days.close()
    with HotReader(layout.hot(DAY)) as hot:
        found = hot.read("TB-07", MIDNIGHT, MIDNIGHT + 60)
    assert found is not None
    assert list(found.values) == list(found.quality) == list(roles)
    archive.write(layout.archive("TB-07", DAY), found)
    sealed = archive.read(layout.archive("TB-07", DAY), MIDNIGHT, MIDNIGHT + 60)
    assert sealed is not None
    assert list(sealed.values) == list(sealed.quality) == list(roles)


def test_another_step_on_the_same_day_is_one_clear_error_and_changes_nothing(opened: Opener) -> None:
    store = opened()
    first = recorded(rows=60)
    store.append([first])
    with pytest.raises(StoreError, match=r"samples every 1 s on 2026-07-16, so samples every 10 s cannot be added") as caught:
        store.append([recorded("TB-08", rows=5), recorded(begin=MIDNIGHT + 600, rows=6, step_s=10)])
    assert "resample" in caught.value.fix
    assert_same(next(store.scan("TB-07", 0, MIDNIGHT + DAY_S)), first)
    assert store.extent("TB-08") is None
    store.append([recorded(begin=MIDNIGHT + DAY_S, rows=6, step_s=10)])
    assert store.extent("TB-07") == (MIDNIGHT, MIDNIGHT + DAY_S + 60)


def test_one_role_alone_can_be_read_from_both_tiers(layout: Layout) -> None:
    part = recorded("TB-07")
    days = HotDays(layout)
    days.append([recorded("TB-08"), part])
    days.close()
    archive.write(layout.archive("TB-07", DAY), part)
    with HotReader(layout.hot(DAY)) as hot:
        both = (
            hot.read("TB-07", MIDNIGHT, MIDNIGHT + 60, "plc_flow"),
            archive.read(layout.archive("TB-07", DAY), MIDNIGHT, MIDNIGHT + 60, "plc_flow"),
        )
        assert hot.read("TB-08", MIDNIGHT, MIDNIGHT + 60, "plc_flow") is not None
    for found in both:
        assert found is not None
        assert list(found.values) == ["plc_flow"]
        assert found.values["plc_flow"].tobytes() == part.values["plc_flow"].tobytes()
        assert found.time_s.tobytes() == part.time_s.tobytes()
