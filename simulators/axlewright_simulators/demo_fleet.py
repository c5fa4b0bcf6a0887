"""The invented haulier's fleet file."""

from __future__ import annotations

from importlib.resources import files

from axlewright_models.spec import FleetSpec, parse_fleet

FLEET_FILE = "harrow-vale.toml"


def demo_fleet_text() -> str:
    """Return the fleet file of the invented haulier as it is packaged."""
    return (files("axlewright_simulators") / "data" / FLEET_FILE).read_text(encoding="utf-8")


def demo_fleet() -> FleetSpec:
    """Return the invented haulier's fleet.

    Examples
    --------
    >>> len(demo_fleet().vehicles)
    14
    """
    return parse_fleet(demo_fleet_text(), FLEET_FILE)
