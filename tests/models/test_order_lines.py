"""Amplitudes of known orders, held against signals that are made of them."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models.orders import Train
from axlewright_models.vibration import features, order_lines
from axlewright_models.vibration.angle import turns_from_speed

RATE = 6400.0
SIZE = 64_000
TIME = np.arange(SIZE) / RATE
MACHINE = features.Machine(Train(313.0, 41, 12), gear_ratio=0.73)


def turns_of(begin_hz, end_hz):
    return turns_from_speed([begin_hz, end_hz], [0.0, 10.0], TIME)


def wave(turns, order, amplitude, phase=0.3):
    return amplitude * np.sin(2.0 * np.pi * order * turns + phase)


def root_mean_square_over(turns, amplitude):
    steps = np.gradient(turns)
    return np.sqrt((amplitude**2 * steps).sum() / steps.sum())


class TestNeighbours:
    @pytest.mark.parametrize("bins", [2.0, 2.3, 2.5, 3.7])  # 2 is one resolution line of a Hann window
    @pytest.mark.parametrize("stronger", [1.0, 20.0])
    def test_lines_a_resolution_line_apart_are_kept_apart(self, bins, stronger):
        angle = np.arange(300 * 64) / 64.0
        orders = {"near": 2.0 + 0.37 / 300.0, "beside": 2.0 + (0.37 + bins) / 300.0}
        samples = wave(angle, orders["near"], 1.0) + wave(angle, orders["beside"], stronger, phase=1.9)
        found = order_lines.line_amplitudes(order_lines.AngleRecord(samples[None], 64.0, 0.0), orders)
        # Tolerance: the mirror image at the negative order, 1200 bins away, is not solved for.
        assert_allclose([found["near"][0], found["beside"][0]], [1.0, stronger], rtol=1e-3 * stronger)

    def test_lines_of_one_place_read_their_sum(self):
        angle = np.arange(300 * 64) / 64.0
        orders = {"driveshaft-1": 1.0, "engine-1": 1.0}
        found = order_lines.line_amplitudes(order_lines.AngleRecord(wave(angle, 1.0, 3.0)[None], 64.0, 0.0), orders)
        assert_allclose([found["driveshaft-1"][0], found["engine-1"][0]], 3.0, rtol=1e-3)

    def test_a_fourier_sum_by_pages_is_the_plain_sum(self):
        values = np.random.default_rng(3).standard_normal((2, 1003))
        bins = np.array([0.0, 3.3, 77.25, 400.5])
        plain = values @ np.exp(-2j * np.pi * np.outer(np.arange(1003) / 1003, bins))
        assert_allclose(order_lines._fourier_sums(values, bins), plain, atol=1e-9)


class TestSweep:
    @pytest.mark.parametrize(("begin_hz", "end_hz"), [(11.9, 29.8), (29.8, 11.9)])  # 40 to 100 km/h at a ratio of 3.42
    @pytest.mark.parametrize("name", ["wheel-1", "driveshaft-1", "driveshaft-2", "mesh-1"])
    def test_an_amplitude_that_grows_with_speed_squared_reads_its_root_mean_square(self, begin_hz, end_hz, name):
        orders = {"wheel-1": 12 / 41, "driveshaft-1": 1.0, "driveshaft-2": 2.0, "mesh-1": 12.0}
        turns = turns_of(begin_hz, end_hz)
        amplitude = (np.gradient(turns) * RATE / 20.0) ** 2
        samples = amplitude * np.sin(2.0 * np.pi * orders[name] * turns)
        found = features.window_features(samples, RATE, turns, MACHINE)
        assert_allclose(found[f"vib/order/{name}"], root_mean_square_over(turns, amplitude), rtol=0.05)

    def test_a_resonance_on_the_way_costs_little(self):
        turns = turns_of(11.9, 29.8)
        frequency = 2.0 * np.gradient(turns) * RATE
        gain = 1.0 / (1.0 - (frequency / 42.0) ** 2 + 2j * 0.1 * frequency / 42.0)  # 10 % damping, met half way
        samples = np.abs(gain) * np.sin(4.0 * np.pi * turns + np.angle(gain))
        found = features.window_features(samples, RATE, turns, MACHINE)
        assert_allclose(found["vib/order/driveshaft-2"], root_mean_square_over(turns, np.abs(gain)), rtol=0.1)

    def test_noise_reads_about_alike_in_a_sweep_and_at_constant_speed(self):
        rng = np.random.default_rng(5)
        read = {name: [] for name in ("steady", "sweep")}
        for _ in range(12):
            noise = rng.standard_normal(SIZE)
            for name, ends in (("steady", (20.0, 20.0)), ("sweep", (14.0, 26.0))):
                found = features.window_features(noise, RATE, turns_of(*ends), MACHINE)
                read[name].append([float(found[f"vib/order/{line}"][0]) for line in ("wheel-1", "driveshaft-2")])
        middle = {name: np.median(values) for name, values in read.items()}
        # 24 values scatter by about 15 % in the median; ten stretches unhandled would read three times too much.
        assert 0.5 < middle["sweep"] / middle["steady"] < 1.8


class TestPlace:
    @pytest.mark.parametrize("factor", [0.985, 1.0, 1.012])
    def test_a_worn_tyre_moves_all_lines_alike(self, factor):
        rng = np.random.default_rng(7)
        turns = turns_of(24.0, 24.0)
        samples = 0.5 * rng.standard_normal(SIZE) + sum(wave(turns, order, 0.5) for order in (12 / 41, 1.0, 2.0, 12.0))
        machine = features.Machine(Train(313.0, 41, 12), order_tolerance=0.02)
        found = features.window_features(samples, RATE, turns / factor, machine)
        for name in ("wheel-1", "driveshaft-1", "driveshaft-2", "mesh-1"):
            assert_allclose(found[f"vib/order/{name}"], 0.5, rtol=0.05, err_msg=name)

    def test_a_rounded_gear_ratio_still_finds_the_firing(self):
        turns = turns_of(28.0, 28.0)
        samples = wave(turns, 3 * 0.7304, 1.0)  # the bus says 0.73
        assert_allclose(features.window_features(samples, RATE, turns, MACHINE)["vib/order/engine-3"], 1.0, rtol=0.05)

    def test_silence_has_no_lines(self):
        found = features.window_features(np.zeros(SIZE), RATE, turns_of(20.0, 28.0), MACHINE)
        assert all(found[name][0] == 0.0 for name in ("vib/order/wheel-1", "vib/order/engine-3", "vib/order/mesh-2"))
