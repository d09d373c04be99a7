"""The command line: exit codes, one message, a start that is quick."""

from __future__ import annotations

import argparse
import logging
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

import collector
from collector.cli import exits, main
from config.errors import DataFileError

ROOT = Path(collector.__file__).parent.parent
HEAVY = {
    "numpy",
    "pandas",
    "pydantic",
    "pyarrow",
    "fastapi",
    "uvicorn",
    "pymodbus",
    "asyncua",
    "sqlalchemy",
    "rich",
    "asyncio",
    "dask",
    "distributed",
    "fsspec",
}


def python(*arguments: str, cwd: Path | None = None, env: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    """Run a child with our packages on its path and nothing of the current folder."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), **(env or {})}
    return subprocess.run(
        [sys.executable, "-P", *arguments], cwd=cwd, env=environment, capture_output=True, text=True, check=False, timeout=240
    )


@pytest.fixture
def failing(monkeypatch: pytest.MonkeyPatch) -> list[BaseException]:
    """Make `validate` raise what is put here."""
    errors: list[BaseException] = []

    def run(args: argparse.Namespace) -> int:
        raise errors[0]

    monkeypatch.setattr("collector.cli.validate.run", run)
    return errors


def test_version() -> None:
    ran = python("-m", "collector", "--version")
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout.startswith("tallywire ")


def test_help_names_every_command_and_the_exit_codes_in_80_columns() -> None:
    ran = python("-m", "collector", "--help", env={"COLUMNS": "80"})
    assert ran.returncode == 0
    for word in ("run", "validate", "replay", "demo", "70 internal error"):
        assert word in ran.stdout
    assert max(map(len, ran.stdout.splitlines())) <= 80


def test_start_imports_nothing_heavy_and_is_quick() -> None:
    code = (
        "import sys, time; from collector.cli.main import parser; parser(); "
        f"print(sorted({HEAVY!r} & {{name.split('.')[0] for name in sys.modules}}), time.process_time())"
    )
    ran = python("-c", code)
    heavy, _, worked_s = ran.stdout.strip().rpartition(" ")
    assert heavy == "[]", ran.stderr
    assert float(worked_s) < 5.0


@pytest.mark.parametrize("arguments", [[], ["nonsense"], ["run"], ["run", "x.yaml", "--port", "many"]])
def test_wrong_arguments_are_exit_code_2_and_a_usage(arguments: list[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main.main(arguments)
    assert caught.value.code == exits.BAD_INPUT


def test_bad_input_is_one_message_with_where_and_fix(failing: list[BaseException], capsys: pytest.CaptureFixture[str]) -> None:
    failing.append(DataFileError("the time goes back", where="a.csv, line 3", fix="sort the rows"))
    assert main.main(["validate", "x"]) == exits.BAD_INPUT
    assert capsys.readouterr().err == "tallywire: a.csv, line 3: the time goes back\n  fix: sort the rows\n"


def test_interrupt_is_exit_code_130(failing: list[BaseException], capsys: pytest.CaptureFixture[str]) -> None:
    failing.append(KeyboardInterrupt())
    assert main.main(["validate", "x"]) == exits.INTERRUPTED
    assert capsys.readouterr().err == "tallywire: interrupted\n"


def test_internal_error_is_one_line_and_the_traceback_is_in_the_log(
    failing: list[BaseException],
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    logger = logging.getLogger("tallywire")
    monkeypatch.setattr("platformdirs.user_log_path", lambda name: tmp_path)
    monkeypatch.setattr(logger, "hasHandlers", lambda: False)
    monkeypatch.setattr(logger, "propagate", logger.propagate)
    failing.append(ZeroDivisionError("division\nby zero"))
    try:
        assert main.main(["validate", "x"]) == exits.INTERNAL_ERROR
    finally:
        for handler in list(logger.handlers):
            logger.removeHandler(handler)
            handler.close()
    said = capsys.readouterr().err
    assert said.startswith("tallywire: internal error: ZeroDivisionError: division by zero (traceback in ")
    assert said.count("\n") == 1
    assert "Traceback" in (tmp_path / "tallywire.log").read_text()


def test_packages_of_others_with_our_names_are_refused_by_name(tmp_path: Path) -> None:
    decoys = tmp_path / "decoys"
    (decoys / "config").mkdir(parents=True)
    (decoys / "config" / "__init__.py").write_text("raise SystemExit('the decoy was imported')\n")
    ours = tmp_path / "ours"
    for name in ("config", "checks", "collector", "deploy"):
        shutil.copytree(ROOT / name, ours / name, ignore=shutil.ignore_patterns("__pycache__"))
    path = os.pathsep.join([str(decoys), str(ours)])
    ran = python("-m", "collector", "--version", cwd=tmp_path, env={"PYTHONPATH": path})
    assert ran.returncode == exits.BAD_INPUT
    assert "config (" in ran.stderr
    assert "its own virtual environment" in ran.stderr
    assert "Traceback" not in ran.stderr


def test_reader_that_goes_away_is_no_traceback() -> None:
    code = (
        "import sys; sys.argv=['tallywire']; from collector.cli import main, validate; "
        "validate.run = lambda args: sys.stdout.write('x' * 1000000) and 0; sys.exit(main.main(['validate', 'x']))"
    )
    child = subprocess.Popen(
        [sys.executable, "-P", "-c", code],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert child.stdout is not None
    assert child.stderr is not None
    child.stdout.close()
    with child.stderr:
        assert child.stderr.read() == b""
    assert child.wait(60) == exits.INTERRUPTED
