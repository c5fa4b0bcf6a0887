"""A tandem's usual difference from one season to another."""

from __future__ import annotations

import numpy as np
from known_truth import BEGIN_S, fleet

from axlewright_models.signals import CHANNELS, INDEX
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.tandem import Tandem

MINUTE_S = 60.0
COLD_H, FAULT_H, END_H = 40.0, 44.0, 64.0
SHIFT = 360  # minutes


def a_tandem(late_ambient_cel, late_extra_k=0.0):
    """Return lube (minutes, 2) and ambient temperatures of a truck that drives shift after shift.

    Nothing of it is the detector's: each shift begins cold, drag that thins heats both axles alike, the forward one's
    mesh makes three fifths more heat. From `COLD_H` on the air is another, from `FAULT_H` on the forward axle hotter.
    """
    hour = np.arange(1, round(END_H * 60.0) + 1) / 60.0
    ambient = np.where(hour <= COLD_H, 25.0, late_ambient_cel)
    lube, now = np.zeros((len(hour), 2)), np.zeros(2)
    for step, air in enumerate(ambient):
        if step % SHIFT == 0:
            now = np.full(2, air + 5.0)
        drag_k = 24.0 * np.exp(-0.025 * (now.mean() - 60.0))
        mesh_k = 24.0 * (1.0 + 0.3 * np.sin(2.0 * hour[step])) * np.array([1.6, 1.0])
        now = now + (air + drag_k + mesh_k - now) * MINUTE_S / 2700.0
        lube[step] = now
    lube[:, 0] += np.where(hour > FAULT_H, late_extra_k, 0.0)
    return lube + np.random.default_rng(3).normal(0.0, 0.2, lube.shape), ambient


def told(lube, ambient):
    """Return (code, axle row, hour) of what the detector raises."""
    table, detector, found, suspect = AxleTable.of(fleet()), Tandem(), [], np.zeros(2, dtype=bool)
    state = detector.start(table)
    for minute, (pair, air) in enumerate(zip(lube, ambient, strict=True)):
        values = np.full((2, len(CHANNELS)), np.nan)
        for name, value in (("lube", pair), ("ambient", air), ("speed", 75.0), ("torque", 900.0)):
            values[:, INDEX[name]] = value
        values[:, INDEX["shaft-speed"]] = 1300.0
        time_s = np.full(2, BEGIN_S + (minute + 1) * MINUTE_S)
        batch = Batch(np.arange(2), time_s, values, values, np.full(2, MINUTE_S), suspect)
        state, symptoms = detector.step(state, batch, table)
        suspect = state["level"].any(axis=1)
        found += [(one.code, one.axle, (one.time_s - BEGIN_S) / 3600.0) for one in symptoms if one.active]
    return found


def test_a_difference_learnt_in_the_heat_does_not_bind_in_the_cold():
    lube, ambient = a_tandem(-10.0)
    apart, rise = lube[:, 0] - lube[:, 1], lube.mean(axis=1) - ambient
    warm, cold = slice(round(24.0 * 60.0), round(COLD_H * 60.0)), slice(round((COLD_H + 4.0) * 60.0), None)
    # The case is one: what parts them is the same, and yet as a share of the rise it would be far too little.
    assert abs(apart[cold].mean() - apart[warm].mean()) < 1.0
    assert (apart[warm] / rise[warm]).mean() * rise[cold].mean() - apart[cold].mean() > 2.0
    assert not told(lube, ambient)


def test_an_axle_that_grows_hotter_is_found_in_the_season_it_was_learnt_in():
    found = told(*a_tandem(20.0, 6.0))
    assert {one[:2] for one in found} == {("hotter-than-partner", 0), ("forward-hotter", 0), ("colder-than-partner", 1)}
    assert FAULT_H < found[0][2] < FAULT_H + 10.0


def test_and_in_a_cold_that_it_has_never_seen():
    found = told(*a_tandem(-10.0, 10.0))
    assert {one[:2] for one in found} == {("hotter-than-partner", 0), ("forward-hotter", 0), ("colder-than-partner", 1)}
    assert FAULT_H < found[0][2] < END_H
