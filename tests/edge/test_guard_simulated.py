"""The guard on simulated trucks, whose physics knows nothing of its rules; seeds that were not looked at before."""

from __future__ import annotations

import numpy as np
import pytest

from axlewright_edge.guard import QUIET, Guard
from axlewright_models.guard_limits import guard_limits
from axlewright_simulators.demo_fleet import demo_fleet
from axlewright_simulators.faults import Fault
from axlewright_simulators.fleet import FleetSimulator
from axlewright_simulators.source import windows_of

FLEET = demo_fleet()
ANCHOR_S = 1.78e9
WINDOW_S = 10.0


def spoken(vehicle: str, faults: list[Fault], hours: float, seed: int) -> list[tuple[float, int, str, float]]:
    """Return (minutes after the anchor, axle, word, lube) of every window in which the guard spoke."""
    limits = {entry.axle: entry for entry in guard_limits(FLEET.fleet, FLEET.vehicle(vehicle)).axles}
    guard = Guard(limits.get)
    simulator = FleetSimulator(
        FLEET, seed=seed, anchor_s=ANCHOR_S, begin_s=ANCHOR_S - 1200.0, vehicles=[vehicle], faults=faults
    )
    edges = simulator.time_s + WINDOW_S * np.arange(round((1200.0 + 3600.0 * hours) / WINDOW_S) + 1)
    found = []
    for window in windows_of(simulator.advance(edges), simulator, vehicle):
        for axle, word in guard.watch(window).items():
            if word != QUIET:
                found.append(((window.time_s - ANCHOR_S) / 60.0, axle, word, window.axles[axle].get("lube", np.nan)))
    return found


@pytest.mark.parametrize("vehicle", ["hv-101", "hv-203"])
def test_an_axle_that_empties_within_minutes_is_spoken_of_and_no_other(vehicle: str) -> None:
    said = spoken(vehicle, [Fault("lube-loss", vehicle, ANCHOR_S, severity=4.0, axle=3)], 1.5, seed=9001)
    assert said, "the guard said nothing"
    assert {axle for _, axle, _, _ in said} == {3}
    # A full sump takes a quarter of an hour of driving to empty.
    assert said[0][0] < 60.0
    assert said[0][3] < 140.0


def test_a_burst_bellows_is_spoken_of_within_minutes() -> None:
    said = spoken("hv-104", [Fault("air-leak", "hv-104", ANCHOR_S, severity=90.0, side="left")], 0.5, seed=9002)
    assert said
    assert {word for _, _, word, _ in said} == {"height-loss"}
    assert said[0][0] < 5.0


@pytest.mark.parametrize(
    "fault",
    [
        Fault("mountain-pull", "hv-203", ANCHOR_S, severity=0.06, end_s=ANCHOR_S + 2400.0),
        Fault("lowered", "hv-203", ANCHOR_S + 300.0, severity=-60.0, end_s=ANCHOR_S + 1200.0),
    ],
    ids=lambda fault: fault.kind,
)
def test_what_is_harmless_is_not_spoken_of(fault: Fault) -> None:
    assert spoken("hv-203", [fault], 1.5, seed=9003) == []
