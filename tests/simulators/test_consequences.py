"""What a fault sets shaking besides itself: by the same physics as the readings, and told in the truth."""

from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_simulators.batches import BatchOptions, prepare, tables, truth_document
from axlewright_simulators.consequences import LOUD, SHAKING, growth
from axlewright_simulators.troubles import Troubles

SOUND = np.ones((3, 2)), np.zeros((3, 2))


def test_a_sound_axle_has_grown_by_nothing():
    assert_allclose(list(growth(*SOUND, Troubles()).values()), 1.0)


@pytest.mark.parametrize(
    ("source", "fill", "damage", "troubles"),
    [
        ("gear-mesh", 0.45, 0.0, Troubles()),
        ("gear-mesh", 1.0, 0.3, Troubles()),
        ("gear-mesh", 1.0, 0.0, Troubles(wear=0.4)),
        ("worn-yoke", 1.0, 0.0, Troubles(play=0.3)),
        ("bearing", 1.0, 0.0, Troubles(spall=0.1)),
    ],
)
def test_each_source_grows_by_its_own_trouble(source, fill, damage, troubles):
    found = growth(np.full((1, 1), fill), np.full((1, 1), damage), troubles)
    assert found[source][0, 0] > LOUD


def test_a_loose_output_bearing_by_itself_is_no_loud_gear_set():
    assert (growth(*SOUND, Troubles(output=1.0))["gear-mesh"] < LOUD).all()


def events_of(scenario: str, folder: Path) -> tuple[dict, float]:
    options = BatchOptions((4,), (scenario,), climates=("temperate",), window_s=300.0)
    _, groups = prepare(options, folder / "fleet.toml")
    for _ in tables(groups, options):
        pass
    (event,) = msgspec.json.decode(truth_document(groups, finished=True))["events"]
    return event, groups[0].simulator.state.wear.fill.min()


def test_the_truth_tells_that_lube_lost_has_set_the_gears_shaking(tmp_path):
    event, fill = events_of("lube-loss-sudden", tmp_path)
    assert fill < 0.5, "the scenario no longer starves the gears; choose another seed"
    (gears,) = [one for one in event["brought_about"] if one["source"] == "gear-mesh"]
    assert event["onset"] < gears["since"]
    assert {one["source"] for one in event["brought_about"]} <= set(SHAKING)
    assert {one["axle"] for one in event["brought_about"]} == {event["axle"]}


def test_the_truth_of_a_shaft_out_of_balance_tells_of_nothing_else(tmp_path):
    assert "brought_about" not in events_of("driveshaft-unbalance", tmp_path)[0]
