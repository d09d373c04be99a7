"""What `tests/run` tries once more, alone, and what it does not."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.once_more import MOST, Failures, without_group

FAILED = pytest.ExitCode.TESTS_FAILED


def failed(nodeid: str) -> pytest.TestReport:
    return pytest.TestReport(nodeid, ("tests/test_a.py", 1, "test_b"), {}, "failed", "assert 0", "call")


@pytest.mark.parametrize(
    ("nodeid", "bare"),
    [
        ("tests/test_a.py::test_b", "tests/test_a.py::test_b"),
        ("tests/test_a.py::test_b@crash", "tests/test_a.py::test_b"),
        ("tests/test_a.py::test_b[upper-range@plc-30]", "tests/test_a.py::test_b[upper-range@plc-30]"),
        ("tests/test_a.py::test_b[upper-range@plc]@crash", "tests/test_a.py::test_b[upper-range@plc]"),
    ],
)
def test_group_of_the_workers_is_no_part_of_a_name(nodeid: str, bare: str) -> None:
    assert without_group(nodeid) == bare


def test_failed_tests_are_written_a_line_each(tmp_path: Path) -> None:
    failures = Failures(tmp_path / "failed")
    for nodeid in ("test_a.py::test_b[a b]@crash", "test_a.py::test_c", "test_a.py::test_c"):
        failures.pytest_runtest_logreport(failed(nodeid))
    failures.pytest_sessionfinish(FAILED)
    assert failures.file.read_text(encoding="utf-8") == "test_a.py::test_b[a b]\ntest_a.py::test_c\n"


def collection_broke(failures: Failures) -> None:
    failures.pytest_collectreport(pytest.CollectReport("tests/test_a.py", "failed", "SyntaxError", None))


@pytest.mark.parametrize(
    "also",
    [
        collection_broke,
        lambda failures: failures.pytest_testnodedown("Not properly terminated"),
        lambda failures: failures.pytest_internalerror(),
        lambda failures: [failures.pytest_runtest_logreport(failed(f"test_a.py::test_b[{n}]")) for n in range(MOST)],
    ],
    ids=["file that cannot be read", "worker died", "error of pytest", "many failures"],
)
def test_what_no_load_explains_is_not_tried_again(tmp_path: Path, also: Callable[[Failures], object]) -> None:
    failures = Failures(tmp_path / "failed")
    failures.pytest_runtest_logreport(failed("test_a.py::test_c"))
    also(failures)
    failures.pytest_sessionfinish(FAILED)
    assert not failures.file.exists()


def test_interrupted_run_is_not_tried_again(tmp_path: Path) -> None:
    failures = Failures(tmp_path / "failed")
    failures.pytest_runtest_logreport(failed("test_a.py::test_c"))
    failures.pytest_sessionfinish(pytest.ExitCode.INTERRUPTED)
    assert not failures.file.exists()
