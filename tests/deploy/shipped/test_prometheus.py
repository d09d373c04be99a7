"""Scrape config and alert rules: promtool takes them, they fire when they should, and the page has what they ask for."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from ruamel.yaml import YAML

import deploy
from collector.web.metrics import exposition
from config.cautions import CAUTIONS
from config.model import Web
from tests.collector.web import plant
from tests.service.gauge import FakeGauge
from tests.service.test_run import SITE, Child, wait_for

FOLDER = Path(deploy.__file__).parent / "prometheus"
RULES = FOLDER / "tallywire.rules.yml"


def promtool(*arguments: str) -> str:
    if shutil.which("promtool") is None:
        raise RuntimeError("promtool is not installed (Debian: prometheus)")
    said = subprocess.run(["promtool", *arguments], cwd=FOLDER, capture_output=True, text=True, check=False)
    assert said.returncode == 0, said.stdout + said.stderr
    return said.stdout + said.stderr


def read(path: Path) -> Any:
    return YAML(typ="safe").load(path.read_text(encoding="utf-8"))


def sound(page: str) -> None:
    """Raise where promtool finds anything in a page of metrics but that mass is told in kilograms: they are the base unit of the
    SI, promtool would have grams (both: Prometheus documentation, naming of metrics and labels, base units)."""
    said = subprocess.run(["promtool", "check", "metrics"], input=page, capture_output=True, text=True, check=False)
    lines = [line for line in said.stderr.splitlines() if not line.endswith('use base unit "grams" instead of "kilograms"')]
    assert (lines, said.stdout) == ([], "")
    assert said.returncode in (0, 3)


RULE_LIST: list[dict[str, Any]] = [rule for group in read(RULES)["groups"] for rule in group["rules"]]
ASKED = {name for rule in RULE_LIST for name in re.findall(r"tallywire_\w+", rule["expr"])}


@pytest.fixture(scope="module")
def live_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """/metrics of a running service."""
    folder = tmp_path_factory.mktemp("scraped")
    more = "publish: {modbus: {port: 0}}\ndeliveries: {shift: {kind: webhook, url_env: SCRAPED_URL}}\n"
    with FakeGauge(200.0, 201.0) as gauge, pytest.MonkeyPatch.context() as patch:
        patch.setenv("SCRAPED_URL", "http://127.0.0.1:9/")
        site = folder / "site.yaml"
        site.write_text(SITE.format(port=gauge.port) + more)
        child = Child(site, folder / "data")
        try:
            page = child.page()
            wait_for(page, "samples_closed", 2)
            yield httpx.get(f"{page}/metrics", timeout=10, trust_env=False).text
        finally:
            child.end(signal.SIGTERM)


def test_promtool_takes_config_and_rules_and_they_fire_when_they_should() -> None:
    assert "SUCCESS" in promtool("check", "config", "prometheus.yml")
    assert "SUCCESS" in promtool("test", "rules", "tallywire.rules.test.yml")


def test_every_alert_is_in_both_tests() -> None:
    tests = read(FOLDER / "tallywire.rules.test.yml")["tests"]
    names = {rule["alert"] for rule in RULE_LIST}
    assert {item["alertname"] for item in tests[0]["alert_rule_test"]} == names
    fired = " ".join(sample["labels"] for sample in tests[1]["promql_expr_test"][0]["exp_samples"])
    assert set(re.findall(r'alertname="(\w+)"', fired)) == names


def test_the_live_page_is_sound_and_has_every_metric_that_a_rule_asks_for(live_page: str) -> None:
    sound(live_page)
    there = set(re.findall(r"^# TYPE (\w+) ", live_page, re.M))
    assert ASKED - there == set()
    assert len(ASKED) > 10


def test_values_of_labels_in_rules_are_ones_that_the_page_has(live_page: str) -> None:
    for rule in RULE_LIST:
        for name, matchers in re.findall(r"(tallywire_\w+)\{([^}]*)\}", rule["expr"]):
            for label, value in re.findall(r'(\w+)="([^"]*)"', matchers):
                assert re.search(rf'^{name}{{[^}}]*{label}="{value}"', live_page, re.M), (name, label, value)


def test_a_page_with_everything_on_it_is_sound() -> None:
    live = plant.faulty()
    live.published = {"opcua": "opc.tcp://127.0.0.1:4840/tallywire"}
    live.published_to = {"opcua": 2}
    text = exposition(live, plant.MemoryDesk(plant.alert()), "text/plain")[0].decode()
    assert 'tallywire_publish_clients{protocol="opcua"} 2.0' in text
    sound(text)


@pytest.mark.parametrize("rule", RULE_LIST, ids=lambda rule: str(rule["alert"]))
def test_every_alert_says_what_is_wrong_and_what_to_do(rule: dict[str, Any]) -> None:
    said = rule["annotations"]
    assert len(said["summary"]) > 10
    assert len(said["description"]) > 40
    assert rule["labels"]["severity"] in ("warning", "critical")
    if rule["alert"] in ("LoopDiffers", "AlertWaitsForAnybody"):
        assert said["caution"].strip() == " ".join(CAUTIONS)


def test_the_scraper_asks_where_the_page_listens() -> None:
    (job,) = read(FOLDER / "prometheus.yml")["scrape_configs"]
    web = Web()
    assert job["static_configs"] == [{"targets": [f"{web.host}:{web.port}"]}]
