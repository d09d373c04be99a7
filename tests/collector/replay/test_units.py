"""A unit in the name of a column holds over what the site file declares.

Factors from outside: a short ton is 2000 lb of 0.453 592 37 kg (NIST SP 811, appendix B.8).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from checks.samples import Samples, join
from collector.replay.importer import open_recording
from collector.replay.many import lanes_of
from collector.replay.units import split_unit, with_unit
from config.errors import DataFileError
from config.model import RecordedTag, Site
from tests.collector.replay.sites import loop, two_loops

SHORT_TON_KG = 2000 * 0.45359237
TAGS: dict[str, dict[str, object]] = {
    "flow": {"measured_in": "kg/s"},
    "plc_flow": {"measured_in": "short_ton/h", "scale": 10.0, "offset": 3.0},
}
SITE = Site.model_validate({"schema": 1, "site": "terminal", "loops": {"TB-07": loop(TAGS)}})


def written(folder: Path, header: str, name: str = "data.csv") -> Path:
    path = folder / name
    path.write_text(header + "\n" + "".join(f"{1_800_000_000 + n},{200 + n},{100 + n}\n" for n in range(5)), encoding="utf-8")
    return path


def read(path: Path, site: Site = SITE) -> tuple[Samples, Site]:
    recording = open_recording(site, path)
    return join([batch.samples["TB-07"] for batch in recording.batches() if "TB-07" in batch.samples]), recording.site


def test_unit_in_the_name_is_the_unit_of_the_numbers(tmp_path: Path) -> None:
    samples, _ = read(written(tmp_path, "time,TB-07.flow [t/h],TB-07.plc_flow [short_ton/h]"))
    assert np.array_equal(samples.values["flow"], 200.0 + np.arange(5))
    assert np.allclose(samples.values["plc_flow"], (100.0 + np.arange(5)) * SHORT_TON_KG / 1000.0, rtol=1e-12)


def test_without_a_unit_the_site_file_says_what_the_numbers_are(tmp_path: Path) -> None:
    samples, _ = read(written(tmp_path, "time,TB-07.flow,TB-07.plc_flow"))
    assert np.allclose(samples.values["flow"], 3.6 * (200.0 + np.arange(5)), rtol=1e-12)
    assert np.allclose(samples.values["plc_flow"], (10.0 * (100.0 + np.arange(5)) + 3.0) * SHORT_TON_KG / 1000.0, rtol=1e-12)


def test_what_the_site_file_declares_stays_for_the_checks(tmp_path: Path) -> None:
    _, site = read(written(tmp_path, "time,TB-07.flow [t/h],TB-07.plc_flow [t/h]"))
    tag = site.loops["TB-07"].tags["plc_flow"]
    assert isinstance(tag, RecordedTag)
    assert (tag.measured_in, tag.scale) == ("short_ton/h", 10.0)


def test_files_of_one_tag_each_may_say_their_unit(tmp_path: Path) -> None:
    paths = []
    for role, unit in (("flow", "kg/s"), ("plc_flow", "t/h")):
        path = tmp_path / f"{role}.csv"
        path.write_text(
            f"time,TB-07.{role} [{unit}]\n" + "".join(f"{1_800_000_000 + n},36\n" for n in range(5)), encoding="utf-8"
        )
        paths.append(path)
    found = lanes_of(two_loops(), paths, {}, tmp_path)
    samples = join([part.samples for part in found.source.parts(found.site, "TB-07", 0)])
    assert np.allclose(samples.values["flow"], 129.6)
    assert np.array_equal(samples.values["plc_flow"], np.full(5, 36.0))


@pytest.mark.parametrize(
    ("header", "says", "fix"),
    [
        ("time,TB-07.flow [kg],TB-07.plc_flow", "unit of the column 'TB-07.flow [kg]'", "a unit of t/h"),
        ("time,TB-07.flow [ton/h],TB-07.plc_flow", "unit of the column", "a unit of t/h"),
        ("time,TB-07.flow [t/h],TB-07.flow", "more than once", "rename"),
    ],
)
def test_unit_that_does_not_fit_is_refused_with_the_column(tmp_path: Path, header: str, says: str, fix: str) -> None:
    with pytest.raises(DataFileError, match=says.replace("[", r"\[").replace("]", r"\]")) as caught:
        read(written(tmp_path, header))
    assert fix in caught.value.fix


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("TB-07.flow [t/h]", ("TB-07.flow", "t/h")),
        (" TB-07.flow[t/h] ", ("TB-07.flow", "t/h")),
        ("TB-07.flow", ("TB-07.flow", "")),
        ("[t/h]", ("[t/h]", "")),
        ("a [b] [c]", ("a [b] [c]", "")),
    ],
)
def test_name_is_split_from_its_unit(name: str, parts: tuple[str, str]) -> None:
    assert split_unit(name) == parts


def test_names_that_are_written_are_read() -> None:
    assert split_unit(with_unit("TB-07", "flow")) == ("TB-07.flow", "t/h")
    assert split_unit(with_unit("TB-07", "gauge_status")) == ("TB-07.gauge_status", "1")
