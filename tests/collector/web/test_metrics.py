from __future__ import annotations

from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families as read_openmetrics
from prometheus_client.parser import text_string_to_metric_families as read_text

from checks.finding import Finding
from checks.result import Verdict
from collector.live import LiveState
from collector.web.metrics import exposition
from tests.collector.web import plant
from tests.collector.web.conftest import Serve

EXPECTED = Path(__file__).parent / "metrics.txt"
OPENMETRICS = "application/openmetrics-text; version=1.0.0"


def small() -> LiveState:
    """One loop with a fault, one that was never evaluated, two endpoints."""
    live = plant.faulty()
    live.site = live.site.model_copy(update={"loops": {name: live.site.loops[name] for name in ("TB-07", "TB-08")}})
    live.evaluations = {"TB-07": live.evaluations["TB-07"]}
    live.problems["history"] = "disk full"
    live.counters["polls_joined"] = 2
    return live


def test_exposition_is_as_expected_to_the_byte() -> None:
    body, media_type = exposition(small(), plant.MemoryDesk(plant.alert()), "")
    assert media_type.startswith("text/plain; version=")
    assert body.decode().replace(f'version="{version("tallywire")}"', 'version="X"') == EXPECTED.read_text()


@pytest.mark.parametrize("state", [plant.live, plant.healthy, plant.faulty, plant.stale, plant.lost])
@pytest.mark.parametrize("accept", ["", OPENMETRICS])
def test_every_state_can_be_read_back_in_both_formats(state: object, accept: str) -> None:
    assert callable(state)
    body, media_type = exposition(state(), plant.MemoryDesk(plant.alert()), accept)
    reader = read_openmetrics if accept else read_text
    families = list(reader(body.decode()))
    assert len({family.name for family in families}) == len(families)
    assert ("openmetrics" in media_type) == bool(accept)
    for family in families:
        assert family.documentation
        labelled = [(sample.name, tuple(sorted(sample.labels.items()))) for sample in family.samples]
        assert len(set(labelled)) == len(labelled)


def value(live: LiveState, name: str, **labels: str) -> float | None:
    body, _ = exposition(live, plant.MemoryDesk(), "")
    for family in read_text(body.decode()):
        for sample in family.samples:
            if sample.name == name and labels.items() <= sample.labels.items():
                return float(sample.value)
    return None


def test_deviation_is_a_ratio_of_span() -> None:
    # -41.6 t/h of a span of 420 t/h, by hand: -0.0990476...
    found = value(plant.faulty(), "tallywire_link_deviation_span_ratio", loop="TB-07", link="scaling-block")
    assert found == pytest.approx(-41.6 / 420)


def test_missing_number_is_a_missing_series_never_nan() -> None:
    live = plant.faulty()
    assert value(live, "tallywire_link_deviation_span_ratio", loop="TB-07", link="current") is None
    assert "NaN" not in exposition(live, plant.MemoryDesk(), "")[0].decode()


def test_findings_that_are_over_are_not_counted() -> None:
    def ended(found: Finding) -> Finding:
        return replace(found, end=int(plant.NOW))

    live = plant.faulty()
    assert value(live, "tallywire_findings", loop="TB-07", cause="upper-range") == 1
    evaluation = live.evaluations["TB-07"]
    live.evaluations["TB-07"] = replace(evaluation, findings=tuple(ended(item) for item in evaluation.findings))
    assert value(live, "tallywire_findings", loop="TB-07") is None


def test_one_verdict_is_1_and_the_others_0() -> None:
    found = {item: value(plant.faulty(), "tallywire_loop_verdict", loop="TB-07", verdict=item.value) for item in Verdict}
    assert found == {Verdict.OK: 0, Verdict.SUSPECT: 0, Verdict.FAULT: 1, Verdict.NOT_EVALUATED: 0}


def test_lost_endpoint_is_down() -> None:
    assert value(plant.faulty(), "tallywire_endpoint_up", endpoint="plc") == 1
    assert value(plant.lost(), "tallywire_endpoint_up", endpoint="plc") == 0
    assert value(plant.lost(), "tallywire_endpoint_timeouts_total", endpoint="plc") == 12


async def test_metrics_are_served(serve: Serve) -> None:
    answer = await serve(plant.faulty()).get("/metrics", Accept=OPENMETRICS)
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    assert answer.text.endswith("# EOF\n")
