"""Bearing rhythms against published tables; decisions against signals whose truth is known."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import signal, stats

from axlewright_models import bearing_decision, bearings
from axlewright_models.bearings import Geometry, defect_orders
from axlewright_models.errors import ModelError
from axlewright_models.orders import Train
from axlewright_models.signals import ENVELOPE_CHANNELS, NAMES, ORDER_CHANNELS
from axlewright_models.spec import AxleSpec, BearingSpec, TyreSpec, VehicleSpec
from axlewright_models.vibration import angle, features, quality, spectra
from axlewright_models.vibration.from_spec import machine_of, search_of

RATE, SIZE = 6400.0, 64_000
TIMES = np.arange(SIZE) / RATE
PINION = Geometry(17, 14.0, 90.0, 15.0)


@pytest.fixture
def rng():
    return np.random.default_rng(5)


class TestOrders:
    @pytest.mark.parametrize(
        ("geometry", "fault", "order"),  # data page of an open bearing-fault data set
        [
            (Geometry(9, 0.3126, 1.537), "outer-race", 3.5848),
            (Geometry(9, 0.3126, 1.537), "inner-race", 5.4152),
            # The page calls this the rolling-element order; it is twice the spin.
            (Geometry(9, 0.3126, 1.537), "rolling-element", 4.7135),
            # The second bearing's figures are computed from its dimensions (reference table), not printed there.
            (Geometry(8, 0.2656, 1.122), "outer-race", 3.0531),
            (Geometry(8, 0.2656, 1.122), "inner-race", 4.9469),
            (Geometry(8, 0.2656, 1.122), "cage", 0.38164),
            (Geometry(8, 0.2656, 1.122), "rolling-element", 3.9877),
        ],
    )
    def test_orders_of_the_open_data_set(self, geometry, fault, order):
        # Printed to four digits; the first bearing's rolling element misses by 6e-5.
        assert_allclose(defect_orders(geometry)[fault], order, atol=7e-5)

    def test_the_published_cage_order_is_off_in_its_fifth_digit(self):
        cage = defect_orders(Geometry(9, 0.3126, 1.537))["cage"]
        assert_allclose(cage, 0.398308, atol=5e-7)  # printed 0.39828, which does not follow from the dimensions given
        assert abs(cage - 0.39828) > 2e-5

    def test_1797_per_minute_of_the_data_set(self):
        outer = defect_orders(Geometry(9, 0.3126, 1.537))["outer-race"]
        assert_allclose(outer * 1797 / 60, 107.36, atol=0.01)

    def test_eight_balls_at_fifteen_degrees(self):
        # n 8, d 2, D 12 cm, 15 degrees, 25 Hz (geometry of a vendor's documentation example): 83.90, 116.10, 10.49;
        # spin 73.06, ours is twice that.
        orders = defect_orders(Geometry(8, 20.0, 120.0, 15.0))
        found = [25 * orders[name] for name in ("outer-race", "inner-race", "cage")]
        assert_allclose(found, [83.90, 116.10, 10.49], atol=0.005)
        assert_allclose(25 * orders["rolling-element"], 2 * 73.06, atol=0.01)

    def test_both_races_together_are_struck_by_every_element_once_a_turn(self):
        # A conservation law: outer + inner = n, and the outer race sees n cages.
        orders = defect_orders(PINION)
        assert_allclose(orders["outer-race"] + orders["inner-race"], 17)
        assert_allclose(17 * orders["cage"], orders["outer-race"])

    def test_with_the_outer_ring_turning_the_cage_runs_fast(self):
        hub = defect_orders(Geometry(17, 14.0, 90.0, 15.0, outer_ring_turns=True))
        # In the frame of the turning ring the cage runs backward as it ran forward in the other's.
        assert_allclose(hub["cage"], 1 - defect_orders(PINION)["cage"])
        assert bearings.side_band_order("outer-race", Geometry(17, 14.0, 90.0, outer_ring_turns=True)) == 1.0
        assert bearings.side_band_order("inner-race", Geometry(17, 14.0, 90.0, outer_ring_turns=True)) is None

    @pytest.mark.parametrize(
        ("arguments", "text"),
        [((2, 10.0, 90.0), "rolling_elements is 2"), ((9, 90.0, 10.0), r"element_diameter_mm 90\.0 must lie above 0")],
    )
    def test_impossible_bearings_are_refused(self, arguments, text):
        with pytest.raises(ModelError, match=text):
            Geometry(*arguments)


def turns_of(begin_hz=26.0, end_hz=29.0):
    return angle.turns_from_speed([begin_hz, end_hz], [0.0, SIZE / RATE], TIMES)


def faulty(rng, fault, strength, slip=0.007):
    """Return noise of 1 m/s2 rms in which a defect rings at 2200 Hz, and the shaft's turns.

    Impacts slip by one per cent at random; an inner race and a rolling element pass through a load zone.
    """
    turns = turns_of()
    samples = rng.standard_normal(SIZE)
    order = defect_orders(PINION)[fault] * (1 + slip)
    carried = {"inner-race": 1.0, "rolling-element": defect_orders(PINION)["cage"]}.get(fault)
    hits = np.cumsum(1 / order * (1 + 0.01 * rng.standard_normal(int(order * turns[-1]) + 20)))
    ring = np.arange(500) / RATE
    for hit in hits[hits < turns[-2]]:
        at = np.interp(hit, turns, TIMES)
        first = int(np.ceil(at * RATE))
        since = ring[: SIZE - first] + first / RATE - at
        height = strength * (0.5 + 0.5 * np.cos(2 * np.pi * carried * hit) if carried else 1.0)
        samples[first : first + since.size] += height * np.exp(-600 * since) * np.sin(2 * np.pi * 2200 * since)
    return samples, turns


class TestDecision:
    @pytest.mark.parametrize("fault", bearings.FAULTS)
    def test_a_clear_defect_is_named(self, rng, fault):
        samples, turns = faulty(rng, fault, 4.0)
        (decision,) = features.bearing_decisions(samples, RATE, turns, PINION)
        assert decision.fault == fault, decision.reason
        assert decision.sureness > 0.9
        # The slip put in is found.
        assert_allclose(decision.suspicions[0].order, defect_orders(PINION)[fault] * 1.007, rtol=4e-3)

    def test_healthy_signals_give_none(self, rng):
        # 60 records at a false-alarm chance of 0.001: more than one alarm has a chance below 0.002.
        turns = turns_of()
        decisions = features.bearing_decisions(rng.standard_normal((60, SIZE)), RATE, turns, PINION)
        assert sum(decision.fault is not None for decision in decisions) <= 1
        assert all(decision.sureness == 0.0 for decision in decisions if decision.fault is None)

    def test_chances_in_noise_are_not_too_small(self, rng):
        # The stated chance must bound the true one: in 200 spectra of noise, at most 5 % (binomial, 3.5 sigma: 21)
        # may fall below 0.05.
        noise = rng.standard_normal((200, 12_000))
        chances = [
            bearing_decision.decide(spectra.hann_spectrum(row, 50.0), PINION).suspicions[0].chance for row in noise
        ]
        assert np.sum(np.array(chances) < 0.05) <= 21

    def test_a_hopeless_signal_gives_none(self, rng):
        samples, turns = faulty(rng, "inner-race", 0.15)
        (decision,) = features.bearing_decisions(samples, RATE, turns, PINION)
        assert decision.fault is None
        assert "noise alone looks like this" in decision.reason

    def test_gear_mesh_shaft_and_road_shocks_are_no_bearing(self, rng):
        turns = turns_of()
        mesh = (1 + 0.4 * np.cos(2 * np.pi * turns)) * np.sin(2 * np.pi * 12 * turns)
        samples = rng.standard_normal(SIZE) + 4 * mesh + 3 * np.sin(2 * np.pi * 2 * turns)
        for hit in rng.integers(0, SIZE - 600, 15):
            samples[hit : hit + 600] += 40 * np.exp(-np.arange(600) / 90) * np.sin(np.arange(600) * 0.9)
        (decision,) = features.bearing_decisions(samples, RATE, turns, PINION)
        assert decision.fault is None

    def test_wheel_hop_that_swells_the_noise_is_no_cage(self, rng):
        # Hop at 10 to 14 Hz modulates the noise; the cage turns at 0.42 orders of 26 to 29 Hz, about 12 Hz.
        sections = signal.butter(1, [10, 14], "bandpass", fs=RATE, output="sos")
        swell = signal.sosfilt(sections, rng.standard_normal((25, SIZE)), axis=-1)
        swell /= swell.std(axis=-1, keepdims=True)
        samples = rng.standard_normal((25, SIZE)) * np.exp(0.5 * swell)
        decisions = features.bearing_decisions(samples, RATE, turns_of(), PINION)
        assert [decision.fault for decision in decisions] == [None] * 25

    def test_a_brake_that_rubs_once_a_wheel_turn_is_no_bearing_when_wheel_orders_are_known(self, rng):
        turns = turns_of()
        rub = 1 + 3 * np.maximum(np.cos(2 * np.pi * turns * 12 / 41), 0) ** 8
        search = bearing_decision.Search(own_orders=(1.0, 12 / 41))
        decisions = features.bearing_decisions(rub * rng.standard_normal((10, SIZE)), RATE, turns, PINION, search)
        assert [decision.fault for decision in decisions] == [None] * 10

    def test_one_stray_line_is_no_bearing(self, rng):
        order = defect_orders(PINION)["outer-race"]
        tone = 30 * np.sin(2 * np.pi * order * np.arange(20_000) / 100)
        decision = bearing_decision.decide(spectra.hann_spectrum(rng.standard_normal(20_000) + tone, 100.0), PINION)
        assert decision.fault is None

    def test_sum_of_lines_is_the_gamma_distribution(self):  # independent: scipy.stats
        total = np.linspace(0, 60, 25)
        for terms in (1, 4, 12):
            assert_allclose(bearing_decision._chance_of_sum(total, terms), stats.gamma.sf(total, terms), rtol=1e-10)

    def test_floor_is_that_of_exponential_scatter(self, rng):
        heights = bearing_decision.relative_to_floor(rng.exponential(3.0, 40_000), 500)
        # A median over ln 2 of 500 scatters by 1 / sqrt(500) / ln 2 = 6 %, and there are 160 of them.
        assert_allclose(heights.mean(), 1.0, atol=0.02)

    def test_a_spectrum_that_ends_too_early_says_so(self):
        short = spectra.hann_spectrum(np.sin(np.arange(64.0)), 0.5)
        assert bearing_decision.decide(short, PINION).reason == "the spectrum ends below every defect order"

    def test_one_record_at_a_time(self):
        with pytest.raises(ModelError, match="decide one record at a time"):
            bearing_decision.decide(spectra.hann_spectrum(np.zeros((2, 64)), 10.0), PINION)


class TestFeatures:
    MACHINE = features.Machine(Train(310.7, 41, 12), gear_ratio=0.73, bearing=PINION)

    def test_orders_read_the_amplitudes_put_in(self):
        turns = turns_of()
        parts = {"wheel-1": 12 / 41, "driveshaft-1": 1.0, "driveshaft-2": 2.0, "engine-3": 2.19, "mesh-1": 12.0}
        samples = sum((1 + k) * np.sin(2 * np.pi * order * turns + k) for k, order in enumerate(parts.values()))
        found = features.window_features([samples], RATE, turns, self.MACHINE)
        for number, name in enumerate(parts):
            assert_allclose(found[f"vib/order/{name}"], 1 + number, rtol=0.01, err_msg=name)
        for name in ("wheel-2", "driveshaft-4", "engine-1", "mesh-2"):
            assert found[f"vib/order/{name}"] < 0.02

    def test_turns_from_a_worn_tyre_still_find_the_order(self):
        turns = turns_of()
        samples = 2 * np.sin(2 * np.pi * 2 * turns)
        machine = features.Machine(Train(310.7, 41, 12), order_tolerance=0.02)
        found = features.window_features([samples], RATE, 1.012 * turns, machine)
        assert_allclose(found["vib/order/driveshaft-2"], 2.0, rtol=0.01)

    def test_every_vibration_channel_is_there_for_every_sensor(self, rng):
        found = features.window_features(rng.standard_normal((3, SIZE)), RATE, turns_of(), self.MACHINE)
        assert set(found) == {name for name in NAMES if name.startswith("vib/")}
        assert all(values.shape == (3,) and np.all(np.isfinite(values)) for values in found.values())

    def test_a_defect_lifts_its_own_envelope_channel(self, rng):
        healthy = features.window_features(rng.standard_normal(SIZE), RATE, turns_of(), self.MACHINE)
        samples, turns = faulty(rng, "outer-race", 4.0)
        ill = features.window_features(samples, RATE, turns, self.MACHINE)
        ratios = {name: float((ill[name] / healthy[name])[0]) for name in ENVELOPE_CHANNELS}
        assert max(ratios, key=lambda name: ratios[name]) == "vib/envelope/outer-race"
        assert ratios["vib/envelope/outer-race"] > 2

    def test_a_standing_truck_tells_only_its_rms_and_kurtosis(self, rng):
        found = features.window_features(rng.standard_normal(SIZE), RATE, np.zeros(SIZE), self.MACHINE)
        assert np.isfinite(found["vib/rms"][0])
        assert all(np.isnan(found[name][0]) for name in (*ORDER_CHANNELS, *ENVELOPE_CHANNELS))

    def test_without_gear_and_bearing_only_those_are_missing(self, rng):
        machine = features.Machine(Train(310.7, 41, 12))
        found = features.window_features(rng.standard_normal(SIZE), RATE, turns_of(), machine)
        missing = {name for name, values in found.items() if np.isnan(values[0])}
        assert missing == {name for name in ORDER_CHANNELS if "engine" in name} | set(ENVELOPE_CHANNELS)

    def test_orders_beyond_the_rate_are_missing(self, rng):
        # At 600 Hz, mesh-2 (24 orders at up to 29 Hz = 696 Hz) cannot be seen.
        turns = angle.turns_from_speed([26.0, 29.0], [0.0, 10.0], np.arange(6000) / 600)
        machine = features.Machine(Train(310.7, 41, 12))
        found = features.window_features(rng.standard_normal(6000), 600.0, turns, machine)
        assert np.isnan(found["vib/order/mesh-2"][0])
        assert np.isfinite(found["vib/order/driveshaft-4"][0])

    def test_a_sensor_that_drops_out_takes_none_with_it(self, rng):
        samples = rng.standard_normal((3, SIZE))
        samples[0, 5000:10_000] = np.nan
        samples[2] = 0.0
        found = features.window_features(samples, RATE, turns_of(), self.MACHINE)
        assert found.pop("vib/quality").tolist() == [quality.SAMPLES_MISSING, 0, quality.SENSOR_LOOSE]
        assert all(np.isnan(values[0]) for values in found.values())
        assert all(np.isfinite(values[1]) for values in found.values())
        assert found["vib/rms"][2] == 0.0
        assert found["vib/order/driveshaft-1"][2] == 0.0

    def test_a_truck_of_the_fleet_file_has_a_machine(self):
        bearing = BearingSpec(
            rolling_elements=17, element_diameter_mm=14.0, pitch_diameter_mm=90.0, contact_angle_deg=15.0
        )
        axles = (AxleSpec(position=2, role="single-drive", ring_teeth=41, pinion_teeth=12, bearing=bearing),)
        vehicle = VehicleSpec(id="t-1", type="x", tyre=TyreSpec(revolutions_per_km=310.7), axles=axles)
        assert machine_of(vehicle, 2, 0.73, 0.0) == self.MACHINE
        assert_allclose(search_of(vehicle, 2).own_orders, [1.0, 12 / 41])

    def test_a_trace_of_another_length_is_named(self):
        with pytest.raises(ModelError, match="samples holds 10 and shaft_turns 9 values"):
            features.window_features(np.zeros(10), RATE, np.arange(9.0), self.MACHINE)
