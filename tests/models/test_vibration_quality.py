"""Doubts of a window, each shown both ways: a sound signal that must pass and a bad one that must not."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal

from axlewright_models.orders import Train
from axlewright_models.vibration import features, quality

RATE = 6400.0
SIZE = 64_000
TIME = np.arange(SIZE) / RATE
TURNS = 25.0 * TIME
MACHINE = features.Machine(Train(313.0, 41, 12), gear_ratio=0.73)


@pytest.fixture
def rng():
    return np.random.default_rng(11)


def on_the_axle(rng):
    """Wheel hop at 11 Hz, coloured road noise, one order: what an axle feels, roughly."""
    numerator, denominator = signal.iirpeak(11.0, 2.0, fs=RATE)
    hop = 30.0 * signal.lfilter(numerator, denominator, rng.standard_normal(SIZE))
    grain = signal.lfilter([0.1], [1.0, -0.9], rng.standard_normal(SIZE))
    return hop + grain + 0.5 * np.sin(4.0 * np.pi * TURNS)


def doubts(samples, turns=TURNS, full_scale=None):
    return int(features.window_features(samples, RATE, turns, MACHINE, full_scale)["vib/quality"][0])


class TestClipped:
    def test_a_sound_signal_is_not(self, rng):
        assert doubts(on_the_axle(rng)) == 0
        assert doubts(on_the_axle(rng), full_scale=500.0) == 0

    def test_a_pure_sine_with_its_flat_peaks_is_not(self):
        assert not quality.clipped(np.sin(2.0 * np.pi * 33.3 * TIME)[np.newaxis], None)[0]

    def test_a_signal_that_meets_the_end_of_the_range_is(self, rng):
        samples = on_the_axle(rng)
        end = 0.8 * np.abs(samples).max()
        assert doubts(np.clip(samples, -end, end), full_scale=end) == quality.CLIPPED

    def test_a_signal_cut_off_is_seen_without_knowing_the_range(self, rng):
        samples = on_the_axle(rng)
        end = np.quantile(np.abs(samples), 0.999)
        assert doubts(np.clip(samples, -end, end)) == quality.CLIPPED
        assert doubts(9.81 + np.clip(samples, -200.0, end)) == quality.CLIPPED  # one side only, gravity beside it

    def test_a_still_sensor_of_coarse_steps_is_not(self, rng):
        assert not quality.clipped(np.round(rng.standard_normal((1, SIZE)) * 0.4), None)[0]


class TestMissing:
    def test_a_straight_line_bridges_a_gap(self):
        filled, missing = quality.fill_gaps([[1.0, np.nan, np.inf, 4.0], [1.0, 2.0, 3.0, 4.0]])
        assert_allclose(filled, [[1.0, 2.0, 3.0, 4.0]] * 2)
        assert_allclose(missing, [0.5, 0.0])

    def test_short_gaps_leave_the_orders_usable(self, rng):
        whole = on_the_axle(rng)
        torn = whole.copy()
        for start in rng.integers(0, SIZE - 40, 30):  # 30 gaps of 6 ms: at most 1.9 % of the window
            torn[start : start + 40] = np.nan
        before, after = (features.window_features(samples, RATE, TURNS, MACHINE) for samples in (whole, torn))
        assert after["vib/quality"][0] == 0.0
        assert_allclose(after["vib/order/driveshaft-2"], before["vib/order/driveshaft-2"], rtol=0.05)
        assert_allclose(after["vib/rms"], before["vib/rms"], rtol=0.02)
        assert_allclose(after["vib/velocity"], before["vib/velocity"], rtol=0.05)

    def test_a_long_gap_makes_the_window_unusable(self, rng):
        samples = on_the_axle(rng)
        samples[20_000:22_000] = np.nan
        found = features.window_features(samples, RATE, TURNS, MACHINE)
        assert int(found["vib/quality"][0]) == quality.SAMPLES_MISSING
        assert np.isnan(found["vib/order/driveshaft-2"][0])

    def test_a_sensor_that_gave_nothing_is_told(self):
        found = features.window_features(np.full(SIZE, np.nan), RATE, TURNS, MACHINE)
        assert int(found["vib/quality"][0]) == quality.SAMPLES_MISSING
        assert np.isnan(found["vib/rms"][0])


class TestSpeedChanged:
    @pytest.mark.parametrize(
        ("begin_hz", "end_hz", "told"), [(25.0, 25.0, False), (12.0, 30.0, False), (5.0, 30.0, True)]
    )
    def test_only_a_sweep_too_wide_is_told(self, begin_hz, end_hz, told):
        assert quality.speed_changed(begin_hz * TIME + 0.05 * (end_hz - begin_hz) * TIME**2) is told

    def test_a_truck_that_stops_within_the_window_is_told(self):
        assert quality.speed_changed(np.minimum(25.0 * TIME, 100.0))

    def test_a_parked_truck_is_not(self):
        assert not quality.speed_changed(np.zeros(SIZE))


class TestLoose:
    def test_a_dead_wire_is_told_while_driving_only(self, rng):
        hiss = 0.01 * rng.standard_normal(SIZE)
        assert doubts(hiss) == quality.SENSOR_LOOSE
        assert doubts(hiss, np.zeros(SIZE)) == 0

    def test_drift_that_outweighs_the_road_is_told(self, rng):
        drift = np.cumsum(rng.standard_normal(SIZE))
        drift *= 30.0 / drift.std()
        assert doubts(on_the_axle(rng) + drift) == quality.SENSOR_LOOSE
        assert doubts(on_the_axle(rng) + 0.01 * drift) == 0

    def test_a_rattle_that_drowns_the_road_is_told(self, rng):
        decay = np.exp(-300.0 * TIME[:200]) * np.sin(2.0 * np.pi * 1900.0 * TIME[:200])
        blows = np.zeros(SIZE)
        blows[rng.integers(0, SIZE - 200, 60)] = 400.0
        rattle = signal.oaconvolve(blows, decay)[:SIZE]
        assert doubts(0.1 * on_the_axle(rng) + rattle) == quality.SENSOR_LOOSE

    def test_a_bearing_that_strikes_hard_on_a_sound_mount_is_not(self, rng):
        decay = np.exp(-300.0 * TIME[:200]) * np.sin(2.0 * np.pi * 1900.0 * TIME[:200])
        blows = np.zeros(SIZE)
        blows[:: int(RATE / (7.2 * 25.0))] = 8.0
        assert doubts(on_the_axle(rng) + signal.oaconvolve(blows, decay)[:SIZE]) == 0


class TestSumming:
    def test_velocity_of_a_sine_is_its_closed_form_in_mm_s(self):
        # 2 m/s2 at 80 Hz: 2 / (2 pi 80) / sqrt(2) m/s = 2.813 mm/s; what lies at 5 and at 1500 Hz is outside the band.
        samples = sum(2.0 * np.sin(2.0 * np.pi * hz * TIME) for hz in (5.0, 80.0, 1500.0))
        found = features.window_features(samples, RATE, TURNS, MACHINE)
        assert_allclose(found["vib/velocity"], 2813.48 / 1000.0, rtol=1e-4)

    def test_gravity_is_in_none_of_them(self, rng):
        samples = on_the_axle(rng)
        plain, upright = (features.window_features(one, RATE, TURNS, MACHINE) for one in (samples, samples + 9.81))
        for name in ("vib/rms", "vib/crest", "vib/velocity", "vib/kurtosis", "vib/order/driveshaft-2"):
            assert_allclose(upright[name], plain[name], rtol=1e-6, err_msg=name)

    def test_single_precision_tells_the_same(self, rng):
        samples = on_the_axle(rng)
        double = features.window_features(samples, RATE, TURNS, MACHINE)
        single = features.window_features(samples.astype(np.float32), RATE, TURNS, MACHINE)
        for name, value in double.items():
            # The faintest lines lie a thousand times below the hop, where single precision still has four digits.
            assert_allclose(single[name], value, rtol=1e-3, err_msg=name)
