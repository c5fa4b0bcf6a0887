"""Which axle, when and how: patterns of heat on axles whose balance is integrated independently."""

from __future__ import annotations

import pytest
from heat_balance import BEGIN_S, CHANGED, PERIOD_S, Axle, readings, watch
from known_truth import fleet

from axlewright_server.detectors.table import AxleTable

SOUND = Axle()
HEAVY = Axle(mass=2.0)
LIGHT = Axle(mass=0.5)
THICK = Axle(drag=1.35, thins=1.9)
THIN = Axle(drag=0.45)
HEATED = Axle(extra_w=900.0)
TRUCKS = {
    "sound": (SOUND, SOUND),
    "heavy": (HEAVY, SOUND),
    "light": (SOUND, LIGHT),
    "thick": (THICK, SOUND),
    "thin": (SOUND, THIN),
    "forward-heated": (HEATED, SOUND),
    "rear-heated": (SOUND, HEATED),
    "both-heated": (HEATED, HEATED),
}
# What the shop touched when the axle became another: the lube itself, on the truck that got thin oil.
SERVICED = {"thin": (1, frozenset({"lube"})), "thick": (0, frozenset({"lube"}))}


@pytest.fixture(scope="module")
def told():
    """Return what was raised after the change, by truck: axle (0 forward, 1 rear) and key, with hours since."""
    names = list(TRUCKS)
    table = AxleTable.of(fleet(len(names)))
    serviced = {2 * names.index(name) + place: touched for name, (place, touched) in SERVICED.items()}
    found = watch(readings(list(TRUCKS.values())), table, serviced)
    changed_s = BEGIN_S + CHANGED * PERIOD_S
    # Nothing was wrong before: whatever is told then is a false alarm.
    assert [symptom for symptom in found if symptom.time_s <= changed_s] == []
    result = {name: {} for name in names}
    for symptom in found:
        if symptom.active:
            entry = result[names[symptom.axle // 2]]
            entry.setdefault((symptom.axle % 2, symptom.key), (symptom.time_s - changed_s) / 3600.0)
    return result


def test_sound_axles_tell_nothing(told):
    assert told["sound"] == {}


def test_twice_the_mass_warms_slowly(told):
    assert (0, "warms-slowly") in told["heavy"]
    assert (0, "warms-fast") not in told["heavy"]


def test_half_the_mass_warms_fast(told):
    assert (1, "warms-fast") in told["light"]
    assert (1, "warms-slowly") not in told["light"]


def test_thick_lube_heats_mostly_while_cold(told):
    assert (0, "heat-at-rest-start") in told["thick"]
    assert (0, "heat-with-torque") not in told["thick"]


def test_thin_lube_leaves_its_axle_colder_and_the_other_as_it_was(told):
    keys = told["thin"]
    assert {(1, "colder-than-partner"), (0, "hotter-than-partner"), (0, "forward-hotter")} <= set(keys)
    # The forward axle reads hotter than the rear one, but it is the rear one that has changed.
    assert (0, "partner-left-model") in keys
    assert (1, "partner-left-model") not in keys
    assert (0, "lube-above-model") not in keys


@pytest.mark.parametrize(("truck", "hot", "role"), [("forward-heated", 0, "forward"), ("rear-heated", 1, "rear")])
def test_the_hotter_axle_is_named_by_its_role(told, truck, hot, role):
    keys = told[truck]
    other = "rear" if role == "forward" else "forward"
    assert {(hot, f"{role}-hotter"), (hot, "hotter-than-partner"), (1 - hot, "colder-than-partner")} <= set(keys)
    assert not {key for _, key in keys} & {f"{other}-hotter"}
    assert (hot, "partner-left-model") not in keys
    # Heat that is there from the first kilometre is told on the same day.
    assert keys[hot, "hotter-than-partner"] < 13.0


def test_heat_in_both_axles_makes_no_difference_between_them(told):
    keys = {key for _, key in told["both-heated"]}
    assert "lube-above-model" in keys
    assert not keys & {"hotter-than-partner", "colder-than-partner", "partner-left-model"}
