"""What the truck makes of the simulators' raw waveforms, held against their known truth."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_edge.features import Waveform, waveform_features
from axlewright_models.orders import coincidences, source_orders
from axlewright_models.vibration import quality
from axlewright_models.vibration.from_spec import geometry_of, train_of
from axlewright_simulators.demo_fleet import demo_fleet
from axlewright_simulators.parameters import axle_rows
from axlewright_simulators.waveform import Conditions, Drive, Flaw, record

VEHICLE = demo_fleet().vehicle("hv-101")
AXLES = axle_rows([VEHICLE], seed=1)
GEAR = 1.36
LINES = (
    "wheel-1", "wheel-2", "wheel-3", "driveshaft-1", "driveshaft-2", "driveshaft-4",
    "engine-0.5", "engine-1", "engine-3", "mesh-1", "mesh-2",
)  # fmt: skip
STEADY = Drive.steady(22.0, 10.0, gear_ratio=GEAR)
SWEEP = Drive.sweep(40.0 / 3.6, 100.0 / 3.6, 10.0, gear_ratio=GEAR)


def recorded(drive, seed, sensors=1, **conditions):
    return record(
        AXLES, 0, drive, seed=seed, sensors=sensors, conditions=Conditions(**conditions),
        revolutions_per_m=VEHICLE.tyre.revolutions_per_km / 1000.0,
    )  # fmt: skip


def told(recording, **others):
    waveform = Waveform(
        VEHICLE.drive_axles[0].position, recording.rate_hz, recording.samples.astype(np.float32), 0.0,
        recording.turns, gear_ratio=GEAR, **others,
    )  # fmt: skip
    return waveform_features(waveform, VEHICLE)


class TestEachSourceAlone:
    @pytest.mark.parametrize("line", LINES)
    @pytest.mark.parametrize("seed", [41, 42])
    def test_at_constant_speed_within_5_percent(self, line, seed):
        recording = recorded(STEADY, seed, only=frozenset([line]), noise=False)
        assert_allclose(told(recording)[f"vib/order/{line}"], recording.true_amplitude(line), rtol=0.05)

    @pytest.mark.parametrize("line", LINES)
    @pytest.mark.parametrize("seed", [41, 42])
    def test_in_a_sweep_of_40_to_100_km_h_within_10_percent(self, line, seed):
        recording = recorded(SWEEP, seed, only=frozenset([line]), noise=False)
        assert_allclose(told(recording)[f"vib/order/{line}"], recording.true_amplitude(line), rtol=0.10)


def test_all_sources_together_each_read_their_own_amplitude():
    recording = recorded(STEADY, 43, noise=False)
    channels = told(recording)
    train = train_of(VEHICLE, VEHICLE.drive_axles[0].position)
    # Two bins of the record, in turns of the wheel. In this gear the second wheel order meets the camshaft's.
    hidden = {name for group in coincidences(source_orders(train, GEAR), 2.0 * train.ratio / recording.turns[-1])
              for name in group}  # fmt: skip
    assert hidden == {"wheel-2", "engine-0.5"}
    for line in set(LINES) - hidden:
        assert_allclose(channels[f"vib/order/{line}"], recording.true_amplitude(line), rtol=0.05, err_msg=line)


def test_turns_from_road_speed_and_a_worn_tyre_find_the_strong_lines():
    recording = recorded(STEADY, 44)
    waveform = Waveform(
        2, recording.rate_hz, recording.samples.astype(np.float32), 0.0, 0.988 * recording.turns, 0.02, GEAR
    )
    channels = waveform_features(waveform, VEHICLE)
    assert_allclose(channels["vib/order/mesh-1"], recording.true_amplitude("mesh-1"), rtol=0.05)
    assert_allclose(channels["vib/order/mesh-2"], recording.true_amplitude("mesh-2"), rtol=0.10)


class TestDoubts:
    @pytest.mark.parametrize("seed", range(50, 56))
    @pytest.mark.parametrize("drive", [STEADY, SWEEP], ids=["steady", "sweep"])
    def test_a_sound_sensor_raises_none(self, seed, drive):
        assert told(recorded(drive, seed, sensors=3))["vib/quality"] == 0.0

    @pytest.mark.parametrize("seed", range(70, 82))
    def test_a_loose_sensor_is_told(self, seed):
        assert told(recorded(STEADY, seed, loose=True))["vib/quality"] == quality.SENSOR_LOOSE

    @pytest.mark.parametrize("blow_m_s2", [3.0, 30.0, 100.0])
    @pytest.mark.parametrize("race", ["outer-race", "cage"])
    def test_a_bearing_that_strikes_is_no_loose_sensor(self, race, blow_m_s2):
        bearing = VEHICLE.drive_axles[0].bearing
        recording = record(
            AXLES, 0, STEADY, seed=61, conditions=Conditions(flaw=Flaw(race, blow_m_s2)), bearing=geometry_of(bearing),
            revolutions_per_m=VEHICLE.tyre.revolutions_per_km / 1000.0,
        )  # fmt: skip
        assert told(recording)["vib/quality"] == 0.0

    @pytest.mark.parametrize("full_scale", [None, 1.5])
    def test_a_clipped_sensor_is_told(self, full_scale):
        recording = recorded(STEADY, 57, full_scale_m_s2=1.5)
        assert told(recording, full_scale=full_scale)["vib/quality"] == quality.CLIPPED


class TestSeveralSensors:
    def test_each_line_takes_the_greatest(self):
        recording = recorded(STEADY, 58, sensors=3)
        together = told(recording)
        alone = [told(type(recording)(6400.0, recording.samples[k : k + 1], recording.turns, recording.speed_m_s, {}))
                 for k in range(3)]  # fmt: skip
        for name in ("vib/rms", "vib/order/mesh-1", "vib/velocity", "vib/crest"):
            assert together[name] == pytest.approx(max(one[name] for one in alone), rel=1e-5)

    def test_a_doubtful_one_has_no_say_but_is_seen(self):
        recording = recorded(STEADY, 59, sensors=2)
        recording.samples[1] = 50.0 * np.random.default_rng(1).standard_normal(64_000).cumsum() / 250.0
        channels = told(recording)
        assert channels["vib/quality"] == quality.SENSOR_LOOSE
        assert channels["vib/rms"] == pytest.approx(recording.samples[0].std(), rel=1e-5)

    def test_losses_that_the_source_counted_are_told(self):
        recording = recorded(STEADY, 60)
        assert told(recording, missing=3000)["vib/quality"] == quality.SAMPLES_MISSING
        assert told(recording, missing=3, clipped=9)["vib/quality"] == quality.CLIPPED
