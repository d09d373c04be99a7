"""The calibration of a loop on its page and over REST: a run whose every number is reckoned by hand, its windows, its record."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

import numpy as np
import pytest

from checks.samples import Samples
from collector.commissioning.calibrating import booked_since
from collector.history.sqlite import SqliteStore
from collector.records.calibration import CalibrationRecord
from collector.web.calibration_ledger import EXAMPLE
from config.cautions import CAUTIONS
from config.ledger import SpanEntry
from config.load import load_site
from tests.collector.web import plant, weighed
from tests.collector.web.conftest import Serve
from tests.collector.web.weighed import Weighed

PAGE, REST = "/loops/TB-07/calibration", "/api/v1/loops/TB-07/calibration"
RUN = {"from1": "2026-03-02T05:59:00", "to1": "2026-03-02T07:01:00", "mass1": "255 t"}
WINDOW = {"begin1": "2026-03-02T06:05:00", "end1": "2026-03-02T06:55:00"}
BODY = {
    "runs": [
        {
            "begin": RUN["from1"], "end": RUN["to1"], "mass": RUN["mass1"], "window_begin": WINDOW["begin1"], "window_end": WINDOW["end1"],
        }
    ]
}  # fmt: skip


SMALL_SITE = """
schema: 1
site: north
time_zone: America/Regina
ledger: ledger.yaml
loops:
  TB-07:
    gauge: {range: {high: 420 t/h}}
    plc: {range: {high: 420 t/h}}
    tags: {flow: {}}
"""


@dataclass
class Hours:
    """Sums of hours, as far as they are asked for."""

    start_s: np.ndarray
    own_t: np.ndarray


def plain_hour(begin: int, tonnes: float) -> Hours:
    return Hours(np.array([begin]), np.array([tonnes]))


class WithHours:
    """A history that has the sum of an hour; tells what else was read."""

    def __init__(self, store: SqliteStore, rows: Hours) -> None:
        self._store, self._rows, self.scanned = store, rows, list[tuple[int, int]]()

    def rollups(self, loop: str, length_s: int, begin: int, end: int) -> Hours:
        return self._rows

    def scan(self, loop: str, begin: int, end: int) -> Iterator[Samples]:
        self.scanned.append((begin, end))
        return self._store.scan(loop, begin, end)


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Weighed]:
    made = weighed.weighed(tmp_path_factory.mktemp("weighed"), entries=weighed.ledger())
    yield made
    assert made.history is not None
    made.history.close()


@pytest.fixture
def fresh(tmp_path: Path) -> Iterator[Weighed]:
    """The same with a book of its own."""
    made = weighed.weighed(tmp_path)
    yield made
    assert made.history is not None
    made.history.close()


async def shown(served: Weighed, query: dict[str, str], status: int = 200) -> str:
    answer = await served.get(f"{PAGE}?{urlencode(query)}")
    assert answer.status_code == status, answer.text
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", re.sub(r"<script.*?</script>", "", answer.text, flags=re.S))).split())


async def test_worked_example_by_hand(served: Weighed) -> None:
    """Window 06:05 to 06:55: 300 t/h for 50 min are 250.000 t; 255 t over 250 t is 1.02000, the factor 153.85 * 1.02 = 156.927 kg/m.

    Flow per attenuation K = 3.6 * 153.85 * 1.9 = 1052.334 t/h; A = 300 / 1052.334 = 0.285081; net rates 5140 empty and
    5140 exp(-0.285081) = 3865.00; gross 3925.00 (the day of the tare is the day of the run, so nothing has decayed but six
    hours: 5140 exp(-ln 2 * 0.25 / 11000) = 5139.9). Counting over 3000 s: K sqrt(3925/3000) / 3865 / 300 = 0.0010381. Tare of
    300 s: K sqrt(5200/300) / 5140 / 300 = 0.0028413. Scale 0.1 % (k = 2): 0.0005. In common sqrt(0.0028413^2 + 0.0005^2)
    = 0.0028850. U = 2 * 1.02 * sqrt(0.0010381^2 + 0.0028850^2) = 0.0062548, of the factor 153.85 * 0.0062548 = 0.9623 kg/m.
    """
    answer = await served.post(REST, json=BODY)
    assert answer.status_code == 200, answer.text
    told = answer.json()
    found = told["found"]
    assert told["runs"][0]["gauge_t"] == pytest.approx(250.0, abs=1e-9)
    assert found["ratio"] == pytest.approx(1.02, abs=1e-9)
    assert found["factor"] == pytest.approx(156.927, abs=1e-6)
    assert found["ratio_u"] == pytest.approx(0.0062548, rel=2e-4)
    assert found["factor_u"] == pytest.approx(0.9623, rel=2e-4)
    assert (found["repeatability"], found["enough"], told["differs"]) == (None, False, True)
    # The edges: 150 t/h for 5 min are 12.5 t each; with them the gauge has 275 t, and the ratio is 255 / 275 = 0.927273.
    assert told["runs"][0]["leading_t"] == told["runs"][0]["tailing_t"] == pytest.approx(12.5, abs=1e-9)
    assert told["otherwise"]["ratio"] == pytest.approx(255 / 275, abs=1e-9)
    assert told["cautions"] == list(CAUTIONS)


async def test_page_says_the_same_as_rest(served: Weighed) -> None:
    text = await shown(served, {**RUN, **WINDOW})
    assert (
        "156.927 ± 0.96 kg/m (k = 2), +2.00 % against the 153.85 kg/m in force: it differs, from fewer than three runs." in text
    )
    assert "as you moved it: 250.00 t by the gauge . Leading edge 12.50 t, tailings 12.50 t." in text
    assert "9.1% of its tonnes lie in the leading edge and the tailings. They are left out" in text
    for caution in CAUTIONS:
        assert caution in text


async def test_window_is_found_without_edges_and_moves_the_factor(served: Weighed) -> None:
    found = await shown(served, RUN)
    assert "Window 06:05:" in found.replace("2 Mar ", "") or "Window 06:04:" in found.replace("2 Mar ", "")
    assert "found by itself" in found
    moved = await shown(served, {**RUN, "begin1": "2026-03-02T06:15:00", "end1": "2026-03-02T06:45:00"})
    # 30 min at 300 t/h are 150 t: 255 / 150 = 1.7, times 153.85 = 261.545, and such a jump is doubted.
    assert "261.545 ±" in moved
    assert "The factor would move by +70%: before it is believed, compare the mass, its unit and the times." in moved


async def test_edges_are_counted_where_the_reference_weighed_the_lot(served: Weighed) -> None:
    text = await shown(served, {**RUN, **WINDOW, "mass1": "275 t", "edges": "counted"})
    assert "153.85 ±" in text
    assert "no reason to change it" in text


async def test_past_tonnes_are_told_with_their_time(served: Weighed) -> None:
    """Before 05:59 nothing ran: 0 t; from the begin of the run on nothing is asked."""
    text = await shown(served, {**RUN, **WINDOW, "since": "2026-03-02T05:30"})
    assert "the 0 t booked since 2026-03-02 05:30 would have been 0 ± 0 t" in text


async def test_history_that_does_not_reach_back_is_told(served: Weighed) -> None:
    text = await shown(served, {**RUN, **WINDOW, "since": "2026-02-01T00:00"})
    assert "The history begins at 2026-03-02 05:30: tonnes before that are not in the sum." in text


async def test_run_without_its_mass_is_shown_and_asks_for_it(served: Weighed) -> None:
    text = await shown(served, {name: RUN[name] for name in ("from1", "to1")})
    assert "Type its known mass." in text
    assert "once every run has its times and its mass" in text


async def test_window_outside_of_new_times_is_found_anew(served: Weighed) -> None:
    text = await shown(served, {**RUN, "begin1": "2026-03-02T05:00:00", "end1": "2026-03-02T06:55:00"})
    assert "found by itself again, since the one that was given lay outside" in text


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"from1": "soon"}, "run 1: 'soon' is no time"),
        ({"to1": "2026-03-02T05:00:00"}, "is no run"),
        ({"mass1": "255"}, "the bare number 255 has no unit"),
        ({"mass1": "-3 t"}, "is no mass of a run"),
        ({"scale": "x"}, "uncertainty of the scale"),
        ({"tare": "0"}, "length of the tare"),
        ({"since": "2026-03-02T06:30"}, "does not lie before the first run"),
        ({"from1": "2026-03-01T01:00", "to1": "2026-03-01T02:00"}, "no flow is stored of that time"),
    ],
)
async def test_bad_input_is_told_and_what_was_typed_stays(served: Weighed, changed: dict[str, str], says: str) -> None:
    asked = {**RUN, **changed}
    assert says in await shown(served, asked, 422)
    page = (await served.get(f"{PAGE}?{urlencode(asked)}")).text
    for name in ("mass1",):
        assert f'name="{name}" value="{asked[name]}"' in page


async def test_loaded_stretch_is_offered_as_a_run(served: Weighed) -> None:
    page = (await served.get(PAGE)).text
    (offer,) = re.findall(r'<a href="\?([^"#]+)#run-1">', page)
    text = await shown(served, dict(part.split("=") for part in html.unescape(offer).replace("%3A", ":").split("&")))
    assert "Leading edge" in text
    assert "found by itself" in text


async def test_record_is_numbered_and_says_what_was_computed(fresh: Weighed) -> None:
    assert fresh.book is not None
    answer = await fresh.post(PAGE, data=fresh.form(**RUN, **WINDOW, name="R. Ortega", remarks="truck scale 2"))
    assert answer.status_code == 303, answer.text
    assert answer.headers["location"] == "/records/1"
    kept = fresh.book.find(1)
    assert kept is not None
    content = kept.content
    assert isinstance(content, CalibrationRecord)
    assert (content.by, content.remarks, content.edges, content.runs[0].moved) == (
        "R. Ortega",
        "truck scale 2",
        "left out",
        True,
    )
    assert content.factor == pytest.approx(156.927, abs=1e-6)
    page = (await fresh.get("/records/1")).text
    assert "Nothing was changed in the gauge by making it." in page
    assert all(caution in html.unescape(page) for caution in CAUTIONS)


async def test_record_over_rest(fresh: Weighed) -> None:
    made = await fresh.post(f"{REST}/record", json={**BODY, "by": "R. Ortega"})
    assert made.status_code == 201, made.text
    assert made.json()["number"] == 1
    refused = await fresh.post(f"{REST}/record", json={**BODY, "by": " "})
    assert (refused.status_code, refused.json()["detail"]) == (422, "a name is missing")


async def test_record_needs_a_name_and_a_token(fresh: Weighed) -> None:
    assert fresh.book is not None
    refused = await fresh.post(PAGE, data=fresh.form(**RUN, **WINDOW))
    assert refused.status_code == 422
    assert "a name is missing" in refused.text
    assert (await fresh.post(PAGE, data={**RUN, "name": "R. Ortega", "token": "old"})).status_code == 403
    assert fresh.book.find(1) is None


async def test_ledger_lines_are_read_back_by_the_site_file(served: Weighed, tmp_path: Path) -> None:
    lines = (await served.post(REST, json=BODY)).json()["ledger"]
    (tmp_path / "ledger.yaml").write_text("spans:\n" + "\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "site.yaml").write_text(SMALL_SITE, encoding="utf-8")
    loaded = load_site(tmp_path / "site.yaml")
    (span,) = loaded.site.ledger.spans
    assert isinstance(span, SpanEntry)
    assert (span.mass, span.gauge, span.uncertainty, span.factor_before) == (255.0, 250.0, 0.1, 153.85)
    assert (span.begin.hour, span.begin.minute) == (6, 5)


async def test_ledger_of_the_site_is_shown_with_what_follows(served: Weighed) -> None:
    """102 t over 100 t ask for 150 * 1.02 = 153 kg/m, of which a scale of 0.1 % leaves 0.153; 200 t over 201 t ask for 150.75 *
    200 / 201 = 150 kg/m, of which 0.2 t of 200 t leave 0.15. Errors of +0.5 and -0.5 % have mean 0 and deviation 0.7071 %."""
    told = (await served.get(REST)).json()
    span, lot = told["spans"][0], told["material_tests"][1]
    assert (span["factor_asked"], span["factor_asked_u"]) == (pytest.approx(153.0), pytest.approx(0.153))
    assert (lot["factor_asked"], lot["factor_asked_u"]) == (pytest.approx(150.0), pytest.approx(0.15))
    assert (told["mean_error"], told["repeats"]) == (pytest.approx(0.0, abs=1e-9), pytest.approx(0.70711, abs=1e-5))
    text = await shown(served, {})
    for part in ("5,200.0", "-0.50", "1.02000", "0.4", "standard deviation of one test 0.71 %"):
        assert part in text


async def test_without_a_history_the_page_says_so(serve: Serve) -> None:
    served = serve(plant.healthy(), history=False)
    answer = await served.get(PAGE)
    assert answer.status_code == 503
    assert "There is no history" in answer.text


async def test_gauge_that_is_not_declared_is_told_what_it_lacks(serve: Serve) -> None:
    page = (await serve(plant.healthy()).get(PAGE)).text
    assert "not declared (gauge.load_per_attenuation)" in html.unescape(page)


async def test_unknown_loop_is_404(served: Weighed) -> None:
    assert (await served.get("/loops/TB-99/calibration")).status_code == 404
    assert (await served.get("/api/v1/loops/TB-99/calibration")).status_code == 404


def test_example_of_a_ledger_can_be_read(tmp_path: Path) -> None:
    (tmp_path / "ledger.yaml").write_text(EXAMPLE, encoding="utf-8")
    (tmp_path / "site.yaml").write_text(SMALL_SITE, encoding="utf-8")
    ledger = load_site(tmp_path / "site.yaml").site.ledger
    assert (len(ledger.tares), len(ledger.spans), len(ledger.material_tests)) == (1, 1, 1)


def test_booked_tonnes_are_the_same_from_hours_and_from_samples(served: Weighed) -> None:
    """By hand: 05:45 to 06:30 holds 5 min at 150 t/h and 25 min at 300 t/h, 12.5 + 125 = 137.5 t; all of it 275 t."""
    store = served.history
    assert store is not None
    six = weighed.SIX
    assert booked_since(store, "TB-07", six - 900, six + 1800) == pytest.approx(137.5)
    assert booked_since(store, "TB-07", six - 900, six + 3700) == pytest.approx(275.0)
    rows = plain_hour(six, 275.0)
    with_sums = WithHours(store, rows)
    assert booked_since(with_sums, "TB-07", six - 900, six + 3700) == pytest.approx(275.0)  # type: ignore[arg-type]
    assert with_sums.scanned == [(six - 900, six), (six + 3600, six + 3700)]
