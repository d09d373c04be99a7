"""The JSON Schema of the site file: valid in itself, true to the model, and what the example keeps to."""

from __future__ import annotations

import copy
import json
from typing import Any

import jsonschema
import pytest
from pydantic import BaseModel

from config import deliveries, ledger, limits, model, publish
from config.examples import example_site
from config.keys import KEYS
from config.roles import ROLES
from config.schema import site_schema
from config.units import parse_quantity
from config.validation import keys_of
from config.yaml_tree import read_tree
from tests.config.bad_files import SOUND

SCHEMA = site_schema()
CHECK = jsonschema.Draft202012Validator(SCHEMA)
PARTS: dict[str, type[BaseModel]] = {
    name: part
    for module in (model, limits, ledger, publish, deliveries)
    for name, part in vars(module).items()
    if isinstance(part, type) and issubclass(part, BaseModel) and not name.startswith("_") and part.model_fields
}


def data(text: str) -> Any:
    return copy.deepcopy(read_tree(text, "site.yaml").data)


def test_schema_is_a_schema_of_its_dialect() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    assert json.loads(json.dumps(SCHEMA)) == SCHEMA


@pytest.mark.parametrize(
    "text", [SOUND, example_site(), SOUND + "ledger: ledger.yaml\n"], ids=["small", "example", "with a ledger"]
)
def test_sound_site_keeps_to_the_schema(text: str) -> None:
    assert [error.message for error in CHECK.iter_errors(data(text))] == []


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("schema",), 2),
        (("loops",), {}),
        (("loops", "TB 07"), {}),
        (("loops", "TB-07", "gauge", "range", "high"), 420),
        (("loops", "TB-07", "gauge", "range", "high"), "420"),
        (("loops", "TB-07", "gauge", "nuclide"), "Cs137"),
        (("loops", "TB-07", "gauge", "nuclid"), "Cs-137"),
        (("loops", "TB-07", "tags", "plcflow"), {}),
        (("loops", "TB-07", "tags", "flow", "adress"), 5),
        (("endpoints", "gauge", "protocol"), "other"),
        (("web", "port"), 70000),
    ],
)
def test_slip_of_the_pen_breaks_the_schema(path: tuple[str, ...], value: object) -> None:
    site = data(SOUND)
    part = site
    for key in path[:-1]:
        part = part[key]
    part[path[-1]] = value
    assert not CHECK.is_valid(site)


def test_loops_come_from_the_file_or_from_a_table() -> None:
    assert CHECK.is_valid({"schema": 1, "site": "t", "loops_csv": "loops.csv", "loop_template": {"plc": {}}})
    assert not CHECK.is_valid({"schema": 1, "site": "t"})
    assert not CHECK.is_valid({"schema": 1, "site": "t", "loops_csv": "loops.xlsx"})


def test_every_key_has_a_meaning_and_none_is_left_over() -> None:
    assert {name: sorted(keys_of(part)) for name, part in PARTS.items()} == {name: sorted(keys) for name, keys in KEYS.items()}
    for name, part in {"Site": SCHEMA, **SCHEMA["$defs"]}.items():
        for key, entry in part.get("properties", {}).items():
            assert entry["description"], f"{name}.{key}"


def test_default_of_a_quantity_is_text_that_can_be_read() -> None:
    seen = 0
    for part in SCHEMA["$defs"].values():
        for entry in part.get("properties", {}).values():
            if "x-unit" in entry and entry.get("default") is not None:
                parse_quantity(entry["default"], entry["x-unit"])
                assert entry["description"].endswith(f"[{entry['x-unit']}]")
                seen += 1
    assert seen > 40


def test_every_role_stands_in_the_schema_with_its_unit() -> None:
    tags = SCHEMA["$defs"]["Loop"]["properties"]["tags"]
    assert set(tags["properties"]) == set(ROLES)
    assert tags["properties"]["flow"]["description"].endswith("[t/h]")
    assert tags["required"] == ["flow"]


@pytest.mark.parametrize(
    "text", ["420 t/h", "-5 t/h", "1e3 kg/h", ".5 t/h", "500 short ton/h", "5200 1/s", "20°C", "0.5%", "0.5 %"]
)
def test_quantity_of_any_spelling_passes_the_pattern(text: str) -> None:
    pattern = SCHEMA["$defs"]["FlowRange"]["properties"]["high"]["pattern"]
    assert jsonschema.Draft202012Validator({"type": "string", "pattern": pattern}).is_valid(text)
