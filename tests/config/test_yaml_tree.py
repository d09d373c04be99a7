"""YAML 1.2 as plain values, each key with its line."""

from __future__ import annotations

import math

import pytest

from config.yaml_tree import read_tree


def test_scalars_are_those_of_yaml_1_2() -> None:
    # YAML 1.2.2, section 10.3.2 (core schema): no, yes and 06:00 are texts, 0o17 is octal
    text = "[no, yes, N, 06:00, 2024-05-14, true, ~, 1e-9, 1.5, 12, 0o17, 0x1F, .inf, '5', \"a\\tb\"]"
    values = read_tree(f"a: {text}\n", "f").data["a"]
    assert values == ["no", "yes", "N", "06:00", "2024-05-14", True, None, 1e-9, 1.5, 12, 15, 31, math.inf, "5", "a\tb"]


def test_every_key_and_item_knows_its_line() -> None:
    places = read_tree("a: 1\nb:\n  c:\n    - 1\n    - d: 2\n", "f.yaml").places
    assert places.of(("b", "c", 1, "d")).line == 5
    assert places.of(("b", "c", 0)).line == 4
    assert places.of(("b", "gone", "deeper")).line == 2
    assert str(places.of(("gone",))) == "f.yaml:1"


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        ("a: [1,\n\nb: 2", 1, "broken YAML"),
        ("a: 'x\nb: 1\n", 1, "broken YAML"),
        ("a: b: c\n", 1, "broken YAML"),
        ("a: *gone\n", 1, "undefined alias"),
        ("a: 1\n\tb: 2\n", 2, "a tab stands in the indentation"),
        ("%YAML 1.1\n---\na: no\n", 1, "YAML 1.1"),
        ("a: &x [*x]\n", 1, "an alias contains itself"),
        ("? [1, 2]\n: 3\n", 1, "a key is a list or a mapping"),
        ("a:\n  <<: 5\n", 2, "merges something that is no mapping"),
        ("a: \x07\n", 1, "not readable as YAML"),
        ("- 1\n", 1, "not a mapping"),
        ("a: 1\na: 2\na: 3\n", 2, "twice (first in line 1)"),
        ("[" * 2000, 0, "nested too deep"),
        ("a:\n" + "".join(" " * depth + "a:\n" for depth in range(1, 60)), 32, "nested too deep"),
    ],
)
def test_broken_text_is_told_with_its_line(text: str, line: int, what: str) -> None:
    problems = read_tree(text, "f.yaml").problems
    assert what in problems[0].what
    assert problems[0].place.line == line
