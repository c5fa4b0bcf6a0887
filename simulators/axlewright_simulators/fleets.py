"""Large fleets for evaluation: the invented haulier's types many times over, each copy with its own specification.

Written as the TOML text that a fleet file is, so that office and simulator read the same words.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from typing import Any

import numpy as np

from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec, parse_fleet
from axlewright_simulators.climates import CLIMATES
from axlewright_simulators.demo_fleet import demo_fleet_text

# Pinion and ring teeth of each type's axle ratios (2.64 to 3.08 and 3.42 to 4.1); own choice.
TEETH: dict[str, tuple[tuple[int, int], ...]] = {
    "valley-tractor": ((14, 37), (14, 39), (14, 41), (13, 40)),
    "fell-hauler": ((12, 41), (11, 41), (10, 39), (10, 41)),
}
HAULER_SHARE = 0.5  # of the trucks are hill trucks with all sensors


def large_fleet_text(count: int, seed: int, climates: Sequence[str] = tuple(CLIMATES)) -> str:
    """Return the fleet file of `count` trucks, spread evenly over climates; ids are ``climate-0001``.

    Parameters
    ----------
    count : int
        Number of trucks, 1 to 9999.
    seed : int
        Draws axle ratios, tyres, ride heights and lube fills.
    climates : sequence of str
        Names of :data:`axlewright_simulators.climates.CLIMATES`.

    Raises
    ------
    ModelError
        The count is out of range or a climate is unknown.
    """
    unknown = [name for name in climates if name not in CLIMATES]
    if unknown or not climates:
        raise ModelError(f"climates {unknown or climates}: unknown or none; use some of {', '.join(CLIMATES)}")
    if not 1 <= count <= 9999:
        raise ModelError(f"a fleet of {count} trucks cannot be made; use 1 to 9999")
    types = tomllib.loads(demo_fleet_text())["types"]
    random = np.random.default_rng([seed, 51])
    head = demo_fleet_text().partition("[vehicles.")[0]
    for old, new in (("harrow-vale", f"large-{seed}-{count}"), ("Harrow Vale Haulage", "A large invented fleet")):
        head = head.replace(f'"{old}"', f'"{new}"')
    lines = [head]
    for number in range(count):
        climate = climates[number % len(climates)]
        lines += _truck(f"{climate}-{number + 1:04d}", types, random)
    return "\n".join(lines) + "\n"


def large_fleet(count: int, seed: int, climates: Sequence[str] = tuple(CLIMATES)) -> FleetSpec:
    """Return the fleet that :func:`large_fleet_text` writes.

    Examples
    --------
    >>> fleet = large_fleet(8, seed=1, climates=["desert", "arctic"])
    >>> list(fleet.vehicles)[:2], len({truck.drive_axles[0].ratio for truck in fleet.vehicles.values()}) > 2
    (['desert-0001', 'arctic-0002'], True)
    """
    return parse_fleet(large_fleet_text(count, seed, climates), "large fleet")


def _truck(name: str, types: dict[str, Any], random: np.random.Generator) -> list[str]:
    kind = "fell-hauler" if random.random() < HAULER_SHARE else "valley-tractor"
    base = types[kind]
    pinion, ring = TEETH[kind][int(random.integers(len(TEETH[kind])))]
    height = base["suspension"]["ride_height_mm"] + 5.0 * float(random.integers(-4, 5))
    tyre = base["tyre"]["revolutions_per_km"] + float(random.integers(-12, 13))
    lines = [
        f"[vehicles.{name}]",
        f'type = "{kind}"',
        f"tyre.revolutions_per_km = {tyre}",
        f"suspension.ride_height_mm = {height}",
        f"suspension.arm_length_mm = {base['suspension']['arm_length_mm'] * random.uniform(0.92, 1.08):.0f}",
    ]
    slope = float(random.uniform(-0.6, 0.6))  # frames differ a little, and all of their shafts' slopes with them
    shafts = ", ".join(
        f"{{ length_mm = {shaft['length_mm']}, angle_deg = {shaft['angle_deg'] + slope:.1f} }}"
        for shaft in base["driveline"]["shafts"]
    )
    lines.append(f"driveline.shafts = [{shafts}]")
    for axle in base["axles"][1:]:
        fill = axle["lube"]["fill_l"] + 0.5 * float(random.integers(-2, 3))
        lines += [
            f"[[vehicles.{name}.axles]]",
            f"position = {axle['position']}",
            f"pinion_teeth = {pinion}",
            f"ring_teeth = {ring}",
            f"lube.fill_l = {fill}",
        ]
    return lines
