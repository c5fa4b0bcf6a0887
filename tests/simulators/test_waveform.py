"""Raw waveforms against closed forms, a least-squares fit, a bearing table, and their descriptor-level twin."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy import signal

from axlewright_models.bearings import Geometry, defect_orders
from axlewright_models.spec import FleetSpec, VehicleSpec
from axlewright_models.vibration.features import window_features
from axlewright_models.vibration.from_spec import geometry_of, machine_of
from axlewright_simulators import vibration
from axlewright_simulators.parameters import AxleRows, axle_rows
from axlewright_simulators.waveform import Conditions, Drive, Flaw, Recording, record
from axlewright_simulators.waveform_parts import Mode, road, strikes

RATE_HZ = 6400.0
LINES = (
    *(f"wheel-{order}" for order in (1, 2, 3)),
    *(f"driveshaft-{order}" for order in (1, 2, 4)),
    *(f"engine-{order}" for order in ("0.5", "1", "3")),
    *(f"mesh-{order}" for order in (1, 2)),
)
# The bearing of a public data set, with the defect orders published beside it (models' own test names the page).
TABLED = Geometry(9, 0.3126, 1.537)


@pytest.fixture
def truck(fleet: FleetSpec) -> VehicleSpec:
    return fleet.vehicle("hv-101")


@pytest.fixture
def axles(truck: VehicleSpec) -> AxleRows:
    return axle_rows([truck], seed=1)


def alone(axles: AxleRows, line: str, drive: Drive) -> Recording:
    return record(axles, 0, drive, seed=3, conditions=Conditions(only=frozenset({line}), noise=False))


@pytest.mark.parametrize("line", LINES)
def test_a_line_alone_is_as_large_as_its_truth_says(axles: AxleRows, line: str) -> None:
    told = alone(axles, line, Drive.steady(speed_m_s=22.0, seconds=10.0))
    orders = {"wheel": 1.0 / axles.ratio[0], "driveshaft": 1.0, "engine": 1.36, "mesh": axles.pinion_teeth[0]}
    family, _, number = line.rpartition("-")
    # The engine's third order is its firing: half the cylinders of a four-stroke.
    angle = 2.0 * np.pi * orders[family] * float(number) * told.turns
    fit, *_ = np.linalg.lstsq(np.stack([np.cos(angle), np.sin(angle)], axis=1), told.samples[0], rcond=None)
    assert_allclose(np.hypot(*fit), told.true_amplitude(line), rtol=0.04)


def test_the_shaft_turns_as_far_as_the_wheels_travel(axles: AxleRows) -> None:
    told = record(axles, 0, Drive.sweep(40.0 / 3.6, 100.0 / 3.6, 10.0), seed=1)
    travelled_m = 0.5 * (40.0 + 100.0) / 3.6 * 10.0
    assert_allclose(told.turns[-1], travelled_m * 0.313 * axles.ratio[0], rtol=1e-3)
    assert np.all(np.diff(told.turns) > 0.0)


@pytest.mark.parametrize("frequency_hz", [2.0, 40.0, 63.0, 120.0])
def test_a_mode_has_the_gain_of_the_closed_form(frequency_hz: float) -> None:
    closed_form = vibration.amplification(frequency_hz, 63.0, 0.12)
    assert_allclose(Mode(63.0, 0.12).gain(np.array([frequency_hz]), RATE_HZ)[0], closed_form, rtol=0.01)


def test_a_mode_that_the_rate_cannot_hold_lets_everything_through() -> None:
    force = np.random.default_rng(1).standard_normal(100)
    assert_array_equal(Mode(2000.0, 0.5).through(force, 1000.0), force)


@pytest.mark.parametrize("race", ["outer-race", "inner-race", "rolling-element", "cage"])
def test_a_flaw_strikes_at_the_tabled_rhythm(race: str) -> None:
    turns = np.linspace(0.0, 600.0, 600_000)
    blows = strikes(turns, TABLED, race, 1.0, np.random.default_rng(2))
    # Rollers slip a little under 1 %; blows that the load zone hides are still dealt, just softly.
    assert_allclose(np.count_nonzero(blows) / 600.0, defect_orders(TABLED)[race], rtol=0.01)


def test_only_a_flaw_that_is_carried_through_the_load_zone_swells() -> None:
    turns = np.linspace(0.0, 200.0, 400_000)
    spread = {}
    for race in ("outer-race", "inner-race"):
        blows = strikes(turns, TABLED, race, 1.0, np.random.default_rng(2))
        spread[race] = np.std(np.log(blows[blows > 0.0]))
    assert spread["inner-race"] > 2.0 * spread["outer-race"]


def test_the_road_is_as_loud_as_asked_and_as_dense_as_its_twin_believes(axles: AxleRows) -> None:
    speed, seconds = 22.0, 120.0
    noise = road(np.full(int(seconds * RATE_HZ), speed), 0.85 / 22.0, RATE_HZ, np.random.default_rng(4))
    assert_allclose(noise.std(), 0.85, rtol=0.01)
    frequency, density = signal.welch(noise, RATE_HZ, nperseg=int(4.0 * RATE_HZ))
    shape = (1, 1)
    names = set(vibration.VibrationInput.__dataclass_fields__) - {"troubles"}
    given = {name: np.full(shape, 1.0) for name in names}
    given |= {"speed_m_s": np.full(shape, speed), "length_s": np.array([10.0])}
    acts = vibration.VibrationInput(**given)
    for place in (6.0, 10.5, 20.0, 60.0, 200.0):
        near = (frequency > place - 1.0) & (frequency < place + 1.0)
        believed = vibration.road_floor_m_s2(np.full(shape, place), acts) ** 2 / 0.15
        assert_allclose(density[near].mean(), believed.item(), rtol=0.25)


@pytest.mark.parametrize("speed_m_s", [16.0, 24.0])
def test_the_fast_twin_reports_what_an_analysis_of_the_waveform_finds(
    axles: AxleRows, truck: VehicleSpec, speed_m_s: float
) -> None:
    machine = machine_of(truck, 2, 1.36, order_tolerance=0.0)
    found: dict[str, list[float]] = {}
    for seed in range(8):
        told = record(axles, 0, Drive.steady(speed_m_s, 10.0), seed=seed)
        for name, values in window_features(told.samples, RATE_HZ, told.turns, machine).items():
            found.setdefault(name, []).append(float(values[0]))
    twin = vibration.descriptors(axles, acts_of(axles, speed_m_s), np.random.default_rng(1))
    for name in [f"vib/order/{line}" for line in LINES] + ["vib/rms"]:
        # Lines near the road's noise scatter by half of themselves; eight windows pin a median to about a fifth.
        assert_allclose(np.median(found[name]), np.median(twin[name][:, 0]), rtol=0.1, atol=0.035, err_msg=name)


def acts_of(axles: AxleRows, speed_m_s: float) -> vibration.VibrationInput:
    shape = (500, 2)
    values = {name: np.zeros(shape) for name in set(vibration.VibrationInput.__dataclass_fields__) - {"troubles"}}
    usual = {
        "speed_m_s": speed_m_s,
        "moving": 1.0,
        "torque_n_m": 800.0,
        "engine_1_min": speed_m_s * 0.313 * axles.ratio[0] * 1.36 * 60.0,
        "oil_cel": 80.0,
        "roughness": 1.0,
        "revolutions_per_m": 0.313,
        "cylinders": 6.0,
    }
    values |= {name: np.full(shape, value) for name, value in usual.items()}
    return vibration.VibrationInput(**{**values, "length_s": np.full(500, 10.0)})


def test_a_bearing_flaw_shows_at_its_own_line_of_the_envelope(axles: AxleRows, truck: VehicleSpec) -> None:
    machine = machine_of(truck, 2, None, order_tolerance=0.0)
    bearing = truck.axle(2).bearing
    assert bearing is not None
    for race in ("outer-race", "inner-race"):
        conditions = Conditions(flaw=Flaw(race, blow_m_s2=40.0))
        told = record(axles, 0, Drive.steady(22.0, 10.0), seed=5, conditions=conditions, bearing=geometry_of(bearing))
        lines = window_features(told.samples, RATE_HZ, told.turns, machine)
        envelope = {name: float(values[0]) for name, values in lines.items() if name.startswith("vib/envelope/")}
        assert max(envelope, key=lambda name: envelope[name]) == f"vib/envelope/{race}"
        assert lines["vib/kurtosis"][0] > 3.5


def test_a_record_depends_on_its_seed_alone(axles: AxleRows) -> None:
    drive = Drive.steady(20.0, 1.0)
    first, again, other = (record(axles, 0, drive, seed=seed).samples for seed in (1, 1, 2))
    assert_array_equal(first, again)
    assert np.abs(first - other).max() > 0.1


def test_a_clipped_record_never_passes_the_sensors_range(axles: AxleRows) -> None:
    told = record(axles, 0, Drive.steady(24.0, 2.0), seed=1, conditions=Conditions(full_scale_m_s2=2.0))
    assert np.abs(told.samples).max() == 2.0
    assert np.count_nonzero(np.abs(told.samples) == 2.0) > 10


def test_a_loose_sensor_loses_the_low_frequencies_and_rattles(axles: AxleRows) -> None:
    drive = Drive.steady(22.0, 10.0)
    tight, loose = (record(axles, 0, drive, seed=1, conditions=Conditions(loose=loose)) for loose in (False, True))
    low = signal.butter(4, 15.0, fs=RATE_HZ, output="sos")
    share = [signal.sosfilt(low, told.samples[0]).std() / told.samples[0].std() for told in (tight, loose)]
    assert share[1] < 0.3 * share[0]
