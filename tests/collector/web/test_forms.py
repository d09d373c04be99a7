from __future__ import annotations

import pytest
from fastapi import HTTPException

from collector.web.forms import Unprocessable, author, number_of, reason_of, require_own, typed, unprocessable
from collector.web.security import Guard
from config.errors import TallywireError


@pytest.mark.parametrize(
    ("text", "kept"),
    [("  R. Sandhu ", "R. Sandhu"), ("a\r\nBcc: b", "a Bcc: b"), ("\x1b[31mred\x00", "[31mred"), ("Łukasz Żak", "Łukasz Żak")],
)
def test_typed_text_is_one_line(text: str, kept: str) -> None:
    assert typed(text, "a name", 80) == kept


@pytest.mark.parametrize("text", ["", "   ", "\n\t", "\u200b", "x" * 81])
def test_empty_and_endless_text_is_refused(text: str) -> None:
    with pytest.raises(TallywireError):
        typed(text, "a name", 80)


@pytest.mark.parametrize(("text", "hours"), [("8", 8.0), (" 0.5 ", 0.5), ("1,5", 1.5), ("720", 720.0)])
def test_hours_are_read_as_people_write_them(text: str, hours: float) -> None:
    assert number_of(text, "hours", 720.0) == hours


@pytest.mark.parametrize("text", ["", "0", "-1", "721", "nan", "inf", "eight", "8h"])
def test_other_hours_are_refused(text: str) -> None:
    with pytest.raises(TallywireError):
        number_of(text, "hours", 720.0)


@pytest.mark.parametrize("fields", [{}, {"token": ""}, {"token": "other"}, {"token": b"bytes"}])
def test_a_form_without_our_token_is_refused(fields: dict[str, object]) -> None:
    guard = Guard()
    with pytest.raises(HTTPException) as refused:
        require_own(fields, guard)
    assert refused.value.status_code == 403
    require_own({"token": guard.token}, guard)


def test_who_and_why() -> None:
    assert author(" R. Sandhu ") == "R. Sandhu"
    assert reason_of("  ", needed=False) == ""
    with pytest.raises(TallywireError, match="a reason is missing"):
        reason_of("  ")


def test_a_program_reads_the_sentence_of_the_page() -> None:
    with pytest.raises(Unprocessable) as refused, unprocessable():
        author("")
    assert (refused.value.status_code, refused.value.detail) == (422, "a name is missing")
    assert refused.value.fix.startswith("type a name")
