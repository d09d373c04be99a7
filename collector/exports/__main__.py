"""The child process that reads one export: an order on stdin, what was understood on stdout, both JSON."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

from collector.exports.cells import Mark
from collector.exports.child import MOST_MEMORY, column_in_table
from collector.exports.contract import write_contract
from collector.exports.read import Overrules, read_export
from collector.exports.stamps import DateOrder
from collector.exports.tidy import Between
from config.errors import TallywireError


def main() -> int:
    """Read one file as ordered."""
    _bound_memory()
    order = json.load(sys.stdin)
    try:
        told = _read(order)
    except TallywireError as error:
        told = {"error": {"what": error.what, "where": error.where, "fix": error.fix}}
    sys.stdout.write(json.dumps(told))
    return 0


def _read(order: dict[str, Any]) -> dict[str, Any]:
    export = read_export(
        Path(order["path"]),
        Overrules(
            zone=order["zone"],
            order=None if order["order"] is None else DateOrder(order["order"]),
            mark=None if order["mark"] is None else Mark(order["mark"]),
            sheet=order["sheet"],
            between={name: Between(how) for name, how in order["between"].items()},
            longest=order["longest"],
        ),
    )
    write_contract(export, {name: column_in_table(place) for place, name in enumerate(export.values)}, Path(order["table"]))
    return {
        "columns": list(export.values),
        "units": export.units,
        "held": {name: asdict(found) for name, found in export.held.items()},
        "guesses": [asdict(guess) for guess in export.guesses],
        "said": export.said.plain(),
        "rows": len(export.time),
        "begin": float(export.time[0]),
        "end": float(export.time[-1]),
        "step_s": export.step_s,
    }


def _bound_memory() -> None:
    """Where the system can: a file that unpacks to more ends the child, not the machine."""
    try:
        import resource
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))


if __name__ == "__main__":
    sys.exit(main())
