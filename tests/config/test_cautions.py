"""The cautions say all that they must."""

from __future__ import annotations

import pytest

from config.cautions import CAUTIONS, NOT_A_SAFETY_FUNCTION, caution_text

MUST_SAY = [
    ("isolate", "lock it out"),
    ("shutter", "survey meter"),
    ("licensed or authorised",),
    ("local codes", "licence"),
    ("safety function", "legal for trade"),
]


@pytest.mark.parametrize("words", MUST_SAY)
def test_each_caution_is_said_once(words: tuple[str, ...]) -> None:
    assert sum(all(word in caution.lower() for word in words) for caution in CAUTIONS) == 1


def test_disclaimer_is_the_last_caution() -> None:
    assert CAUTIONS[-1] == NOT_A_SAFETY_FUNCTION


@pytest.mark.parametrize("width", [10, 60, 200])
def test_text_holds_every_caution_and_keeps_to_its_width(width: int) -> None:
    text = caution_text(width=width)
    assert all(" ".join(caution.split()) in " ".join(text.replace("  - ", "").split()) for caution in CAUTIONS)
    assert all(len(line) <= max(width, 40) for line in text.splitlines())
