"""The rules of the house that a linter does not know."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGES = ("config", "checks", "collector", "deploy")
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", "CHANGELOG.md",
    "config", "checks", "collector", "deploy", "tests",
}  # fmt: skip
DATA_TABLES: set[str] = set()
"""Modules that are tables of data and may be longer than the rest, by path."""


def sources(*packages: str) -> list[Path]:
    return [path for package in packages for path in sorted((ROOT / package).rglob("*.py"))]


def tracked() -> list[Path]:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, check=True, capture_output=True, text=True)
    return [Path(line) for line in listed.stdout.splitlines()]


def test_top_level_holds_only_what_the_owner_fixed() -> None:
    names = {path.parts[0] for path in tracked() if not path.parts[0].startswith(".")}
    assert names <= TOP_LEVEL


@pytest.mark.parametrize("path", sources(*PACKAGES, "tests"), ids=lambda path: str(path.relative_to(ROOT)))
def test_module_is_short(path: Path) -> None:
    if str(path.relative_to(ROOT)) not in DATA_TABLES:
        assert len(path.read_text().splitlines()) <= 400


def test_every_test_folder_is_a_package() -> None:
    folders = {path.parent for path in sources("tests")}
    assert [str(folder) for folder in folders if not (folder / "__init__.py").exists()] == []


FORBIDDEN_IN_CHECKS = {
    "socket", "asyncio", "logging", "time", "os", "pathlib", "subprocess", "threading", "sqlite3", "random", "io", "sys",
}  # fmt: skip


@pytest.mark.parametrize("path", sources("checks"), ids=lambda path: str(path.relative_to(ROOT)))
def test_checks_have_no_socket_clock_disk_or_log(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Import):
            assert not {alias.name.split(".")[0] for alias in node.names} & FORBIDDEN_IN_CHECKS
        if isinstance(node, ast.ImportFrom):
            assert (node.module or "").split(".")[0] not in FORBIDDEN_IN_CHECKS
        if isinstance(node, ast.Call):
            called = node.func
            name = called.id if isinstance(called, ast.Name) else called.attr if isinstance(called, ast.Attribute) else ""
            assert name not in {"open", "now", "utcnow", "today", "print", "default_rng"}, f"line {node.lineno}: {name}"
        assert not isinstance(node, ast.Global)


WRITES = re.compile(
    r"write_(register|registers|coil|coils|value|values|attribute)\b|mask_write|readwrite_registers|call_method|set_value\("
)


def test_collector_holds_no_call_that_writes_to_the_plant() -> None:
    found = [
        f"{path.relative_to(ROOT)}:{number}"
        for path in sources("collector")
        for number, line in enumerate(path.read_text().splitlines(), 1)
        if WRITES.search(line)
    ]
    assert found == []


PROTOCOLS = (ROOT / "collector" / "sources", ROOT / "deploy" / "plant", ROOT / "collector" / "publish")
"""Where protocol libraries may be used: what reads the plant, the invented plant, and the servers that are only read themselves."""


def test_protocol_libraries_stay_in_their_folders() -> None:
    for path in sources(*PACKAGES):
        if any(path.is_relative_to(folder) for folder in PROTOCOLS):
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            modules = (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else []
            )
            for module in modules:
                assert module.split(".")[0] not in {"pymodbus", "asyncua", "serial"}, path


def test_what_publishes_opens_no_connection_to_anything() -> None:
    """A server of verdicts is read; it holds no client of either protocol."""
    for path in sources("collector/publish"):
        assert not re.search(r"(pymodbus|asyncua)\.client|Modbus\w+Client|\bClient\(", path.read_text()), path


HOSTS = re.compile(r"index-url|https?://[^ ]*(pypi|pythonhosted|npmjs|deb\.debian)")
MACHINE_PATHS = re.compile(r"/(work/main|root/|home/[a-z]+/)")


def test_no_registry_host_and_no_path_of_a_machine_is_committed() -> None:
    own = Path(__file__).relative_to(ROOT)
    found = []
    for path in tracked():
        if path == own or not (ROOT / path).is_file():
            continue
        try:
            text = (ROOT / path).read_text()
        except UnicodeDecodeError:
            continue
        if HOSTS.search(text) or MACHINE_PATHS.search(text):
            found.append(str(path))
    assert found == []


def test_modules_that_run_offline_import_nothing_that_only_posix_has() -> None:
    posix = {"fcntl", "pwd", "grp", "resource", "termios", "tty", "pty", "syslog"}
    for path in [*sources("config", "checks"), *sources("collector/replay", "collector/cli")]:
        for node in ast.parse(path.read_text()).body:
            names = (
                [alias.name for alias in node.names]
                if isinstance(node, ast.Import)
                else [node.module or ""]
                if isinstance(node, ast.ImportFrom)
                else []
            )
            assert not posix & {name.split(".")[0] for name in names}, path
