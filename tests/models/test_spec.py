"""The fleet file: inheritance, limits with their sources, and errors that name the key."""

from __future__ import annotations

import json

import jsonschema
import pytest

from axlewright_models.errors import SpecificationError
from axlewright_models.limits import LIMITS
from axlewright_models.spec import json_schema, load_fleet, parse_fleet

FLEET = """
fleet = "harrow-vale"
name = "Harrow Vale Haulage"

[types.tractor]
title = "6x4 tractor"
tyre.revolutions_per_km = 318
limits.lube_limit_cel = 119.0

[[types.tractor.axles]]
position = 1
role = "steer"

[[types.tractor.axles]]
position = 2
role = "forward-drive"
pinion_teeth = 12
ring_teeth = 41

[[types.tractor.axles]]
position = 3
role = "rear-drive"

[vehicles.hv-101]
type = "tractor"

[vehicles.hv-102]
type = "tractor"
tyre.revolutions_per_km = 325.5
axles = [{ position = 3, ride_height_mm = 236.0 }]
limits.lean_limit_mm = 9.0
"""


def test_a_truck_inherits_from_its_type_and_overrides_key_by_key() -> None:
    fleet = parse_fleet(FLEET)
    plain, special = fleet.vehicle("hv-101"), fleet.vehicle("hv-102")
    assert (plain.tyre.revolutions_per_km, special.tyre.revolutions_per_km) == (318.0, 325.5)
    assert special.limit("lube_limit_cel") == 119.0
    assert (plain.limit("lean_limit_mm"), special.limit("lean_limit_mm")) == (LIMITS["lean_limit_mm"].value, 9.0)
    assert special.axle(3).role == "rear-drive"
    assert (special.ride_height_mm(2), special.ride_height_mm(3)) == (240.0, 236.0)


def test_every_default_limit_names_its_source_and_an_override_says_so() -> None:
    fleet = parse_fleet(FLEET)
    assert all(limit.source for limit in LIMITS.values())
    assert fleet.vehicle("hv-102").limit_source("lean_limit_mm") == "fleet file"
    assert fleet.vehicle("hv-101").limit_source("lean_limit_mm") == LIMITS["lean_limit_mm"].source


def test_the_ratio_is_ring_teeth_over_pinion_teeth() -> None:
    assert parse_fleet(FLEET).vehicle("hv-101").axle(2).ratio == pytest.approx(41 / 12)


def test_the_rolling_radius_closes_the_circle() -> None:
    # 40 CFR 1037.528(h)(5): 0.315657 rev/m, so the radius is 1 / (2 pi 0.315657) = 0.50420 m.
    text = FLEET.replace("revolutions_per_km = 318", "revolutions_per_km = 315.657")
    assert parse_fleet(text).vehicle("hv-101").tyre.rolling_radius_mm == pytest.approx(504.20, abs=0.01)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('fleet = "harrow-vale"', 'fleet = "Harrow Vale"', "fleet: is 'Harrow Vale', must be 1 to 64 of a-z"),
        ('type = "tractor"', 'type = "trctor"', "vehicles.hv-101.type: is 'trctor', must be one of tractor"),
        ("revolutions_per_km = 318", "revolutions_per_km = 3.18", "types.tractor.tyre.revolutions_per_km: Expected"),
        ("revolutions_per_km = 318", 'revolutions_per_km = "318"', "types.tractor.tyre.revolutions_per_km: Expected"),
        ("revolutions_per_km = 318", "revs = 318", "types.tractor.tyre: Object contains unknown field `revs`"),
        ("revolutions_per_km = 318", "revolution_per_km = 318", "; did you mean revolutions_per_km?"),
        ("[types.tractor]", "[typse.tractor]", "typse: unknown key; did you mean types?"),
        ("lean_limit_mm = 9.0", "lean_limit = 9.0", "limits.lean_limit: unknown limit; did you mean lean_limit_mm?"),
        ("lean_limit_mm = 9.0", "lean_limit_mm = -1.0", "vehicles.hv-102.limits.lean_limit_mm: is -1.0, must be above"),
        ("lube_limit_cel = 119.0", "lube_limit_cel = 90.0", "limits.lube_caution_cel: must be below lube_limit_cel"),
        (
            'role = "rear-drive"',
            'role = "rear"',
            "axles[2].role: is 'rear'; use one of 'forward-drive', 'rear-drive', ",
        ),
        ("ring_teeth = 41", "ring_teeth = 41\npinion = 3", "types.tractor.axles[1]: Object contains unknown field"),
        ("[vehicles.hv-101]", "[vehicles.HV_101]", "vehicles.HV_101: is 'HV_101', must be"),
        ("[types.tractor]", "[types.tractor", "not valid TOML"),
        ('name = "Harrow Vale Haulage"', "nmae = 3", "nmae: unknown key"),
    ],
)
def test_a_wrong_key_is_named_with_its_path(old: str, new: str, message: str) -> None:
    assert old in FLEET
    with pytest.raises(SpecificationError) as caught:
        parse_fleet(FLEET.replace(old, new, 1), "fleet.toml")
    assert str(caught.value).startswith("fleet.toml: ")
    assert message in str(caught.value)


def test_two_axles_at_one_position_and_a_truck_without_drive_are_refused() -> None:
    with pytest.raises(SpecificationError, match="at least one axle must be driven"):
        parse_fleet(FLEET.replace('"forward-drive"', '"trailing"').replace('"rear-drive"', '"trailing"'))


def test_a_missing_file_is_said(tmp_path) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(SpecificationError, match="cannot be read"):
        load_fleet(tmp_path / "none.toml")


def test_the_json_schema_accepts_the_file_and_refuses_a_wrong_one() -> None:
    import tomllib

    schema = json.loads(json.dumps(json_schema()))
    validator = jsonschema.Draft202012Validator(schema)
    table = tomllib.loads(FLEET)
    validator.validate(table)
    table["types"]["tractor"]["tyre"]["revolutions_per_km"] = 3
    assert list(validator.iter_errors(table))
