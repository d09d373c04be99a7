"""Drives the process of `tests.crash.victim`: gives orders, reads what its children say until they kill themselves."""

from __future__ import annotations

import json
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]


class Victim:
    """The process; its children take one order each."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.crash.victim"], cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )

    def order(self, **order: Any) -> None:
        """Fork a child for an order."""
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps(order) + "\n")
        self._process.stdin.flush()
        words = next(self._lines())
        assert words[0] == "child", words

    def said(self) -> Iterator[list[str]]:
        """What the child says, until it has ended."""
        for words in self._lines():
            if words[0] == "gone":
                assert int(words[1]) in (0, -signal.SIGKILL), "the child broke; see its traceback"
                return
            yield words

    def close(self) -> None:
        """End the process."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(timeout=30)
        self._process.stdout.close()

    def _lines(self) -> Iterator[list[str]]:
        assert self._process.stdout is not None
        for line in iter(self._process.stdout.readline, ""):
            yield line.split()
        raise AssertionError("the process of the victims has ended")


def damaged(data: Path) -> list[str]:
    """What SQLite finds wrong with the files of a data folder."""
    out = []
    for path in [data / "state.db", *sorted((data / "hot").glob("*.db"))]:
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        said = [row[0] for row in connection.execute("PRAGMA integrity_check")]
        connection.close()
        out += [f"{path.name}: {line}" for line in said if line != "ok"]
    return out
