"""Browsing the PLC of the standing terminal: every node gets the role it has in truth, lines that read back, and what fails is told."""

from __future__ import annotations

import asyncio
import json
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from collector.cli import exits
from collector.cli.main import main
from collector.clock import SystemClock
from collector.commissioning.browsing import Browsed, browse
from collector.commissioning.browsing_text import chosen, lines_for, proposed, text
from collector.commissioning.survey import survey
from config.errors import TallywireError
from config.load import parse_site
from config.model import OpcUaEndpoint, Site
from deploy.plant.nodes import NODES
from tests.collector.commissioning.plant import StandingPlant
from tests.collector.sources.wire import TimedProxy

FAST = 50.0
TRUTH = {node.name: node.role for node in NODES}


def without_plc(plant: StandingPlant) -> Any:
    """The site file with the tags of the gauges only."""
    raw = YAML(typ="safe").load(plant.text)
    for loop in raw["loops"].values():
        loop["tags"] = {role: tag for role, tag in loop["tags"].items() if tag["endpoint"] != "plc"}
    return raw


def written(raw: Any) -> str:
    out = StringIO()
    YAML(typ="safe").dump(raw, out)
    return out.getvalue()


@pytest.fixture(scope="module")
def bare(plant: StandingPlant) -> Site:
    return parse_site(written(without_plc(plant)), "terminal.yaml").site


@pytest.fixture(scope="module")
def browsed(bare: Site) -> Browsed:
    return asyncio.run(browse(bare, "plc", SystemClock(), rate=FAST))


def test_every_node_of_the_demo_plc_is_listed_and_gets_the_role_it_has(browsed: Browsed, plant: StandingPlant) -> None:
    told = {
        (offer.variable.path[0], offer.variable.name): (offer.guesses[0].loop, offer.guesses[0].role) if offer.guesses else None
        for offer in browsed.offers
    }
    assert {place: (place[0], TRUTH[place[1]]) for place in told} == told
    assert len(told) == len(plant.terminal.plc_values()["values"])
    assert browsed.offers[0].variable.value == pytest.approx(plant.value("TB-07", "plc_flow"), rel=1e-5)


def test_without_telling_names_flow_raw_counts_and_current_are_found_by_value(bare: Site, plant: StandingPlant) -> None:
    from checks.commissioning.guess import SAME, assigned, guesses
    from collector.commissioning.browsing import candidate_of, known_of

    found = asyncio.run(survey(bare, SystemClock(), rate=FAST, wait_s=0.0))
    known = known_of(bare, found, SystemClock().now())
    anonymous = asyncio.run(browse(bare, "plc", SystemClock(), rate=FAST))
    for place, offer in enumerate(anonymous.offers):
        offer.variable.name, offer.variable.path = f"V{place + 100}", ()
    names = [offer.variable.node.rpartition(";s=")[2] for offer in anonymous.offers]
    mine = assigned([guesses(candidate_of(offer.variable), known) for offer in anonymous.offers])
    told = {name: best[0].role for name, best in zip(names, mine, strict=True) if best}
    near = []
    for loop in bare.loops:
        assert told[f"{loop}/Flow"] == "plc_flow"
        wanted = known[loop].expected["ai_raw"].value
        if abs(plant.value(loop, "ai_raw") - wanted) <= SAME * wanted:
            near.append(loop)
            assert told[f"{loop}/RawInput"] == "ai_raw"
    # a belt whose load moves shows its ends apart; one of three is steady at any moment of the terminal that is held here
    assert near


def test_the_lines_make_a_site_in_which_the_survey_finds_nothing_wrong(browsed: Browsed, plant: StandingPlant) -> None:
    piece: Any = YAML(typ="safe").load(lines_for(browsed, proposed(browsed)))
    raw = without_plc(plant)
    for loop, part in piece["loops"].items():
        raw["loops"][loop]["tags"] |= part["tags"]
    site = parse_site(written(raw), "terminal.yaml").site
    assert "plc_range_high" in site.loops["TB-07"].tags
    found = asyncio.run(survey(site, SystemClock(), rate=FAST, wait_s=0.0))
    assert [f"{item.loop} {item.role}: {item.odd}" for item in found.odd] == []
    values = {(item.loop, item.role): item.value for item in found.tags}
    for place in (
        ("TB-07", "plc_flow"),
        ("TB-08", "plc_flow"),
        ("TB-08", "plc_total"),
        ("TB-09", "plc_flow"),
        ("TB-08", "plc_range_high"),
    ):
        assert values[place] == pytest.approx(plant.value(*place), rel=1e-5), place


def test_what_the_site_file_has_already_is_told_by_index_as_by_uri(plant: StandingPlant) -> None:
    found = asyncio.run(browse(plant.site, "plc", SystemClock(), rate=FAST, under="ns=2;s=TB-07"))
    declared = {offer.variable.name: offer.declared for offer in found.offers}
    assert declared["Flow"] == ("TB-07", "plc_flow")
    assert "is TB-07 plc_flow in the site file" in text(found, now=0.0, rate=FAST)
    assert {offer.guesses[0].role for offer in found.offers if offer.guesses} <= set(TRUTH.values()) - {"plc_flow", "ai_raw"}


def test_text_fits_80_columns_and_shows_node_unit_range_and_reason(browsed: Browsed) -> None:
    said = text(browsed, now=0.0, rate=2.0)
    assert max(map(len, said.splitlines())) <= 80
    flat = " ".join(said.split())
    assert "range 0 to 420" in flat
    assert "nsu=urn:invented:potash-terminal:plc;s=TB-07/Flow" in flat
    assert (
        "could be TB-07 plc_flow: mass flow after the PLC scaling block by name, unit t/h, range as declared, value as expected"
        in flat
    )
    assert "nothing was written" in flat


@pytest.mark.parametrize(
    ("words", "roles"),
    [
        ("1", [("TB-07", "plc_flow")]), ("1-2, 4", [("TB-07", "plc_flow"), ("TB-07", "ai_raw"), ("TB-07", "plc_total")]),
        ("1=plc_total", [("TB-07", "plc_total")]), ("1=TB-08:ai_raw", [("TB-08", "ai_raw")]), ("", []),
    ],
)  # fmt: skip
def test_numbers_choose(browsed: Browsed, bare: Site, words: str, roles: list[tuple[str, str]]) -> None:
    assert [choice[1:] for choice in chosen(words, browsed, bare)] == roles


@pytest.mark.parametrize(("words", "says"), [("0", "no number"), ("1-99", "no number"), ("x", "no number"), ("1=flux", "no role"),
    ("1=TB-99:flow", "which loop"), ("1 1", "twice")])  # fmt: skip
def test_what_cannot_be_chosen_is_one_message(browsed: Browsed, bare: Site, words: str, says: str) -> None:
    with pytest.raises(TallywireError, match=says) as caught:
        chosen(words, browsed, bare)
    assert caught.value.fix


def test_command_prints_the_proposals_or_writes_the_chosen_to_a_new_file(
    plant: StandingPlant, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, out, saved = tmp_path / "site.yaml", tmp_path / "tags.yaml", tmp_path / "browse.json"
    file.write_text(written(without_plc(plant)), encoding="utf-8")
    fast = ["survey", str(file), "--browse", "--rate", "50", "--loop", "TB-07", "--under", "ns=2;s=TB-07"]
    assert main([*fast, "--json", str(saved)]) == exits.NO_FINDING
    said = capsys.readouterr().out
    assert "      plc_flow: {endpoint: plc," in said
    assert max(map(len, said.splitlines())) <= 80
    assert len(json.loads(saved.read_text(encoding="utf-8"))["variables"]) == 15
    assert main([*fast, "--choose", "1,3", "--write", str(out)]) == exits.NO_FINDING
    tags: Any = YAML(typ="safe").load(out.read_text(encoding="utf-8"))
    assert {"plc_flow", "plc_range_low", "plc_range_high", "plc_unit", "loop_current"} == set(tags["loops"]["TB-07"]["tags"])
    capsys.readouterr()
    assert main([*fast, "--choose", "1", "--write", str(out)]) == exits.BAD_INPUT
    assert "not overwritten" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--browse", "--endpoint", "gauge-TB-07"], "no OPC UA endpoint"), (["--browse", "--scan", "0-9"], "one thing at a time"),
        (["--browse", "--under", "nonsense"], "no node id"),
    ],
)  # fmt: skip
def test_bad_options_are_one_message(
    plant: StandingPlant, options: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "site.yaml"
    file.write_text(plant.text, encoding="utf-8")
    assert main(["survey", str(file), "--rate", "50", "--loop", "TB-07", *options]) == exits.BAD_INPUT
    assert says in capsys.readouterr().err


def _moved(site: Site, port: int, timeout: float) -> Site:
    plc = site.endpoints["plc"]
    assert isinstance(plc, OpcUaEndpoint)
    url = f"opc.tcp://127.0.0.1:{port}/plc"
    moved = plc.model_copy(update={"url": url, "timeout": timeout})
    return site.model_copy(
        update={"endpoints": {"plc": moved}, "loops": {"TB-07": site.loops["TB-07"].model_copy(update={"tags": {}})}}
    )


def _port_of(site: Site) -> int:
    plc = site.endpoints["plc"]
    assert isinstance(plc, OpcUaEndpoint)
    return int(plc.url.rpartition(":")[2].partition("/")[0])


@pytest.mark.parametrize("trouble", ["silent", "garbled", "refused"])
async def test_a_server_that_fails_is_one_message(bare: Site, trouble: str) -> None:
    async with TimedProxy(_port_of(bare)) as proxy:
        if trouble == "silent":
            proxy.silent()
        elif trouble == "garbled":
            proxy.garble(lambda piece: bytes(len(piece)))
        else:
            await proxy.refuse()
        with pytest.raises(TallywireError, match="plc cannot be browsed") as caught:
            await browse(_moved(bare, proxy.port, 0.5), "plc", SystemClock(), rate=FAST)
    assert caught.value.fix


async def test_a_server_that_cuts_on_the_way_leaves_what_was_found(bare: Site) -> None:
    async with TimedProxy(_port_of(bare)) as proxy:

        def progress(seen: int, requests: int, where: str) -> None:
            if where.startswith("values"):
                proxy.cut()

        found = await browse(_moved(bare, proxy.port, 2.0), "plc", SystemClock(), rate=FAST, progress=progress)
    assert found.space.cut.startswith("plc failed on the way")
    assert len(found.offers) > 30
