"""The shop facts: every one there, with tolerance, tool, source and cautions, and judged in any unit."""

from __future__ import annotations

import re

import pytest

from axlewright_models.errors import ModelError, UnitError
from axlewright_models.limits import COMMON_PRACTICE
from axlewright_models.shop import CAUTION_SOURCES, CAUTIONS, CHECKS, check
from axlewright_models.units import UNITS, convert

# The figures as the trade states them, in inches; common practice, no published source.
TRADE_IN = {
    "output-bearing-end-play": (0.001, 0.004),
    "seal-seating-gap": (0.0, 0.005),
    "dowel-hole-wall": (0.120, None),
}
# What must be said somewhere in the check's own words.
FACTS = {
    "output-bearing-end-play": ["felt by hand is out of limits", "selective snap ring", "0.025 to 0.102 mm"],
    "seal-seating-gap": ["Feeler gauge", "0.005 in (0.127 mm)"],
    "dowel-hole-wall": ["tapered dowel", "0.120 in (3.05 mm)"],
    "sealant-bead": ["1/4 in (6.4 mm)", "one face only", "oil-free"],
    "sealant-cure": ["8 hours", "gasket and dowels", "no wait"],
    "pinion-nut-torque": ["multiplier", "never an impact wrench"],
    "pinion-nut-new": ["used to draw", "discarded"],
    "yoke-by-hand": ["moves by hand", "replaced"],
    "output-bearings-and-seal": ["Whenever the forward assembly is replaced", "seal of the output shaft"],
    "seal-lip-grease": ["Coloured", "leak path is elsewhere"],
    "ride-height": ["any driveline complaint"],
    "joint-phasing": ["every driveline complaint"],
    "joint-angles": ["every driveline complaint"],
    "vibration-cured": ["ends in a leaking seal"],
}


def text(item):
    return " ".join([item.title, item.how, item.tool, item.limit_text, item.action])


@pytest.mark.parametrize("name", FACTS)
def test_every_shop_fact_is_said_and_marked_common_practice(name):
    item = check(name)
    for words in FACTS[name]:
        assert words in text(item), f"{name} does not say {words!r}"
    assert COMMON_PRACTICE in item.source


@pytest.mark.parametrize("name", TRADE_IN)
def test_limits_equal_the_trades_inches(name):
    low, high = TRADE_IN[name]
    item = check(name)
    assert item.unit == "mm"
    # The trade rounds to whole micrometres.
    assert item.low == (None if low is None else pytest.approx(convert(low, "in", "mm"), abs=5e-4))
    assert item.high == (None if high is None else pytest.approx(convert(high, "in", "mm"), abs=5e-4))


def test_published_limits_name_their_source():
    assert "49 CFR 393.207" in check("air-leakage").source
    assert check("air-leakage").high == pytest.approx(convert(3.0, "psi", "kPa"), abs=0.05)
    assert "TM 5-3810-300-24&P2" in check("tandem-tyre-match").source
    assert check("tandem-tyre-match").high == pytest.approx(convert(0.75, "in", "mm"), abs=1e-6)
    # Seal supplier: offset 0.08 mm (0.003 in), runout 0.13 mm (0.005 in).
    assert (check("seal-bore-offset").high, check("seal-shaft-runout").high) == (0.08, 0.13)


@pytest.mark.parametrize("name", CHECKS)
def test_every_check_is_complete(name):
    item = CHECKS[name]
    assert item.id == name
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name)
    assert all(part.strip() for part in (item.title, item.how, item.tool, item.limit_text, item.source, item.action))
    assert item.measurable == bool(item.unit)
    assert not item.unit or item.unit in UNITS
    assert item.cautions and len(set(item.cautions)) == len(item.cautions)
    assert set(item.cautions) <= set(CAUTIONS)
    assert "maker-data-first" in item.cautions
    assert len(item.caution_texts()) == len(item.cautions)
    if item.low is not None and item.high is not None:
        assert item.low < item.high


def test_dangers_stand_beside_the_work_that_has_them():
    for name in ("ride-height", "height-valve-linkage", "air-leakage", "air-spring-condition"):
        assert "air-suspended-frame" in check(name).cautions
    for name in ("lube-level", "lube-condition", "breather", "leak-path"):
        assert "hot-lube" in check(name).cautions
    for name in ("joint-angles", "driveshaft-balance", "yoke-by-hand", "pinion-nut-torque"):
        assert "rotating-shaft" in check(name).cautions
    for name in ("brake-drag", "wheel-end"):
        assert "spring-brake-energy" in check(name).cautions
    assert "high-torque" in check("pinion-nut-torque").cautions
    assert "heavy-assembly" in check("dowel-hole-wall").cautions


def test_cautions_say_what_kills():
    assert "drop without warning" in CAUTIONS["air-suspended-frame"]
    assert "stored energy" in CAUTIONS["spring-brake-energy"]
    assert "burns" in CAUTIONS["hot-lube"]
    assert "jacks alone" in CAUTIONS["stands-and-chocks"]
    assert "never proves that it is safe" in CAUTIONS["no-remote-proof"]
    assert "come before any number shown here" in CAUTIONS["maker-data-first"]
    assert set(CAUTION_SOURCES) == set(CAUTIONS)
    assert all(CAUTION_SOURCES.values())


@pytest.mark.parametrize(
    ("name", "value", "unit", "verdict"),
    [
        ("output-bearing-end-play", 0.001, "in", "within"),
        ("output-bearing-end-play", 0.004, "in", "within"),
        ("output-bearing-end-play", 0.102, None, "within"),
        ("output-bearing-end-play", 0.0005, "in", "outside"),
        ("output-bearing-end-play", 0.11, "mm", "outside"),
        ("dowel-hole-wall", 3.05, None, "within"),
        ("dowel-hole-wall", 0.119, "in", "outside"),
        ("seal-seating-gap", 0.0, None, "within"),
        ("seal-seating-gap", 0.006, "in", "outside"),
        ("sealant-cure", 8.0, None, "within"),
        ("sealant-cure", 470.0, "min", "outside"),
        ("air-leakage", 2.9, "psi", "within"),
        ("ride-height", -9.0, None, "outside"),
    ],
)
def test_measured_values_are_judged_in_any_unit(name, value, unit, verdict):
    assert check(name).judge(value, unit) == verdict


def test_what_cannot_be_judged_is_refused():
    with pytest.raises(ModelError, match="no numbers to judge by; record a finding"):
        check("breather").judge(1.0)
    with pytest.raises(ModelError, match="was given nan"):
        check("ride-height").judge(float("nan"))
    with pytest.raises(UnitError, match="measures temperature"):
        check("ride-height").judge(20.0, "Cel")
    with pytest.raises(ModelError, match="unknown check 'horn'; use one of ride-height"):
        check("horn")
