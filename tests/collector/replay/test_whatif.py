"""What another site would have told: pairs, rates with exact intervals, delays; and the command from the user's side."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from checks.reliability.timeline import Annotation, LoopState
from checks.result import Link
from collector.cli import exits, main
from collector.clock import ManualClock
from collector.history.sqlite import open_store
from collector.replay.changing import changed
from collector.replay.comparing import MONTH_S, compare, delays, rate
from collector.replay.loop_run import LoopDone, Told
from collector.replay.report import LoopOutcome
from collector.replay.whatif_report import schema
from config.errors import TallywireError
from config.load import load_site
from tests.collector.replay.outcomes import finding
from tests.collector.replay.plants import T0, day_of_samples, write_plant


def told(
    raised: int, ended: int | None, *, link: Link = Link.SCALING_BLOCK, begin: int = 0, width: int = 40, **more: object
) -> Told:
    """A finding that began at `begin` (raised less 60 s by default) and was told at `raised` [s]."""
    begin = begin or raised - 60
    found = finding(link=link, begin=begin, begin_interval=(begin, begin + width), **more)
    return Told(id=f"TB-07-{link.value}-{raised}", finding=found, raised_s=raised, ended_s=ended)


def done(*items: Told, rows: int = 86_400, end: int = 86_400) -> LoopDone:
    outcome = LoopOutcome(loop="TB-07", checks=(), findings=(), totals=None)
    return LoopDone(loop="TB-07", outcome=outcome, told=items, begin=0, end=end, rows=rows, step_s=1)


def test_same_trouble_is_paired_and_the_rest_is_gained_or_lost() -> None:
    before = done(told(1000, 5000), told(20_000, None), told(40_000, 41_000, link=Link.TOTALS))
    after = done(told(1300, 4000), told(19_000, None, cause="gauge-range"), told(60_000, None, link=Link.COUNTS))
    (loop,) = compare([before], [after]).loops
    assert [(pair.before.raised_s, pair.later_s) for pair in loop.pairs] == [(1000, 300), (20_000, -1000)]
    assert [item.raised_s for item in loop.gained] == [60_000]
    assert [item.raised_s for item in loop.lost] == [40_000]
    assert loop.moved() == loop.pairs


def test_one_finding_in_the_place_of_two_takes_the_longer_overlap() -> None:
    before = done(told(1000, 2000), told(3000, 9000))
    (loop,) = compare([before], [done(told(1000, None))]).loops
    assert [(pair.before.raised_s, pair.after.raised_s) for pair in loop.pairs] == [(3000, 1000)]
    assert [item.raised_s for item in loop.lost] == [1000]


def test_delays_are_from_the_begin_that_is_known_best_and_leave_false_findings_out() -> None:
    before = done(told(1000, 5000, begin=700, width=10), told(20_000, 21_000, begin=19_900))
    after = done(told(1600, 5000, begin=900, width=400), told(20_500, 21_000, begin=19_900))
    both = compare([before], [after], [told(20_500, None).id], marked=True)
    assert (both.before.delays.median_s, both.after.delays.median_s) == (300.0, 900.0)
    assert both.before.false is not None
    assert both.before.false.count == 1
    assert both.after.delays.pairs == 1


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (2, 0.242, 7.225), (5, 1.623, 11.668), (10, 4.795, 18.390), (50, 37.11, 65.92)],
)
def test_exact_interval_of_a_poisson_count(count: int, low: float, high: float) -> None:
    """Garwood, Biometrika 28 (1936) 437, 95 % limits of a count as tabulated since (from memory)."""
    found = rate(count, 1.0)
    assert found.low == pytest.approx(low, abs=5e-3)
    assert found.high == pytest.approx(high, abs=5e-3)


def test_rate_counts_what_was_judged_and_says_nothing_of_no_time() -> None:
    assert compare([done(rows=86_400)], [done(rows=86_400)]).before.findings.months == pytest.approx(86_400 / MONTH_S)
    assert rate(3, 0.0).rate is None
    assert delays([]).median_s is None


def test_setting_of_every_loop_of_one_loop_and_of_the_site(tmp_path: Path) -> None:
    loaded = load_site(write_plant(tmp_path, 60)[0])
    other = changed(
        loaded, ["limits.scaling.fault=0.8", "TB-08.gauge.damping=12 s", "TB-07.limits.link.suspect='0.4 %'", "block=20 s"]
    )
    assert [part.limits.link.fault for part in other.site.loops.values()] == [0.8, 0.8]
    assert [part.gauge.damping for part in other.site.loops.values()] == [loaded.site.loops["TB-07"].gauge.damping, 12.0]
    assert other.site.loops["TB-07"].limits.link.suspect == 0.4
    assert other.site.block == 20.0
    assert other.sha256 != loaded.sha256
    assert changed(loaded, ["limits.link.fault=0.5"]).site == loaded.site


@pytest.mark.parametrize(
    ("setting", "words"),
    [
        ("limits.link.fault", "no KEY=VALUE"), ("limits.lnik.fault=1", "'lnik'"), ("limits.link.faultt=1", "'faultt'"),
        ("TB-9.gauge.damping=1 s", "'TB-9'"), ("gauge.damping=5 t/h", "damping"), ("limits.link.fault=[", "cannot be read"),
        ("limits.link.fault=banana", "fault"), ("limits.link.suspect=2", "suspect"), ("site.x=1", "'x'"), ("=1", "KEY=VALUE"),
        ("limits.link.fault.x=1", "'x'"),
    ],
)  # fmt: skip
def test_setting_that_cannot_be_is_told_in_one_message(tmp_path: Path, setting: str, words: str) -> None:
    loaded = load_site(write_plant(tmp_path, 60)[0])
    with pytest.raises(TallywireError) as caught:
        changed(loaded, [setting])
    assert words in str(caught.value)
    assert "--set" in caught.value.where
    assert "\n" not in caught.value.what


def test_command_prints_the_difference_and_its_json_keeps_to_the_schema(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A limit of 15 % does not see the 12 % of TB-07; what the finding was is told, and the loop without one is silent."""
    site, data = write_plant(tmp_path, 3000)
    out = tmp_path / "out.json"
    arguments = ["replay", str(site), "--data", str(data), "--json", str(out), "--set", "limits.link.fault=15"]
    assert main.main([*arguments, "--set", "limits.link.suspect=14"]) == exits.FINDINGS
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= 80
    assert "gained 0, lost 1, changed 0, the same 0" in shown
    assert "No finding with either." in shown
    assert "Isolate the conveyor" in shown
    found = json.loads(out.read_text())
    jsonschema.Draft202012Validator(schema()).validate(found)
    (lost,) = found["loops"][0]["lost"]
    assert found["before"]["false"] is None
    assert found["after"]["findings"]["count"] == 0
    known = ["--data", str(data), "--set", "limits.link.fault=15", "--set", "limits.link.suspect=14", "--loop", "TB-07"]
    assert main.main(["replay", str(site), *known, "--json", "-", "--false", lost["id"]]) == exits.FINDINGS
    marked = json.loads(capsys.readouterr().out)
    assert (marked["before"]["false"]["count"], marked["after"]["false"]["count"]) == (1, 0)
    assert main.main(["replay", str(site), *known, "--false", "TB-07-x-1"]) == exits.BAD_INPUT
    assert "there is no finding 'TB-07-x-1'" in capsys.readouterr().err


def test_schema_of_the_difference_is_printed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main.main(["replay", "--schema", "--what-if", "other.yaml"]) == exits.NO_FINDING
    assert json.loads(capsys.readouterr().out) == schema()


def test_same_site_differs_in_nothing_and_is_not_replayed_twice(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    site, data = write_plant(tmp_path, 600)
    other = tmp_path / "other.yaml"
    other.write_text(site.read_text() + "# a remark\n")
    assert main.main(["replay", str(site), "--data", str(data), "--what-if", str(other)]) == exits.NO_FINDING
    assert "No finding differs." in capsys.readouterr().out


def test_stored_history_with_a_correction_by_a_person(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Over stored samples; a correction to `measuring true` at the time of the finding makes it a false one."""
    site, _ = write_plant(tmp_path, 60)
    loaded = load_site(site)
    store = open_store(tmp_path / "data", loaded.site, clock=ManualClock(T0))
    store.append([day_of_samples("TB-07", T0, 2400, 7, 1200)])
    note = Annotation(
        loop="TB-07",
        begin=T0 + 1200,
        end=T0 + 2400,
        state=LoopState.TRUE,
        by="R. Vey",
        reason="range changed",
        made=T0 + 3000.0,
    )
    store.annotate(note)
    store.close()
    arguments = ["replay", str(site), "--from", "2027-01-15", "--to", "2027-01-16", "--history", str(tmp_path / "data")]
    out = tmp_path / "out.json"
    other = ["--set", "limits.link.fault=15", "--set", "limits.link.suspect=14", "--json", str(out)]
    assert main.main([*arguments, *other]) == exits.FINDINGS
    assert "no samples of TB-08 in that time" in " ".join(capsys.readouterr().out.split())
    found = json.loads(out.read_text())
    assert found["before"]["false"]["count"] == 1
    assert found["after"]["false"]["count"] == 0
    assert main.main(["replay", str(site), "--from", "2026-01-15", "--to", "2026-01-16", *arguments[6:]]) == exits.BAD_INPUT
    assert "no samples in that time" in capsys.readouterr().err
