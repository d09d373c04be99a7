"""The six questions put to a person or to a file of answers, and what more the export would need."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol
from zoneinfo import ZoneInfo, available_timezones

from ruamel.yaml import YAML
from ruamel.yaml.error import YAMLError

from collector.exports.answers import QUESTIONS, Answers, Column, Question, columns_of, kept_of, site_of, span, two_seconds
from collector.exports.child import ReadExport
from collector.exports.held import held_answer
from collector.exports.stamps import DateOrder
from config.errors import TallywireError
from config.roles import ROLES

READ_AS = "UTC"
"""Zone in which an export is read before anybody is asked."""


class Person(Protocol):
    """Somebody who is asked."""

    def ask(self, text: str) -> str:
        """The answer to a question, trimmed; empty where just Enter was pressed."""
        ...

    def tell(self, text: str) -> None:
        """Show a text."""
        ...


@dataclass(frozen=True, slots=True)
class Asked:
    """The answers, and the order of dates where somebody said it."""

    answers: Answers
    order: DateOrder | None = None

    def reread(self, read: ReadExport) -> bool:
        """Whether the file must be read again: its times were taken for another zone or another order of dates."""
        local = any("local time" in sentence for sentence in read.said.assumed)
        return (local and self.answers.zone != READ_AS) or self.order is not None or bool(self.answers.kept)


def ask(read: ReadExport, person: Person) -> Asked:
    """Ask in a terminal until every answer can be used; an empty line takes what stands in brackets."""
    columns = _ask_columns(read, person)
    roles = {column.role for column in columns.values()}
    raw: dict[str, str] = {}
    looks = held_answer(read.held, {name: (column.role, column.unit) for name, column in columns.items()})
    for question in _open_questions(roles, looks):
        usual = _usual(question, raw, looks)
        while True:
            shown = f" [{usual}]" if usual else f" (such as {question.example})"
            said = person.ask(f"{question.asks}{shown}\n> ") or usual
            try:
                _check(question.key, said, columns)
            except TallywireError as error:
                person.tell(f"{error.what}{'; ' + error.fix if error.fix else ''}\n")
                continue
            raw[question.key] = said
            break
    return _asked(columns, raw)


def from_file(path: Path, read: ReadExport) -> Asked:
    """Answers from a YAML file as `questions_text` prints it.

    Raises
    ------
    TallywireError
        The file cannot be read, or an answer cannot be used.
    """
    try:
        raw: Any = YAML(typ="safe").load(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, YAMLError) as error:
        raise TallywireError("the answers cannot be read", where=str(path), fix=str(error).splitlines()[0]) from error
    return from_mapping(raw, read, str(path))


def from_mapping(raw: Any, read: ReadExport, where: str) -> Asked:
    """Answers from plain values: `columns` a mapping of column to "role, unit", the others texts."""
    keys = [question.key for question in QUESTIONS]
    if not isinstance(raw, Mapping) or not isinstance(raw.get("columns"), Mapping):
        raise TallywireError(
            "the answers are no mapping with `columns`", where=where, fix="see tallywire verify EXPORT --questions"
        )
    unknown = [str(key) for key in raw if key not in keys]
    if unknown:
        raise TallywireError(f"there is no question {unknown[0]!r}", where=where, fix=f"the questions are {', '.join(keys)}")
    absent = [str(name) for name in raw["columns"] if name not in read.columns]
    if absent:
        raise TallywireError(
            f"the export has no column {absent[0]!r}", where=where, fix=f"it has {', '.join(map(repr, read.columns))}"
        )
    columns = columns_of({str(name): str(text or "") for name, text in raw["columns"].items()})
    said = {key: str(raw[key]) for key in keys if key != "columns" and raw.get(key) not in (None, "")}
    looks = held_answer(read.held, {name: (column.role, column.unit) for name, column in columns.items()})
    for question in _open_questions({column.role for column in columns.values()}, looks or said.get("kept", "")):
        said.setdefault(question.key, _usual(question, said, looks))
        if not said[question.key]:
            raise TallywireError(f"{question.key}: {question.asks}", where=where, fix=f"such as {question.example}")
        _check(question.key, said[question.key], columns)
    return _asked(columns, said)


def questions_text(read: ReadExport) -> str:
    """A file of answers to fill in, with what was guessed."""
    guessed = {guess.column: guess for guess in read.guesses}
    lines = [
        "# Answers for `tallywire verify`. A column without a role is left out. Roles: tallywire validate --schema",
        "columns:",
    ]
    for name in read.columns:
        guess = guessed.get(name)
        text = "" if guess is None else f"{guess.role}{', ' + guess.unit if guess.unit else ''}"
        lines.append(f"  {_quoted(name)}: {_quoted(text)}")
    roles = {guess.role for guess in read.guesses}
    looks = held_answer(read.held, {name: (guess.role, guess.unit) for name, guess in guessed.items()})
    for question in _open_questions(roles, looks):
        usual = _usual(question, {}, looks)
        lines += [f"# {question.asks}", f"{question.key}: {_quoted(usual)}  # such as {question.example}"]
    return "\n".join(lines) + "\n"


def still_needed(answers: Answers) -> list[str]:
    """What else would show more, the cheapest first."""
    return _wishes({column.role for column in answers.columns.values()})


def still_needed_of(columns: Mapping[str, str]) -> list[str]:
    """The same for columns as they are answered: "role, unit" by name."""
    return _wishes({text.partition(",")[0].strip() for text in columns.values()})


def _wishes(roles: set[str]) -> list[str]:
    wishes = (
        (
            "ai_raw",
            "the raw counts of the input card: they tell the wire from the scaling block, and are free in most controllers",
        ),
        ("loop_current", "the current at the card: it tells the gauge's output from the card"),
        ("count_rate", "the count rate and the speed: they tell whether the flow itself is what the detector sees"),
        ("plc_total", "the totals of gauge and PLC: pulses and resets can lose tonnes that the rates do not show"),
        ("drive_running", "the running signal of the belt: without it a stopped belt and an empty one look alike"),
    )
    missing = [words for role, words in wishes if role not in roles]
    return [f"It would help to export {words}." for words in missing[:3]]


def _ask_columns(read: ReadExport, person: Person) -> dict[str, Column]:
    guessed = {guess.column: f"{guess.role}{', ' + guess.unit if guess.unit else ''}" for guess in read.guesses}
    texts: dict[str, str] = {}
    opening = f"{QUESTIONS[0].asks} Enter takes what is guessed, - leaves a column out, ? lists the roles.\n"
    for name in read.columns:
        while True:
            said = person.ask(f"{opening}  {name} [{guessed.get(name, '-')}] > ") or guessed.get(name, "-")
            opening = ""
            if said == "?":
                person.tell(
                    "".join(
                        f"    {role.name:<22}{role.meaning}{f' [{role.unit}]' if role.unit else ''}\n"
                        for role in ROLES.values()
                    )
                )
                continue
            try:
                columns_of({**texts, name: said, **_flow_anyway(texts, said)})
            except TallywireError as error:
                person.tell(f"    {error.what}{'; ' + error.fix if error.fix else ''}\n")
                continue
            texts[name] = said
            break
    return columns_of(texts)


def _flow_anyway(texts: Mapping[str, str], said: str) -> dict[str, str]:
    """A stand-in for the flow while it has not been named yet, so that only the column at hand is judged."""
    named = any(text.partition(",")[0].strip() == "flow" for text in (*texts.values(), said))
    return {} if named else {"\0": "flow"}


def _open_questions(roles: set[str], looks: str) -> list[Question]:
    return [q for q in QUESTIONS[1:] if (not q.roles or roles & set(q.roles)) and (q.key != "kept" or looks)]


def _usual(question: Question, said: Mapping[str, str], looks: str) -> str:
    """What an empty answer stands for; empty where there is no usual one."""
    if question.key == "plc_range":
        return said.get("gauge_range", "")
    if question.key == "kept":
        return looks
    return {"raw_span": "0 to 27648", "filters": "10 and 0", "zone": "UTC"}.get(question.key, "")


def _check(key: str, text: str, columns: Mapping[str, Column]) -> None:
    if key in ("gauge_range", "plc_range"):
        span(text, "t/h", key)
    elif key == "raw_span":
        span(text, "", key)
    elif key == "filters":
        two_seconds(text)
    elif key == "zone":
        _zone(text)
    elif key == "kept":
        any_range = (0.0, 100.0)
        site_of(Answers(columns=columns, gauge_range=any_range, plc_range=any_range, kept=kept_of(text)))


def _zone(text: str) -> tuple[str, DateOrder | None]:
    """Zone and order of dates from "Europe/Oslo, month first"."""
    parts = [part.strip() for part in text.split(",") if part.strip()]
    order = next((order for order in DateOrder if order.value in parts), None)
    names = [part for part in parts if order is None or part != order.value]
    if len(names) > 1 or (names and names[0] not in available_timezones()):
        raise TallywireError(
            f"{text!r} is no time zone", fix="an IANA name such as UTC or Atlantic/Reykjavik; behind a comma `day first`"
        )
    return (ZoneInfo(names[0]).key if names else READ_AS), order


def _asked(columns: dict[str, Column], said: Mapping[str, str]) -> Asked:
    gauge = span(said["gauge_range"], "t/h", "gauge_range")
    damping, plc_filter = two_seconds(said.get("filters", "10 and 0"))
    zone, order = _zone(said.get("zone", READ_AS))
    return Asked(
        Answers(
            columns=columns,
            gauge_range=gauge,
            plc_range=span(said["plc_range"], "t/h", "plc_range") if "plc_range" in said else gauge,
            raw_span=span(said["raw_span"], "", "raw_span") if "raw_span" in said else (0.0, 27648.0),
            damping=damping,
            plc_filter=plc_filter,
            zone=zone,
            kept=kept_of(said.get("kept", "")),
        ),
        order,
    )


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
