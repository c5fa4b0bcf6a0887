"""From raw waveforms of known truth to the named source: driveshaft looseness and bearing defects, healthy ones beside.

Waveforms are written down from the mechanics: sines over shaft angle, half-sine blows at known angles, and ringing
impacts at a bearing's defect orders by the published formulas (:func:`axlewright_models.bearings.defect_orders`, which
tests/models holds against published tables). The truck's own descriptors make channels of them, the detector judges.
"""

from __future__ import annotations

import numpy as np
import pytest
from known_truth import fleet, raised, rows

from axlewright_models.bearings import Geometry, defect_orders, side_band_order
from axlewright_models.orders import Train
from axlewright_models.signals import CHANNELS, INDEX
from axlewright_models.vibration.features import Machine, window_features
from axlewright_server.detectors.base import LINE_CODES
from axlewright_server.detectors.vibration import Vibration
from axlewright_server.kernel import Kernel

RATE_HZ, SECONDS = 5000.0, 3.0
SPEED_KM_H, GEAR = 80.0, 0.75  # a gear in which the engine's lines stand apart from the shaft's
BEARING = Geometry(9, 0.3126, 1.537)
MINUTES, FAULT_MINUTE = 170, 80
CASES = (
    "healthy",
    "healthy too",
    "unbalance",
    "joint angle",
    "worn yoke",
    "centre bearing",
    "outer-race",
    "inner-race",
    "rolling-element",
)
SOURCE = {
    "unbalance": "source-driveshaft-unbalance",
    "joint angle": "source-joint-angle",
    "worn yoke": "source-worn-yoke",
    "centre bearing": "source-centre-bearing",
    "outer-race": "source-bearing",
    "inner-race": "source-bearing",
    "rolling-element": "source-bearing",
}


def ringing(turns, per_turn, carrier_hz, rng, slip=0.005):
    """Return blows of height 1 so many times per turn, each ringing down within some milliseconds."""
    count = int(turns[-1] * per_turn)
    at_turns = (np.arange(count) + slip * rng.standard_normal(count)) / per_turn
    first = np.clip(np.searchsorted(turns, at_turns), 0, turns.size - 1)
    blows = np.bincount(first, minlength=turns.size).astype(float)
    t = np.arange(int(0.012 * RATE_HZ)) / RATE_HZ
    return np.convolve(blows, np.exp(-t / 0.002) * np.sin(2.0 * np.pi * carrier_hz * t))[: turns.size]


def thrown_over(turns):
    """Return half-sine blows of height 1, a tenth of a turn long, twice per turn: play taken up and lost."""
    phase = (turns % 0.5) / 0.1
    return np.where(phase < 1.0, np.sin(np.pi * phase), 0.0)


def waveform(case, turns, rng):
    """Return the acceleration of one window, m/s2."""
    angle = 2.0 * np.pi * turns
    first, second, fourth, more = 0.30, 0.15, 0.06, 0.0
    if case == "unbalance":
        first = 0.90
    elif case == "joint angle":
        second, fourth = 0.45, 0.075
    elif case == "worn yoke":
        first, more = 0.60, 1.5 * thrown_over(turns)
    elif case == "centre bearing":
        # Worn rubber lets the shaft whirl in a smooth orbit and its ring rattle in the bracket.
        first, second, more = 0.90, 0.27, 3.0 * ringing(turns, 1.0, 900.0, rng)
    elif case in ("outer-race", "inner-race", "rolling-element"):
        loaded = 1.0
        if (carried := side_band_order(case, BEARING)) is not None:
            loaded = 0.6 + 0.4 * np.cos(2.0 * np.pi * carried * turns)
        more = 3.0 * loaded * ringing(turns, defect_orders(BEARING)[case], 1400.0, rng)
    lines = first * np.sin(angle) + second * np.sin(2.0 * angle + 1.0) + fourth * np.sin(4.0 * angle + 2.0)
    mesh = 0.3 * np.sin(12.0 * angle) + 0.15 * np.sin(24.0 * angle)
    return lines + mesh + more + 0.5 * np.exp(0.1 * rng.standard_normal()) * rng.standard_normal(turns.size)


@pytest.fixture(scope="module")
def judged():
    """Return by case all symptoms that were raised, and the sources that stand at last."""
    rng = np.random.default_rng(20)
    spec = fleet(len(CASES))
    train = Train(313.0, 41, 12, 6)
    machine = Machine(train, GEAR, BEARING)
    made = np.full((len(CASES), 6 * MINUTES, 3, len(CHANNELS)), np.nan)
    for minute in range(MINUTES):
        speed = SPEED_KM_H + rng.uniform(-1.5, 1.5)
        shaft_hz = speed / 3.6 * train.revolutions_per_km / 1000.0 * train.ratio
        turns = shaft_hz * np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ
        names = [name if minute >= FAULT_MINUTE else "healthy" for name in CASES]
        channels = window_features(np.stack([waveform(name, turns, rng) for name in names]), RATE_HZ, turns, machine)
        steps = slice(6 * minute, 6 * minute + 6)
        for name, value in (("speed", speed), ("torque", 600.0), ("gear", GEAR), ("brake", 0.0), ("parked", 0.0)):
            made[:, steps, 0, INDEX[name]] = value
        for name, values in channels.items():
            made[:, steps, 1, INDEX[name]] = values[:, None]
    # Learnt within the hour, as four days of a truck: twenty minutes the cell, five means of ten minutes the trend.
    detector = Vibration(learning=20, lessons_a_day=1000, trend_minutes=10.0, trend_learning=5)
    kernel = Kernel(spec, [detector])
    result = kernel.run(rows(list(made)))
    ever, at_last = {}, {}
    for number, case in enumerate(CASES):
        ever[case] = [symptom for symptom in raised(result) if kernel.table.vehicle[symptom.axle] == number]
        standing = kernel.standing(int(kernel.table.first[number]))
        at_last[case] = {symptom.key for symptom in standing if symptom.code not in LINE_CODES}
    return ever, at_last


def lines(symptoms):
    return {symptom.channel.rsplit("/", 1)[-1] for symptom in symptoms if symptom.code in LINE_CODES}


@pytest.mark.parametrize("case", ["healthy", "healthy too"])
def test_sound_bearings_and_shafts_are_told_nothing_of(judged, case):
    assert not judged[0][case]


@pytest.mark.parametrize("case", sorted(SOURCE))
def test_each_waveform_is_traced_to_its_source(judged, case):
    # A fault that comes at once may be taken for another in its first half hour, while averages catch up.
    assert judged[1][case] == {SOURCE[case]}


@pytest.mark.parametrize("race", ["outer-race", "inner-race", "rolling-element"])
def test_a_defect_lifts_the_line_at_its_own_order(judged, race):
    assert race in lines(judged[0][race])
    assert not lines(judged[0][race]) & {"driveshaft-1", "driveshaft-2", "wheel-1"}


def test_unbalance_and_joints_lift_their_own_line_and_no_bearing_line(judged):
    for case, line in (("unbalance", "driveshaft-1"), ("joint angle", "driveshaft-2")):
        raised_lines = lines(judged[0][case])
        assert line in raised_lines
        assert not raised_lines & set(defect_orders(BEARING))
