"""Accounts of histories that are known by hand: shifts, days of 23 and 25 h, month ends, gaps, findings, nothing at all."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest

import config
from checks.accounting.bridge import adds_up
from checks.finding import ShiftTonnes
from checks.reliability.timeline import LoopState
from checks.result import Link, Verdict
from collector.accounts import account, periods, words
from collector.accounts.account import Account
from collector.alerts.model import Alert
from config.ledger import Ledger, MaterialTestEntry
from config.load import load_site
from config.model import Site
from tests.collector.accounts.histories import LOOP, Kept, alert, at, joined, noted, standing, steady, worked_on

SITE = load_site(Path(config.__file__).parent / "examples" / "terminal.yaml").site
BERLIN = SITE.model_copy(update={"time_zone": "Europe/Berlin"})
LATER = float(at("2026-12-01T00:00"))


def account_of(store: Kept, kind: str, first: str, last: str, *alerts: Alert, site: Site = SITE, now: float = LATER) -> Account:
    parts = periods.parts_of(site, kind, date.fromisoformat(first), date.fromisoformat(last))  # type: ignore[arg-type]
    return account.read(site, store, lambda *_: list(alerts), LOOP, parts, now)


def test_day_of_three_shifts_known_by_hand() -> None:
    # 24 h at 240 t/h are 5760 t; the PLC books 1 % more: 5817.6 t, the gauge's own total 0.1 % less: 5754.24 t.
    begin = at("2026-03-02T06:00")
    found = account_of(Kept(minutes={LOOP: steady(begin, 24, plc=1.01, gauge=0.999)}), "shift", "2026-03-02", "2026-03-02")
    assert [part.best for part in found.parts] == pytest.approx([1920.0] * 3)
    assert (found.whole.own, found.whole.best) == pytest.approx((5760.0, 5760.0))
    assert found.whole.plc == pytest.approx(5817.6)
    assert found.whole.gauge == pytest.approx(5754.24)
    assert found.difference == pytest.approx(57.6)
    assert found.deviation == pytest.approx(1.0)
    assert found.verdict is Verdict.FAULT
    # By hand: calibration 1 %, zero 2.1 t/h assumed (0.25 % of 420 t/h, twice), all k = 2:
    # sqrt(57.6^2 + (2.1 * 24)^2) = 76.54 t, beside which counting is small.
    assert 2.0 * found.whole.systematic == pytest.approx(76.54, abs=0.01)
    assert found.whole.uncertainty == pytest.approx(76.54, abs=0.2)


@pytest.mark.parametrize(
    ("day", "begin", "hours", "note"),
    [
        # Directive 2000/84/EC: the clocks change at 01:00 UTC on the last Sundays of March and October.
        ("2026-03-28", "2026-03-28T05:00", 23, "23 h long: the clocks go forward by 1 h"),
        ("2026-10-24", "2026-10-24T04:00", 25, "25 h long: the clocks go back by 1 h"),
    ],
)
def test_day_on_which_the_clocks_change_has_the_tonnes_of_its_hours(day: str, begin: str, hours: int, note: str) -> None:
    store = Kept(minutes={LOOP: steady(at(begin) - 36000, 48)})
    found = account_of(store, "day", day, day, site=BERLIN)
    assert (found.whole.period.hours, found.whole.period.note) == (hours, note)
    assert found.whole.best == pytest.approx(240.0 * hours)
    shifts = account_of(store, "shift", day, day, site=BERLIN)
    assert sum(part.best for part in shifts.parts) == pytest.approx(240.0 * hours)
    assert shifts.parts[-1].period.hours == hours - 16


def test_month_ends_where_the_next_begins_and_its_days_add_up() -> None:
    # February 2028 has 29 days. Before 06:00 on 1 March it is February: at 200 t/h, then 300 t/h.
    begin, end = at("2028-02-01T06:00"), at("2028-03-01T06:00")
    store = Kept(minutes={LOOP: joined(steady(begin, 29 * 24, flow=200.0), steady(end, 24, flow=300.0))})
    now = float(at("2028-04-01T00:00"))
    found = account_of(store, "month", "2028-02-01", "2028-02-29", now=now)
    assert found.whole.best == pytest.approx(29 * 24 * 200.0)
    days = account_of(store, "day", "2028-02-01", "2028-02-29", now=now)
    assert len(days.parts) == 29
    assert sum(part.best for part in days.parts) == pytest.approx(found.whole.best)
    assert account_of(store, "day", "2028-03-01", "2028-03-01", now=now).whole.best == pytest.approx(7200.0)


def test_year_of_months_ends_in_december() -> None:
    parts = periods.parts_of(SITE, "month", date(2026, 1, 15), date(2026, 12, 31))
    assert [part.name for part in parts] == [f"2026-{number:02d}" for number in range(1, 13)]
    assert parts[-1].end == at("2027-01-01T06:00")


def test_month_that_is_read_by_the_hour_is_the_same_as_its_minutes() -> None:
    begin = at("2026-03-01T06:00")
    minutes = steady(begin, 31 * 24, plc=0.98, silent=((30.25, 31.5),), lost=((100.0, 100.75),))
    by_hour = Kept(minutes={LOOP: minutes})
    by_hour.rollups(LOOP, 3600, begin, begin + 3600)
    by_hour.minutes.clear()
    found = account_of(by_hour, "month", "2026-03-01", "2026-03-01")
    assert found.whole.best == pytest.approx(31 * 24 * 240.0)
    assert found.whole.excluded_h == pytest.approx(2.0)
    assert {gap.method for gap in found.whole.excluded} == {"PLC total"}


def test_shift_at_half_past_is_read_from_hours_where_no_minutes_are_left() -> None:
    site = SITE.model_copy(update={"time_zone": "Asia/Kolkata"})
    begin = at("2026-03-02T00:00")
    store = Kept(minutes={LOOP: steady(begin, 48)})
    store.rollups(LOOP, 3600, begin, begin + 3600)
    store.minutes.clear()
    found = account_of(store, "shift", "2026-03-02", "2026-03-02", site=site)
    assert [part.best for part in found.parts] == pytest.approx([1920.0] * 3)
    assert found.whole.excluded == ()


def test_gaps_are_named_with_what_stands_in() -> None:
    begin = at("2026-03-02T06:00")
    store = Kept(minutes={LOOP: steady(begin, 24, plc=1.02, silent=((2.0, 3.0),), lost=((10.0, 10.5),))})
    found = account_of(store, "day", "2026-03-02", "2026-03-02")
    assert [(gap.method, gap.hours) for gap in found.whole.excluded] == [("PLC total", 1.0), ("PLC total", 0.5)]
    assert found.whole.best == pytest.approx(5760.0)
    assert "1.50 h were not measured" in words.excluded(found)


def test_gap_over_the_change_of_shift_is_shared_by_its_hours() -> None:
    # From 13:30 to 14:30 nothing is read; the totals count on. Each shift has half an hour of it, 120 t.
    begin = at("2026-03-02T06:00")
    store = Kept(minutes={LOOP: steady(begin, 24, plc=1.02, lost=((7.5, 8.5),))})
    found = account_of(store, "shift", "2026-03-02", "2026-03-02")
    assert [part.best for part in found.parts] == pytest.approx([1920.0] * 3)
    assert [part.plc for part in found.parts] == pytest.approx([1920.0 * 1.02] * 3)
    assert [(gap.method, gap.hours) for gap in found.whole.excluded] == [("PLC total", 0.5)] * 2
    assert found.deviation == pytest.approx(2.0)


def test_hours_before_the_history_began_are_no_difference_of_the_loop() -> None:
    # The history begins at 08:00: for two hours nobody knows what the PLC booked. The mean load stands in, 480 t.
    store = Kept(minutes={LOOP: steady(at("2026-03-02T08:00"), 22)})
    found = account_of(store, "day", "2026-03-02", "2026-03-02")
    assert found.whole.best == pytest.approx(5760.0)
    assert [(gap.method, gap.booked) for gap in found.whole.excluded] == [("mean load of the shift", False)]
    assert found.deviation == pytest.approx(0.0, abs=1e-9)
    assert found.verdict is Verdict.OK
    assert found.bridge is not None
    assert [(step.name, round(step.tonnes, 6)) for step in found.bridge.by_cause] == [
        (account.UNREAD, -480.0), ("not explained", 0.0)
    ]  # fmt: skip
    assert "in the hours in which the PLC total was read, all but 2.00" in words.headline(found)


def test_loop_of_which_nothing_is_stored_states_nothing() -> None:
    found = account_of(Kept(), "day", "2026-03-02", "2026-03-02")
    assert not found.measured
    assert (found.bridge, found.difference, found.deviation) == (None, None, None)
    assert found.verdict is Verdict.NOT_EVALUATED
    assert words.headline(found) == "Nothing is stored of this time: no tonnes can be stated."
    assert words.site_sentence([found]) == "1 not evaluated."
    assert all(item.found is None for item in found.creeps)


def test_shifts_of_which_nothing_is_known_are_told_as_one_stretch() -> None:
    found = account_of(Kept(minutes={LOOP: steady(at("2026-03-04T06:00"), 24)}), "day", "2026-03-01", "2026-03-06")
    assert [(gap.method, round(gap.hours, 6), gap.begin) for gap in found.whole.excluded] == [
        ("none", 72.0, at("2026-03-01T06:00")), ("none", 48.0, at("2026-03-05T06:00"))
    ]  # fmt: skip
    assert found.whole.best == pytest.approx(5760.0)
    assert not found.whole.complete


def test_time_ahead_is_refused_and_one_that_runs_is_cut() -> None:
    store = Kept(minutes={LOOP: steady(at("2026-03-02T06:00"), 24)})
    with pytest.raises(ValueError, match="lies ahead"):
        account_of(store, "day", "2026-03-02", "2026-03-02", now=float(at("2026-03-02T06:00")))
    found = account_of(store, "shift", "2026-03-02", "2026-03-02", now=float(at("2026-03-02T10:02")))
    assert found.running
    assert found.whole.best == pytest.approx(960.0)
    assert len(found.parts) == 1


def test_finding_between_the_ends_explains_its_part_and_the_rest_is_shown() -> None:
    # The PLC books 90 % from 14:00: 16 h * 240 t/h * 0.1 = 384 t too little, of which a finding tells 380.
    begin, fault = at("2026-03-02T06:00"), at("2026-03-02T14:00")
    store = Kept(minutes={LOOP: joined(steady(begin, 8), steady(fault, 16, plc=0.9))})
    found = account_of(store, "day", "2026-03-02", "2026-03-02", alert(fault, at("2026-03-03T06:00"), tonnes=-380.0))
    assert found.bridge is not None
    assert [(step.name, round(step.tonnes, 6)) for step in found.bridge.by_cause] == [
        ("upper range differs", -380.0), ("not explained", -4.0)
    ]  # fmt: skip
    assert adds_up(found.bridge.difference, found.bridge.by_cause)
    assert {step.name: step.tonnes for step in found.bridge.by_state}["loaded"] == pytest.approx(-384.0)


def test_finding_that_reaches_out_of_the_time_gives_its_share() -> None:
    begin, fault = at("2026-03-02T06:00"), at("2026-03-02T14:00")
    store = Kept(minutes={LOOP: joined(steady(begin, 8), steady(fault, 40, plc=0.9))})
    told = alert(fault, at("2026-03-04T06:00"), tonnes=-960.0, uncertainty=40.0)
    found = account_of(store, "day", "2026-03-02", "2026-03-02", told)
    assert found.bridge is not None
    first = found.bridge.by_cause[0]
    assert (first.tonnes, first.uncertainty) == pytest.approx((-384.0, 16.0))


def test_shifts_of_a_finding_are_used_where_they_hold_the_time() -> None:
    begin, fault = at("2026-03-02T06:00"), at("2026-03-02T14:00")
    store = Kept(minutes={LOOP: joined(steady(begin, 8), steady(fault, 40, plc=0.9))})
    edges = [fault, fault + 28800, fault + 57600, fault + 144000]
    parts = tuple(
        ShiftTonnes(shift="", begin=a, end=b, tonnes=tonnes, tonnes_uncertainty=2.0)
        for a, b, tonnes in zip(edges[:-1], edges[1:], (-190.0, -192.0, -578.0), strict=True)
    )
    found = account_of(store, "day", "2026-03-02", "2026-03-02", alert(fault, edges[-1], tonnes=-960.0, by_shift=parts))
    assert found.bridge is not None
    assert (found.bridge.by_cause[0].tonnes, found.bridge.by_cause[0].uncertainty) == (-382.0, 4.0)


def test_finding_at_the_gauge_is_in_no_difference() -> None:
    begin = at("2026-03-02T06:00")
    store = Kept(minutes={LOOP: steady(begin, 24)})
    tare = alert(begin, at("2026-03-03T06:00"), link=Link.LOAD, cause="stale-tare", title="stale tare", tonnes=48.0)
    found = account_of(store, "day", "2026-03-02", "2026-03-02", tare)
    assert found.bridge is not None
    assert [step.name for step in found.bridge.by_cause] == ["not explained"]
    assert [(step.name, step.tonnes) for step in found.alike] == [("stale tare", 48.0)]
    assert "48.0 t too high" in words.alike(found)
    assert found.verdict is Verdict.OK


@pytest.mark.parametrize(("plc", "between"), [(0.9, True), (1.0, False)])
def test_finding_whose_link_does_not_say_goes_by_what_stands_between_the_ends(plc: float, between: bool) -> None:
    begin = at("2026-03-02T06:00")
    store = Kept(minutes={LOOP: steady(begin, 24, plc=plc)})
    held = alert(begin, at("2026-03-03T06:00"), link=Link.DRIVE, cause="hold-on-stop", title="held", tonnes=-576.0)
    found = account_of(store, "day", "2026-03-02", "2026-03-02", held)
    assert found.bridge is not None
    assert (found.bridge.by_cause[0].name == "held") is between
    assert bool(found.alike) is not between


def test_same_finding_that_was_raised_twice_counts_once() -> None:
    begin, fault = at("2026-03-02T06:00"), at("2026-03-02T14:00")
    store = Kept(minutes={LOOP: joined(steady(begin, 8), steady(fault, 16, plc=0.9))})
    end = at("2026-03-03T06:00")
    first, again = alert(fault, end, tonnes=-384.0), alert(fault + 8 * 3600, end, tonnes=-192.0)
    found = account_of(store, "day", "2026-03-02", "2026-03-02", first, again)
    assert found.bridge is not None
    assert found.bridge.by_cause[0].tonnes == pytest.approx(-384.0)
    assert found.bridge.by_cause[-1].tonnes == pytest.approx(0.0, abs=1e-6)


def test_dead_detector_excludes_its_hours_and_a_person_may_say_otherwise() -> None:
    begin, dead = at("2026-03-02T06:00"), at("2026-03-02T08:00")
    own = joined(steady(begin, 2), steady(dead, 1, flow=900.0), steady(dead + 3600, 21))
    failed = alert(dead, dead + 3600, link=Link.COUNTS, cause="zero-counts", title="zero counts", tonnes=None, uncertainty=None)
    store = Kept(minutes={LOOP: own})
    found = account_of(store, "day", "2026-03-02", "2026-03-02", failed)
    assert [(gap.method, gap.hours) for gap in found.whole.excluded] == [("mean load of the shift", 1.0)]
    assert found.whole.best == pytest.approx(5760.0)
    store.annotate(noted(dead, dead + 3600, LoopState.TRUE))
    assert account_of(store, "day", "2026-03-02", "2026-03-02", failed).whole.excluded == ()
    store.annotate(noted(dead, dead + 7200, LoopState.NOT_MEASURING, made=1.0))
    again = account_of(store, "day", "2026-03-02", "2026-03-02", failed)
    assert again.whole.excluded_h == pytest.approx(2.0)


def test_standing_belt_moves_nothing_and_needs_no_stand_in() -> None:
    begin = at("2026-03-02T06:00")
    store = Kept(minutes={LOOP: standing(steady(begin, 24), begin + 7200, begin + 14400)})
    failed = alert(begin + 7200, begin + 14400, link=Link.COUNTS, cause="shutter-closed", tonnes=None, uncertainty=None)
    found = account_of(store, "day", "2026-03-02", "2026-03-02", failed)
    assert found.whole.excluded == ()
    assert found.whole.best == pytest.approx(22 * 240.0)


def test_calibration_is_no_measurement_and_a_person_may_say_that_nothing_passed() -> None:
    # From 10:00 the gauge shows 900 t/h of a reference absorber for half an hour; the PLC books them.
    begin, work = at("2026-03-02T06:00"), at("2026-03-02T10:00")
    made = joined(steady(begin, 4), steady(work, 0.5, flow=900.0), steady(work + 1800, 19.5))
    store = Kept(minutes={LOOP: worked_on(made, work, work + 1800)})
    found = account_of(store, "day", "2026-03-02", "2026-03-02")
    assert [(gap.method, gap.hours, gap.booked) for gap in found.whole.excluded] == [("mean load of the shift", 0.5, True)]
    assert found.whole.best == pytest.approx(5760.0)
    assert found.difference == pytest.approx(0.5 * (900.0 - 240.0))
    assert "In 0.50 h a bit said maintenance or calibration" in words.work(found)
    store.annotate(noted(work, work + 1800, LoopState.NOT_REQUIRED))
    again = account_of(store, "day", "2026-03-02", "2026-03-02")
    assert again.whole.excluded == ()
    assert again.whole.best == pytest.approx(23.5 * 240.0)


def test_month_takes_the_minutes_of_a_shift_whose_hours_do_not_say_all() -> None:
    begin, work = at("2026-03-01T06:00"), at("2026-03-10T10:10")
    hours = 31 * 24 - 9 * 24 - 4.5
    made = joined(
        steady(begin, 9 * 24 + 4 + 1 / 6), steady(work, 1 / 3, flow=900.0), steady(work + 1200, hours)
    )  # fmt: skip
    store = Kept(minutes={LOOP: worked_on(made, work, work + 1200)})
    found = account_of(store, "month", "2026-03-01", "2026-03-01")
    assert [(gap.begin, gap.end) for gap in found.whole.excluded] == [(work, work + 1200)]
    assert found.whole.best == pytest.approx(31 * 24 * 240.0)


def test_lots_prove_or_disprove_the_tonnes_apart_from_the_loop() -> None:
    begin = at("2026-03-02T06:00")

    def lot(day: int, gauge: float, moisture: float | None = None) -> MaterialTestEntry:
        return MaterialTestEntry.model_validate(
            {"loop": LOOP, "begin": f"2026-03-0{day} 06:10", "end": f"2026-03-0{day} 09:10", "reference": 720.0,
             "uncertainty": 0.7, "gauge": gauge, "moisture": moisture}
        )  # fmt: skip

    def told(gauge: float) -> Account:
        lots = tuple(lot(day, gauge, 2.0 if day == 2 else None) for day in (1, 2, 3, 4))
        site = SITE.model_copy(update={"ledger": Ledger(material_tests=lots)})
        return account_of(Kept(minutes={LOOP: steady(begin, 24)}), "day", "2026-03-02", "2026-03-02", site=site)

    right, wrong = told(720.0), told(734.4)
    assert (right.verdict, right.weight.verdict) == (Verdict.OK, Verdict.OK)
    assert (wrong.verdict, wrong.weight.verdict) == (Verdict.OK, Verdict.FAULT)
    # Gauge less reference is +2 %; what is not corrected belongs to the uncertainty: JCGM 100:2008, F.2.4.5.
    assert 2.0 * wrong.whole.systematic > 2.0 * 0.02 * 5760.0
    assert right.dry == pytest.approx(5760.0 * 0.98)
    assert "Moisture 2.00 % by the laboratory, 1 lot" in words.water(right)


def test_units_stand_on_one_line_with_both_ranges_where_they_differ() -> None:
    loop = SITE.loops[LOOP]
    line = account.units_of(loop)
    assert line == "gauge t/h -> 4..20 mA = 0..420 t/h -> PLC t/h -> total t"
    plc = loop.plc.model_copy(update={"range": loop.plc.range.model_copy(update={"high": 500.0})})
    assert account.units_of(loop.model_copy(update={"plc": plc})).endswith("; the PLC takes 4..20 mA as 0..500 t/h")


def test_worst_loop_stands_first() -> None:
    begin = at("2026-03-02T06:00")
    stores = [Kept(minutes={LOOP: steady(begin, 24, plc=plc)}) for plc in (1.0, 0.9, 1.004)] + [Kept()]
    found = account.worst_first(account_of(store, "day", "2026-03-02", "2026-03-02") for store in stores)
    assert [one.verdict for one in found] == [Verdict.FAULT, Verdict.SUSPECT, Verdict.OK, Verdict.NOT_EVALUATED]


def test_tags_that_changed_on_the_way_lose_no_rows() -> None:
    class Changed(Kept):
        """Gives the rows of the newest set of tags only, as the history does."""

        def rollups(self, loop: str, length_s: int, begin: int, end: int):  # type: ignore[no-untyped-def]
            found = super().rollups(loop, length_s, begin, end)
            change = at("2026-03-02T14:00")
            if found is None or found.start_s[-1] < change:
                return found
            return found[slice(int(np.searchsorted(found.start_s, change)), None)]

    store = Changed(minutes={LOOP: steady(at("2026-03-02T06:00"), 24)})
    found = account_of(store, "day", "2026-03-02", "2026-03-02")
    assert found.whole.excluded == ()
    assert found.whole.best == pytest.approx(5760.0)
