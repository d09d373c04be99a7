"""Lines of a site file to paste: they read back as what was meant, and fit a terminal."""

from __future__ import annotations

from typing import Any

import pytest
from ruamel.yaml import YAML

from collector.commissioning.paste import fragment, scalar, tag_lines


@pytest.mark.parametrize(
    "value",
    [
        "plc", "ns=2;s=TB-07/Flow", "nsu=urn:invented:plc;s=TB-07/Flow", "nsu=http://a.example/b;s=Kanal: 1", "a, b", "x # y", "{a}",
        "12", "1e5", "yes", "null", "true", " lead", "trail ", "ends:", "ä", "60 s", "short_ton/h", "a\"b", "-1", "~", "*a", "&b", "1/s",
    ],
)  # fmt: skip
def test_a_value_reads_back_as_it_was(value: str) -> None:
    # YAML 1.2, read by a library that nobody here wrote
    read: Any = YAML(typ="safe").load(f"{{key: {scalar(value)}, other: 1}}")
    assert read == {"key": value, "other": 1}


def test_numbers_and_truth_read_back() -> None:
    read: Any = YAML(typ="safe").load(f"{{a: {scalar(0.1)}, b: {scalar(12)}, c: {scalar(True)}}}")
    assert read == {"a": 0.1, "b": 12, "c": True}


def test_lines_fit_80_columns_and_the_piece_is_a_piece_of_a_site_file() -> None:
    fields = {
        "endpoint": "plc",
        "node": "nsu=urn:invented:potash-terminal:plc;s=TB-07/Flow",
        "property": "EURange.low",
        "period": "60 s",
    }
    assert max(map(len, tag_lines("plc_range_low", fields))) <= 80
    read: Any = YAML(typ="safe").load(
        fragment({"TB-07": [("plc_range_low", fields), ("ai_raw", {"endpoint": "plc", "node": "ns=2;i=5"})]})
    )
    assert read["loops"]["TB-07"]["tags"] == {"plc_range_low": fields, "ai_raw": {"endpoint": "plc", "node": "ns=2;i=5"}}
