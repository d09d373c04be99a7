"""Asking a person in a terminal of 80 columns: every text is wrapped, wrong answers are asked again."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from collector.commissioning.questions import Ask, belonging, taken
from collector.exports.asking import Person
from collector.replay.text import wrapped
from config.errors import TallywireError

INDENT = "  "
BACK = "-"


def say(person: Person, text: str, *, first: str = "", rest: str = "") -> None:
    """Tell a sentence on lines that a terminal holds."""
    person.tell("\n".join(wrapped(text, first=first, rest=rest)) + "\n")


def refuse(person: Person, error: TallywireError) -> None:
    """Tell why an answer cannot be taken, and what can."""
    say(person, f"{error.what}{'; ' + error.fix if error.fix else ''}", first=INDENT, rest=INDENT)


def one(ask: Ask, person: Person) -> str:
    """An answer that holds, '' where it is left out, BACK where the question that it belongs to is left out too."""
    back = f"; {BACK} where it is not known" if ask.after else ""
    shown = f" [{ask.usual}]" if ask.usual is not None else f" (such as {ask.example}{back})"
    question = "\n".join(wrapped(f"{ask.asks}{shown}"))
    while True:
        said = person.ask(f"{question}\n> ")
        if ask.after and said == BACK:
            return BACK
        try:
            return taken(ask, said)
        except TallywireError as error:
            refuse(person, error)


def every(asks: Sequence[Ask], person: Person) -> dict[str, str]:
    """The answers of several questions by key, without those that were left out."""
    out: dict[str, str] = {}
    for ask in asks:
        whole = belonging(ask, out)
        answer = one(whole, person) if whole is not None else ""
        if answer == BACK:
            out.pop(ask.after)
        elif answer:
            out[ask.key] = answer
    return out


def yes(person: Person, question: str, *, default: bool) -> bool:
    """Yes or no; Enter is the default."""
    indent = question[: len(question) - len(question.lstrip())]
    text = "\n".join(wrapped(f"{question.strip()} [{'Y/n' if default else 'y/N'}] >", first=indent, rest=indent))
    while True:
        said = person.ask(f"{text} ").lower()
        if not said:
            return default
        if said in ("y", "yes", "n", "no"):
            return said.startswith("y")
        say(person, "y or n", first=INDENT)


def new(ask: Ask, known: Collection[str], person: Person) -> str:
    """A name that is not taken yet."""
    while True:
        name = one(ask, person)
        if name not in known:
            return name
        say(person, f"{name} is there already; name another", first=INDENT)
