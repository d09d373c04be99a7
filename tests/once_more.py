"""A plugin of pytest for `tests/run`: which tests may be tried once more, alone, because they failed beside others.

Services, browsers and databases of several tests share two cores, so a test that waits for one of them can be late without any
defect. A process of tests that died, a file that could not be read, or many failures are no matter of load: then nothing is
written, and the run has failed.

    pytest -n 3 -p tests.once_more --failed-to FILE     FILE: a node id a line, as `pytest @FILE` takes them; else it is not there
"""

from __future__ import annotations

from pathlib import Path

import pytest

MOST = 12
"""So many failures are still believed to come from the load."""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--failed-to", type=Path, metavar="FILE", help="write the tests that may be tried once more, alone")


def pytest_configure(config: pytest.Config) -> None:
    file: Path | None = config.getoption("--failed-to")
    if file is not None and not hasattr(config, "workerinput"):
        file.unlink(missing_ok=True)
        config.pluginmanager.register(Failures(file))


def without_group(nodeid: str) -> str:
    """A node id without the group that pytest-xdist puts behind it: `test_a.py::test_b[x]@crash`."""
    at = nodeid.rfind("@")
    return nodeid[:at] if at > nodeid.rfind("]") else nodeid


class Failures:
    """What failed in a run, and whether anything else went wrong in it."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self.tests: dict[str, None] = {}
        self.broken = False

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.tests[without_group(report.nodeid)] = None

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        self.broken |= report.failed

    @pytest.hookimpl(optionalhook=True)
    def pytest_testnodedown(self, error: object) -> None:
        self.broken |= bool(error)

    def pytest_internalerror(self) -> None:
        self.broken = True

    def pytest_sessionfinish(self, exitstatus: int) -> None:
        if exitstatus == pytest.ExitCode.TESTS_FAILED and not self.broken and 0 < len(self.tests) <= MOST:
            self.file.write_text("".join(f"{nodeid}\n" for nodeid in self.tests), encoding="utf-8")
