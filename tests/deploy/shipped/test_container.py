"""Container and compose files, as far as they can be held without an engine: they parse, they are whole, they keep to their word."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest
from dockerfile_parse import DockerfileParser
from ruamel.yaml import YAML

import deploy
from config.load import load_site

ROOT = Path(deploy.__file__).parent.parent
FILE = ROOT / "deploy" / "container" / "Containerfile"
COMPOSE = ROOT / "deploy" / "compose" / "compose.yaml"


@pytest.fixture(scope="module")
def steps() -> list[dict[str, Any]]:
    """The instructions with their values."""
    with FILE.open("rb") as file:
        found: list[dict[str, Any]] = [
            item for item in DockerfileParser(fileobj=file).structure if item["instruction"] != "COMMENT"
        ]
    return found


def values(steps: list[dict[str, Any]], instruction: str) -> list[str]:
    return [item["value"] for item in steps if item["instruction"] == instruction]


@pytest.fixture(scope="module")
def compose() -> Any:
    return YAML(typ="safe").load(COMPOSE.read_text(encoding="utf-8"))


def test_the_image_is_pinned_runs_without_root_and_starts_the_service(steps: list[dict[str, Any]]) -> None:
    for base in values(steps, "FROM"):
        assert re.match(r"^[a-z/]+:\d+\.\d+[\w.-]*( AS \w+)?$", base)
    last = max(index for index, item in enumerate(steps) if item["instruction"] == "FROM")
    final = steps[last:]
    assert values(final, "USER") == ["10001:10001"]
    assert values(final, "ENTRYPOINT") == ['["/opt/tallywire/bin/tallywire"]']
    assert values(final, "CMD") == ['["run", "/etc/tallywire/site.yaml"]']
    assert "STATE_DIRECTORY=/data" in values(final, "ENV")[0]
    assert not any(
        word in text.lower() for text in values(steps, "ENV") + values(steps, "ARG") for word in ("password", "secret")
    )
    assert {item["instruction"] for item in steps} <= {
        "FROM", "WORKDIR", "COPY", "RUN", "ENV", "USER", "VOLUME", "EXPOSE", "STOPSIGNAL", "ENTRYPOINT", "CMD",
    }  # fmt: skip


def test_what_printing_needs_is_what_the_demo_installs(steps: list[dict[str, Any]]) -> None:
    demo = (ROOT / "deploy" / "demo").read_text(encoding="utf-8")
    (install,) = [text for text in values(steps, "RUN") if "apt-get" in text]
    packages = re.findall(r"\b(?:lib[\w.-]+|fonts-[\w-]+)", install.partition("recommends")[2].partition("&&")[0])
    assert len(packages) == 4
    assert all(package in demo for package in packages)


def copied(steps: list[dict[str, Any]]) -> list[str]:
    out = []
    for text in values(steps, "COPY"):
        if not text.startswith("--from"):
            out += text.split()[:-1]
    return out


def test_the_image_is_built_from_what_git_knows_and_the_context_lets_pass(steps: list[dict[str, Any]]) -> None:
    ignored = (FILE.parent / "Containerfile.dockerignore").read_text(encoding="utf-8").splitlines()
    assert "*" in ignored
    for source in copied(steps):
        assert (ROOT / source).exists()
        assert f"!{source}" in ignored


def test_the_steps_that_install_it_work_with_what_they_copy(steps: list[dict[str, Any]], tmp_path: Path) -> None:
    """The wheel of the copied files alone holds every file of the packages; dependencies stay out of it: they need a network."""
    build = tmp_path / "src"
    for source in copied(steps):
        target = build / source
        target.parent.mkdir(parents=True, exist_ok=True)
        if (ROOT / source).is_dir():
            shutil.copytree(ROOT / source, target, ignore=shutil.ignore_patterns("__pycache__", "node_modules"))
        else:
            shutil.copyfile(ROOT / source, target)
    (install,) = [text for text in values(steps, "RUN") if "pip install" in text]
    assert "-c .ci/constraints.txt" in install
    extras = re.search(r'"\.\[([a-z,]+)\]"', install)
    assert extras is not None
    declared = (build / "pyproject.toml").read_text(encoding="utf-8")
    assert all(f"\n{extra} = [" in declared for extra in extras[1].split(","))
    command = [sys.executable, "-P", "-m", "build", "--wheel", "--no-isolation", "--outdir", str(tmp_path / "dist"), str(build)]
    subprocess.run(command, check=True, capture_output=True)
    (wheel,) = (tmp_path / "dist").glob("*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    listed = subprocess.run(
        ["git", "ls-files", "config", "checks", "collector", "deploy"], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout.splitlines()
    assert {name for name in listed if (ROOT / name).exists()} - names == set()


def test_the_compose_file_is_one_by_its_specification() -> None:
    """The schema of the Compose Specification, as the package check-jsonschema ships it; an engine's own check where there is one."""
    command = [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec", str(COMPOSE)]
    said = subprocess.run(command, capture_output=True, text=True, check=False)
    assert said.returncode == 0, said.stdout + said.stderr
    for client in (["docker", "compose"], ["podman-compose"], ["docker-compose"]):
        if shutil.which(client[0]) and not subprocess.run([*client, "version"], capture_output=True, check=False).returncode:
            subprocess.run([*client, "-f", str(COMPOSE), "config"], check=True, capture_output=True)


def test_every_service_is_pinned_bounded_and_may_do_little(compose: Any) -> None:
    for name, service in compose["services"].items():
        image = service["image"]
        assert image == "tallywire" or re.match(r"^[a-z/]+:v?\d+[\w.-]+$", image), name
        assert service["security_opt"] == ["no-new-privileges:true"], name
        assert service["mem_limit"], name
        assert service["restart"] == "unless-stopped", name
        assert service["logging"]["options"] == {"max-size": "10m", "max-file": "5"}, name
        if name != "database":
            assert (service["read_only"], service["cap_drop"]) == (True, ["ALL"]), name
        for text in service.get("environment", {}).items():
            assert "PASSWORD" not in text[0] or text[0].endswith("_FILE"), name


def test_what_the_compose_file_names_is_there_or_is_told_of(compose: Any) -> None:
    told = COMPOSE.read_text(encoding="utf-8").partition("name:")[0]
    for part in compose["configs"].values():
        assert (COMPOSE.parent / part["file"]).exists()
    for name, part in compose["secrets"].items():
        assert part["file"] == f"secrets/{name}"
        assert name in told
    used = {name for service in compose["services"].values() for name in service.get("secrets", [])}
    assert used == set(compose["secrets"])
    volumes = {text.split(":")[0] for service in compose["services"].values() for text in service.get("volumes", [])}
    assert volumes == set(compose["volumes"])
    for name in ("collector-a", "collector-b"):
        assert (COMPOSE.parent / compose["services"][name]["build"]["context"]).resolve() == ROOT
        assert (ROOT / compose["services"][name]["build"]["dockerfile"]).exists()


def test_its_site_file_loads_and_fits_what_the_compose_file_gives(compose: Any) -> None:
    site = load_site(COMPOSE.parent / "site.yaml").site
    collector = compose["services"]["collector-a"]
    given = {f"/run/secrets/{name}" for name in collector["secrets"]}
    assert site.history.shared
    assert {str(site.history.database_file), str(site.web.certificate), str(site.web.key)} == given
    assert any(text.split(":")[1] == str(site.history.archive) for text in collector["volumes"])
    assert {"collector-a", "collector-b"} <= set(site.web.names)
    scraper = compose["services"]["prometheus"]["networks"]["inside"]["ipv4_address"]
    assert site.web.metrics_from == (scraper,)
    scraped = YAML(typ="safe").load((COMPOSE.parent / "prometheus.yml").read_text(encoding="utf-8"))["scrape_configs"][0]
    assert scraped["scheme"] == "https"
    assert scraped["static_configs"] == [{"targets": [f"{name}:{site.web.port}" for name in ("collector-a", "collector-b")]}]
    assert collector["ports"] == [f"{site.web.port}:{site.web.port}"]


def test_promtool_takes_its_scrape_config() -> None:
    command = ["promtool", "check", "config", "--syntax-only", "prometheus.yml"]
    said = subprocess.run(command, cwd=COMPOSE.parent, capture_output=True, text=True, check=False)
    assert said.returncode == 0, said.stderr
