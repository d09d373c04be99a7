"""JSON Schema (draft 2020-12) of the site file, for editors: keys, units, defaults, and what each means.

It describes the file, where a quantity is text with number and unit. An editor that follows it catches slips of the pen;
the rules between keys are told by `config.load` only.
"""

from __future__ import annotations

import re
from typing import Any

from config.keys import KEYS
from config.ledger import ENTRIES
from config.model import Site
from config.nuclides import NUCLIDES
from config.roles import ROLES
from config.units import example_units

DIALECT = "https://json-schema.org/draft/2020-12/schema"
QUANTITY = r"^\s*[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\s*[^\s0-9.,].*$|^\s*[+-]?[0-9.]+\s+1/(s|min)$"
"""A number and something behind it: enough for an editor, the loader knows the units."""

_UNIT = re.compile(r"^number and unit \((?P<unit>.+)\)$")


def site_schema() -> dict[str, Any]:
    """The schema as plain data, made anew with each call."""
    schema: dict[str, Any] = Site.model_json_schema(by_alias=True)
    parts: dict[str, Any] = schema["$defs"]
    for name, part in {"Site": schema, **parts}.items():
        for key, entry in part.get("properties", {}).items():
            _quantity(entry)
            meaning = KEYS.get(name, {}).get(key, "")
            unit = f" [{entry['x-unit']}]" if "x-unit" in entry else ""
            entry["description"] = meaning + unit
    parts["Gauge"]["properties"]["nuclide"]["enum"] = list(NUCLIDES)
    parts["Tag"] = parts["Loop"]["properties"]["tags"].pop("additionalProperties")
    parts["Loop"]["properties"]["tags"] |= {
        "properties": {
            name: {"$ref": "#/$defs/Tag", "description": role.meaning + (f" [{role.unit}]" if role.unit else "")}
            for name, role in ROLES.items()
        },
        "required": ["flow"],
        "additionalProperties": False,
    }
    schema["properties"]["loops"]["additionalProperties"] = False
    schema["properties"] |= {
        "loops_csv": {
            "type": "string",
            "pattern": r"\.[cC][sS][vV]$",
            "description": "table of loops beside the site file; each column is a dotted path under a loop",
        },
        "loop_template": {"type": "object", "description": "what every row of the table of loops starts from"},
    }
    schema["properties"]["ledger"] = {
        "type": "string",
        "pattern": r"\.([yY][aA]?[mM][lL]|[cC][sS][vV])$",
        "description": KEYS["Site"]["ledger"],
    }
    for name in ("Ledger", *(model.__name__ for model in ENTRIES.values())):
        parts.pop(name, None)
    schema["required"] = [key for key in schema["required"] if key != "loops"]
    schema["anyOf"] = [{"required": ["loops"]}, {"required": ["loops_csv"]}]
    return {"$schema": DIALECT, **schema, "title": "Tallywire site file", "description": "One plant: endpoints, loops, limits."}


def _quantity(entry: dict[str, Any]) -> None:
    """Where the entry is a quantity, add its unit, a pattern, and turn a default that is a number into text."""
    forms = [entry, *entry.get("anyOf", [])]
    for form in forms:
        found = _UNIT.match(str(form.get("description", "")))
        if found is None:
            continue
        unit = found["unit"]
        form["pattern"] = QUANTITY
        form["description"] = "number and unit: " + ", ".join(example_units(unit))
        entry["x-unit"] = unit
        default = entry.get("default")
        if isinstance(default, int | float):
            entry["default"] = f"{default:.10g} {unit}"
