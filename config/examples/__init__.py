"""Site files that come with the program."""

from __future__ import annotations

from importlib.resources import files


def example_site() -> str:
    """The text of the example site file: an invented potash terminal with three loops."""
    return files("config.examples").joinpath("terminal.yaml").read_text(encoding="utf-8")
