"""The wheel as a user gets it, run from a folder that holds other packages of the same names."""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("dist")
    subprocess.run(
        [sys.executable, "-P", "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out), str(ROOT)],
        check=True,
        capture_output=True,
    )
    return next(out.glob("tallywire-*.whl"))


@pytest.fixture(scope="module")
def python(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment that holds the wheel, and sees the dependencies (not the checkout) of the running one."""
    home = tmp_path_factory.mktemp("env")
    venv.create(home, with_pip=False, symlinks=True)
    site = next((home / "lib").glob("python*")) / "site-packages"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    (site / "dependencies.pth").write_text(sysconfig.get_paths()["purelib"] + "\n")
    return home / "bin" / "python"


def test_wheel_holds_the_four_packages_and_their_data(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    tops = {name.split("/")[0] for name in names}
    assert {"config", "checks", "collector", "deploy"} <= tops
    assert "tests" not in tops
    assert any(name.startswith("collector/web/templates/") for name in names)
    assert any(name.startswith("collector/web/static/") for name in names)
    assert {"collector/records/print.css", "collector/records/templates/record.html"} <= set(names)
    assert any(name.startswith("config/examples/") for name in names)
    assert any("licenses/" in name and name.endswith("LICENSE") for name in names)


def test_command_runs_from_a_folder_with_decoy_packages(python: Path, tmp_path: Path) -> None:
    for name in ("config", "checks", "collector", "deploy"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "__init__.py").write_text("raise SystemExit('the decoy was imported')\n")
    env = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
    ran = subprocess.run(
        [str(python), "-I", "-m", "collector", "--version"], cwd=tmp_path, env=env, capture_output=True, text=True, check=False
    )
    assert (ran.returncode, ran.stderr) == (0, "")
    assert ran.stdout.startswith("tallywire 0.1.0")


def test_validate_runs_from_the_wheel_on_the_example_site(python: Path, tmp_path: Path) -> None:
    example = subprocess.run(
        [str(python), "-I", "-c", "import config, pathlib; print(pathlib.Path(config.__file__).parent / 'examples')"],
        capture_output=True,
        text=True,
        check=True,
        cwd=tmp_path,
    ).stdout.strip()
    site = next(Path(example).glob("*.yaml"))
    ran = subprocess.run(
        [str(python), "-I", "-m", "collector", "validate", str(site)], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
