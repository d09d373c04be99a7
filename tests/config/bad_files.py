"""A small sound site file, and how to spoil it."""

from __future__ import annotations

from datetime import date

from config.load import LoadedSite, parse_site
from config.problems import Problem, SiteFileError

TODAY = date(2026, 6, 1)

SOUND = """\
schema: 1
site: terminal
endpoints:
  gauge:
    protocol: modbus
    host: 192.0.2.10
    timeout: 0.3 s
  plc:
    protocol: opcua
    url: opc.tcp://192.0.2.30:4840
loops:
  TB-07:
    gauge:
      range: {low: 0 t/h, high: 420 t/h}
      nuclide: Cs-137
      empty_belt_rate: 5200 1/s
      background: 60 1/s
    plc:
      range: {low: 0 t/h, high: 420 t/h}
    tags:
      flow: {endpoint: gauge, address: 0, type: float32}
      plc_flow: {endpoint: plc, node: ns=2;s=Flow}
web:
  host: 127.0.0.1
"""


def spoiled(old: str, new: str, text: str = SOUND) -> str:
    """The sound file with one piece of text replaced."""
    assert text.count(old) >= 1, f"{old!r} is not in the file"
    return text.replace(old, new, 1)


def problems_of(text: str) -> list[Problem]:
    """What is wrong with a text, empty where it is sound."""
    try:
        parse_site(text, "site.yaml", today=TODAY)
    except SiteFileError as error:
        return list(error.problems)
    return []


def sound(text: str = SOUND) -> LoadedSite:
    """A text that must load."""
    return parse_site(text, "site.yaml", today=TODAY)
