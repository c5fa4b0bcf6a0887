"""The time-domain half truck: roads by ISO 8608, known frequencies, and the window-level summaries held against it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal

from axlewright_models.spec import FleetSpec
from axlewright_simulators import half_truck, sensors, suspension
from axlewright_simulators.half_truck import CLASS_MEANS_M3, MEAN_ROUGHNESS_M3, HalfTruck, Valve, heights_over_time
from axlewright_simulators.parameters import truck_rows

STEP_S = 0.002
LOAD_N = suspension.REAR_SHARE * 30_000.0 * 9.80665


def usual(friction_n: float = 1500.0, damping_ratio: float = 0.22) -> HalfTruck:
    sides = suspension.side_loads_n(30_000.0, 0.0, 0.0)
    return HalfTruck.of(LOAD_N, float(suspension.natural_frequency_hz(sides)[0]), damping_ratio, friction_n)


def spread_mm(truck: HalfTruck, roughness_m3: float, speed_m_s: float, seconds: float = 60.0) -> float:
    random = np.random.default_rng(1)
    road = half_truck.road_profile(roughness_m3, seconds * speed_m_s, STEP_S * speed_m_s, random)
    return float(heights_over_time(truck, road - road[0], STEP_S, speed_m_s)[2000:].std(axis=0).mean())


@pytest.mark.parametrize(("name", "published_mm"), [("A", 3.81), ("B", 7.61), ("C", 15.23), ("D", 30.45)])
def test_roads_have_the_rms_of_their_class(name: str, published_mm: float) -> None:
    roads = [
        half_truck.road_profile(CLASS_MEANS_M3[name], 4000.0, 0.1, np.random.default_rng(seed)).std()
        for seed in range(4)
    ]
    assert_allclose(1000.0 * np.mean(roads), published_mm, rtol=0.03)


def test_a_roads_spectrum_falls_with_the_square_of_the_spatial_frequency() -> None:
    road = half_truck.road_profile(64e-6, 20_000.0, 0.1, np.random.default_rng(2))
    spatial, density = signal.welch(road, 10.0, nperseg=8192)
    inside = (spatial > 0.03) & (spatial < 2.0)
    expected = 64e-6 * (spatial[inside] / 0.1) ** -2.0
    assert np.median(density[inside] / expected) == pytest.approx(1.0, abs=0.1)
    slope = np.polyfit(np.log(spatial[inside]), np.log(density[inside]), 1)[0]
    assert slope == pytest.approx(-2.0, abs=0.05)


def test_roads_agree_with_another_library() -> None:
    roadprofile = pytest.importorskip("roadprofile")
    np.random.seed(3)  # noqa: NPY002  # the library draws from numpy's global generator
    theirs = roadprofile.RoadProfile(Gdn0=64e-6).generate(L=1000.0, dx=0.2).profile
    ours = half_truck.road_profile(64e-6, 1000.0, 0.2, np.random.default_rng(3))
    densities = [signal.welch(road, 5.0, nperseg=1000)[1] for road in (theirs, ours)]
    spatial = np.fft.rfftfreq(1000, 0.2)
    inside = (spatial > 0.04) & (spatial < 2.0)
    # Its components have amplitudes sqrt(2 G dn): the same density; its class letters name upper limits, unused here.
    assert np.median(densities[0][inside] / densities[1][inside]) == pytest.approx(1.0, abs=0.25)


def test_a_pushed_body_swings_at_its_bounce_frequency_and_dies_away() -> None:
    truck = HalfTruck.of(LOAD_N, 1.3, damping_ratio=0.05, friction_n=0.0)
    still = np.zeros(5000)
    free = heights_over_time(truck, still, STEP_S, 20.0)
    assert_allclose(free, 0.0, atol=1e-9)
    curb = np.where(np.arange(5000) < 5, 0.0, 0.02)
    pushed = heights_over_time(truck, curb, STEP_S, 20.0)[500:, 0, 0]
    turns = np.flatnonzero(np.diff(np.sign(pushed)) > 0)
    series = 1.0 / (1.0 + truck.stiffness_n_m[0] / truck.tyre_n_m)  # the tyres are springs in series
    assert 1.0 / (np.diff(turns).mean() * STEP_S) == pytest.approx(1.3 * np.sqrt(series), rel=0.01)
    assert np.abs(pushed[-700:]).max() < 0.5 * np.abs(pushed[:700]).max()


def test_the_axles_hop_between_8_and_15_hertz() -> None:
    road = half_truck.road_profile(64e-6, 60.0 * 20.0, STEP_S * 20.0, np.random.default_rng(4))
    heights = heights_over_time(usual(friction_n=0.0, damping_ratio=0.05), road - road[0], STEP_S, 20.0)[:, 0, 0]
    frequency, density = signal.welch(np.diff(heights) / STEP_S, 1.0 / STEP_S, nperseg=4096)
    above = frequency > 4.0
    assert 6.5 < frequency[above][np.argmax(density[above])] < 15.0


def test_travel_grows_with_the_root_of_roughness_and_of_speed_without_friction() -> None:
    # For a linear suspension on a road of w = 2, whose velocity spectrum is white, by theory.
    truck = usual(friction_n=0.0)
    once, rougher, faster = (spread_mm(truck, *given) for given in ((64e-6, 12.0), (256e-6, 12.0), (64e-6, 24.0)))
    assert rougher / once == pytest.approx(2.0, rel=0.02)
    assert faster / once == pytest.approx(np.sqrt(2.0), rel=0.12)


@pytest.mark.parametrize("speed_m_s", [10.0, 16.0, 25.0])
@pytest.mark.parametrize("roughness", [0.9, 1.5])
def test_the_windows_spread_is_that_of_the_time_domain(speed_m_s: float, roughness: float) -> None:
    found = spread_mm(usual(), MEAN_ROUGHNESS_M3 * roughness**2, speed_m_s)
    summary = float(sensors.bounce_mm(np.array(speed_m_s), np.array(roughness)))
    assert summary == pytest.approx(found, rel=0.15)


def test_the_window_model_levels_as_the_time_domain_does(fleet: FleetSpec) -> None:
    trucks = truck_rows([fleet.vehicle("hv-101")], seed=1)
    band = float(trucks.dead_band_mm[0])
    light, heavy = (suspension.side_loads_n(np.array([mass]), 0.0, np.zeros(1)) for mass in (24_000.0, 30_000.0))
    state = suspension.settle(light, np.zeros(1), np.array([20.0]))
    dropped = float(suspension.heights_mm(state, heavy).mean())
    valve = Valve(band, approach_s=suspension.VALVE_TIME_S)
    in_time = heights_over_time(usual(), np.zeros(40_000), STEP_S, 1.0, start_mm=dropped, valve=valve)[:, :, 0].mean(
        axis=1
    )
    acts = suspension.SuspensionInput(heavy, np.zeros(1), np.zeros((1, 2)), np.ones(1), np.array([20.0]), np.zeros(1))
    by_window = []
    for _ in range(40):
        state = suspension.step(state, trucks, acts, np.array([2.0]))
        by_window.append(float(suspension.heights_mm(state, heavy).mean()))
    seconds = np.arange(1, 41) * 2.0
    sampled = in_time[(seconds / STEP_S).astype(int) - 1]
    assert sampled[-1] == pytest.approx(by_window[-1], abs=1.0) and abs(sampled[-1]) < band + 1.0
    # The valve's lag of some seconds is all that lies between them.
    assert np.abs(sampled - np.array(by_window)).max() < 7.0
