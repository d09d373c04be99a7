"""Six answers: asked until they can be used, read from a file, and made into a site file that anybody can load."""

from __future__ import annotations

from pathlib import Path

import pytest

from collector.exports.answers import Answers, Column, columns_of, site_of, site_text, span, two_seconds
from collector.exports.asking import ask, from_file, from_mapping, questions_text, still_needed
from collector.exports.child import ReadExport
from collector.exports.guess import Guess
from collector.exports.stamps import DateOrder
from collector.exports.understanding import Understanding
from config.errors import TallywireError


class Scripted:
    """A person who answers from a list."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.heard: list[str] = []

    def ask(self, text: str) -> str:
        self.heard.append(text)
        return self.answers.pop(0)

    def tell(self, text: str) -> None:
        self.heard.append(text)


def read(*columns: str, guesses: tuple[Guess, ...] = (), assumed: tuple[str, ...] = ()) -> ReadExport:
    return ReadExport(
        table=Path("none"), columns=columns, units={}, guesses=guesses, said=Understanding(assumed=list(assumed)),
        rows=1, begin=0.0, end=0.0, step_s=1.0,
    )  # fmt: skip


GUESSED = (Guess("Massflow", "flow", 1.0, "t/h"), Guess("Screen", "plc_flow", 0.9, ""))


def test_enter_takes_what_is_guessed_and_wrong_answers_are_asked_again() -> None:
    person = Scripted(
        "", "", "nonsense", "-", "0 to 420", "0 to 420 t/h", "", "8 and 2", "Nowhere/Town", "Europe/Berlin, day first"
    )
    asked = ask(read("Massflow", "Screen", "Spare", guesses=GUESSED), person)
    assert asked.answers == Answers(
        columns={"Massflow": Column("flow", "t/h"), "Screen": Column("plc_flow")},
        gauge_range=(0.0, 420.0), plc_range=(0.0, 420.0), damping=8.0, plc_filter=2.0, zone="Europe/Berlin",
    )  # fmt: skip
    assert asked.order is DateOrder.DAY_FIRST
    assert not person.answers
    heard = "".join(person.heard)
    assert "there is no role 'nonsense'" in heard
    assert "0 to 420 t/h" in heard
    assert "'Nowhere/Town' is no time zone" in heard


def test_roles_can_be_listed_while_asking() -> None:
    person = Scripted("?", "flow", "0 to 10 t/h", "", "")
    ask(read("a"), person)
    assert any("mass flow the gauge reports" in text for text in person.heard)


def test_raw_span_is_asked_only_where_raw_counts_are_there() -> None:
    without, with_raw = (
        Scripted("flow", "0 to 420 t/h", "", ""),
        Scripted("flow", "ai_raw", "0 to 420 t/h", "", "4000 to 20000", "", ""),
    )
    ask(read("a"), without)
    asked = ask(read("a", "b"), with_raw)
    assert asked.answers.raw_span == (4000.0, 20000.0)
    assert not any("raw counts" in text for text in without.heard)


def test_questions_filled_in_come_back_as_answers(tmp_path: Path) -> None:
    export = read("Massflow", "It's odd", guesses=(*GUESSED[:1], Guess("It's odd", "ai_raw", 0.5, "")))
    file = tmp_path / "answers.yaml"
    file.write_text(questions_text(export).replace("gauge_range: ''", "gauge_range: '-20 to 400 t/h'"), encoding="utf-8")
    answers = from_file(file, export).answers
    assert answers.columns == {"Massflow": Column("flow", "t/h"), "It's odd": Column("ai_raw")}
    assert answers.gauge_range == answers.plc_range == (-20.0, 400.0)
    assert answers.raw_span == (0.0, 27648.0)


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        ([], "no mapping"),
        ({"columns": {"a": "flow"}, "colour": "red"}, "no question 'colour'"),
        ({"columns": {"b": "flow"}}, "no column 'b'"),
        ({"columns": {"a": "plc_flow"}, "gauge_range": "0 to 1 t/h"}, "no column is the flow"),
        ({"columns": {"a": "flow"}}, "gauge_range"),
        ({"columns": {"a": "flow"}, "gauge_range": "420"}, "gauge_range"),
        ({"columns": {"a": "flow, m/s"}, "gauge_range": "0 to 1 t/h"}, "column 'a'"),
        ({"columns": {"a": "flow"}, "gauge_range": "5 to 5 t/h"}, "both ends are 5"),
        ({"columns": {"a": "flow"}, "gauge_range": "0 to 1 t/h", "filters": "soon"}, "damping"),
        ({"columns": {"a": "flow"}, "gauge_range": "0 to 1 t/h", "zone": "Mars"}, "no time zone"),
    ],
)
def test_answers_that_cannot_be_used_are_refused_with_a_remedy(raw: object, says: str) -> None:
    with pytest.raises(TallywireError, match=says) as caught:
        from_mapping(raw, read("a"), "answers.yaml")
    assert caught.value.fix


@pytest.mark.parametrize(
    ("text", "unit", "ends"),
    [
        ("0 to 420 t/h", "t/h", (0.0, 420.0)),
        ("0..420 t/h", "t/h", (0.0, 420.0)),
        ("420 t/h", "t/h", (0.0, 420.0)),
        ("-20 - 420,5 t/h", "t/h", (-20.0, 420.5)),
        ("0 to 100 kg/s", "t/h", (0.0, 360.0)),
        ("0 to 27648", "", (0.0, 27648.0)),
    ],
)
def test_two_ends_in_any_usual_writing(text: str, unit: str, ends: tuple[float, float]) -> None:
    assert span(text, unit, "range") == pytest.approx(ends)


def test_two_times_or_one() -> None:
    assert two_seconds("10 and 0") == (10.0, 0.0)
    assert two_seconds("2,5 s") == (2.5, 0.0)


def test_one_role_for_one_column() -> None:
    with pytest.raises(TallywireError, match="both flow"):
        columns_of({"a": "flow", "b": "flow"})


def test_site_of_the_answers_is_a_site_file_like_any_other() -> None:
    answers = Answers(
        columns={"m": Column("flow", "kg/s"), "r": Column("ai_raw")}, gauge_range=(0.0, 420.0), plc_range=(0.0, 400.0), damping=8.0,
        raw_span=(4000.0, 20000.0), plc_filter=2.0, zone="Europe/Berlin",
    )  # fmt: skip
    site = site_of(answers)
    loop = site.loops["loop"]
    assert (loop.gauge.range.high, loop.plc.range.high, loop.plc.raw_span.low) == (420.0, 400.0, 4000.0)
    assert (loop.gauge.damping, loop.plc.filter, site.time_zone) == (8.0, 2.0, "Europe/Berlin")
    assert loop.tags["flow"].measured_in == "kg/s"
    assert "schema: 1" in site_text(answers)
    assert any("totals" in sentence for sentence in still_needed(answers))
