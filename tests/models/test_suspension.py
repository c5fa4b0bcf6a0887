"""Air springs, load from pressure, the height valve, leak-down and the quarter car."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad, solve_ivp
from scipy.linalg import eigh

from axlewright_models import suspension
from axlewright_models.errors import ModelError
from axlewright_models.height_valve import HeightValve
from axlewright_models.quarter_car import QuarterCar, road_rms


class TestAirSpring:
    @pytest.mark.parametrize(("polytropic", "frequency"), [(1.38, 1.459), (1.0, 1.242)])
    def test_frequency_of_the_reference(self, polytropic, frequency):
        # Reference, section 10: h 0.2 m, 4.2 bar gauge.
        assert_allclose(suspension.air_spring_frequency(420.0, 200.0, polytropic), frequency, atol=5e-4)

    @pytest.mark.parametrize(("deflection", "frequency"), [(100, 1.576), (120, 1.439), (150, 1.287), (62, 2.0)])
    def test_deflection_frequency_of_the_reference(self, deflection, frequency):
        assert_allclose(suspension.deflection_frequency(deflection), frequency, atol=2e-3)

    def test_stiffness_and_mass_give_the_frequency(self):  # second way: sqrt(k / m)
        stiffness = 1000 * suspension.air_spring_stiffness(350.0, 650.0, 180.0)
        mass = 350e3 * 650e-4 / suspension.GRAVITY_M_S2
        frequency = np.sqrt(stiffness / mass) / (2 * np.pi)
        assert_allclose(frequency, suspension.air_spring_frequency(350.0, 180.0), rtol=1e-12)

    def test_stiffness_is_the_slope_of_force_over_travel(self):  # second way: compress the gas by hand
        area, height, slope, ambient = 700e-4, 0.2, 0.02, 101.325e3
        start = ambient + 420e3

        def force(x):
            # Volume under an area that grows as it is compressed.
            volume = area * height - (area * x + 0.5 * slope * x**2)
            return (start * (area * height / volume) ** 1.38 - ambient) * (area + slope * x)

        # Central differences; 0.02 m2/m is 0.2 cm2/mm.
        expected = (force(1e-5) - force(-1e-5)) / 2e-5
        assert_allclose(suspension.air_spring_stiffness(420.0, 700.0, 200.0, 0.2) * 1000, expected, rtol=1e-6)

    def test_an_empty_bellows_is_refused(self):
        with pytest.raises(ModelError, match="an empty bellows carries nothing"):
            suspension.air_spring_frequency(0.0, 200.0)


class TestLoad:
    def test_geometry_balances_moments_about_the_pivot(self):
        relation = suspension.bellows_load(700.0, 900.0, 600.0, 1100.0)
        force = 410e3 * 700e-4 * 2  # two bellows at the mean pressure
        axle = force * 900 / 600  # moment about the pivot
        assert_allclose(relation.load_kg(400.0, 420.0), axle / 9.80665 + 1100, rtol=1e-12)

    def test_pressure_and_load_are_each_others_inverse(self):
        relation = suspension.BellowsLoad(21.0, 1200.0)
        assert_allclose(relation.load_kg(relation.pressure_kpa(9000.0), relation.pressure_kpa(9000.0)), 9000.0)

    def test_calibration_is_the_least_squares_line(self):  # independent: numpy.polyfit
        rng = np.random.default_rng(3)
        pressure = rng.uniform(80, 500, 12)
        load = 1300 + 20 * pressure + rng.normal(0, 60, 12)
        relation = suspension.calibrate_bellows_load(pressure, load)
        slope, start = np.polyfit(pressure, load, 1)
        assert_allclose([relation.kg_per_kpa, relation.unsprung_kg], [slope, start], rtol=1e-9)

    def test_one_load_cannot_calibrate(self):
        with pytest.raises(ModelError, match="weigh once more"):
            suspension.calibrate_bellows_load([300.0, 300.0], [7000.0, 7010.0])


class TestHeightValve:
    VALVE = HeightValve(240.0, dead_band_mm=3.0, gain_per_s=0.4, fastest_mm_per_s=6.0)

    @pytest.mark.parametrize("start", [200.0, 230.0, 238.0, 245.0, 300.0])
    def test_closed_form_agrees_with_integration(self, start):  # independent: scipy
        times = np.linspace(0, 20, 41)
        solved = solve_ivp(
            lambda _, h: self.VALVE.speed_mm_per_s(h), (0, 20), [start], t_eval=times, rtol=1e-9, atol=1e-9
        )
        assert_allclose(self.VALVE.levelled_height_mm(start, times), solved.y[0], atol=1e-5)

    @pytest.mark.parametrize("start", [200.0, 230.0, 252.0])
    @pytest.mark.parametrize("within", [0.5, 20.0])
    def test_levelling_time_is_when_the_height_comes_within_reach(self, start, within):
        time = self.VALVE.levelling_time_s(start, within)
        reached = abs(self.VALVE.levelled_height_mm(start, time) - 240.0) - 3.0
        assert_allclose(reached, min(within, abs(start - 240.0) - 3.0), atol=1e-9)

    def test_within_the_dead_band_nothing_moves(self):
        assert self.VALVE.levelled_height_mm(242.0, 60.0) == 242.0
        assert self.VALVE.levelling_time_s(242.0) == 0.0

    def test_it_stops_at_the_edge_it_comes_from(self):
        assert_allclose(self.VALVE.levelled_height_mm([200.0, 280.0], 120.0), [237.0, 243.0], atol=1e-9)


class TestLeakDown:
    def test_rate_conserves_the_mass_of_air(self):
        # A conservation law: what leaves the springs (ideal gas, pressure and temperature constant) is what leaks.
        rate = suspension.leak_down_rate_mm_per_h(0.05, 400.0, 1400.0)
        gas = 287.05 * 293.15
        lost = (400e3 + 101325) / gas * 1400e-4 * rate / 1000
        assert_allclose(lost, 0.05e-3 * 60 * 101325 / gas, rtol=1e-9)

    def test_an_orifice_sinks_every_load_alike(self):
        pressures = np.array([150.0, 300.0, 600.0])
        rates = suspension.leak_down_rate_mm_per_h(suspension.orifice_leak_l_per_min(0.2, pressures), pressures, 700.0)
        assert_allclose(rates, rates[0], rtol=1e-9)

    def test_orifice_flow_is_the_isentropic_maximum(self):
        # Second way: the largest mass flow of an isentropic nozzle over all outlet pressures.
        ratio = np.linspace(0.2, 0.99, 200_001)
        gamma, kelvin, start, area = 1.4, 293.15, 501.325e3, np.pi / 4 * 0.0003**2
        speed = np.sqrt(2 * gamma / (gamma - 1) * 287.05 * kelvin * (1 - ratio ** ((gamma - 1) / gamma)))
        mass = 0.8 * area * start / (287.05 * kelvin) * ratio ** (1 / gamma) * speed
        litres = mass.max() / (101325 / (287.05 * kelvin)) * 60e3
        assert_allclose(suspension.orifice_leak_l_per_min(0.3, 400.0), litres, rtol=1e-6)

    def test_a_flow_below_sonic_is_refused(self):
        with pytest.raises(ModelError, match=r"90\.5 or more"):
            suspension.orifice_leak_l_per_min(0.3, 50.0)

    def test_the_regulation_allows_so_much_air(self):
        # 49 CFR 393.207(f): 3 psi in 5 minutes; here in litres of free air a minute from 60 litres.
        leak = suspension.leak_from_pressure_drop_l_per_min(60.0, suspension.REGULATION_LEAK_KPA, 300.0)
        assert_allclose(leak, 60 * (3 / 14.695949) / 5, rtol=1e-6)

    def test_a_cool_night_sinks_a_tight_truck_in_proportion_to_kelvin(self):
        assert_allclose(suspension.cooling_height_change_mm(250.0, 30.0, 0.0), 250 * (273.15 / 303.15 - 1), rtol=1e-12)


class TestQuarterCar:
    AIR = QuarterCar(4500.0, 500.0, 400e3, 1e6, 20e3)

    def test_frequencies_of_the_reference(self):
        # Illustrative air set, printed as 1.268 and 8.42 Hz: those are the uncoupled rules of thumb. The coupled
        # frequencies, by scipy below, are 1.262 and 8.461.
        assert_allclose(self.AIR.uncoupled_frequencies_hz, [1.268, 8.42], atol=2e-3)
        assert_allclose(self.AIR.undamped_frequencies_hz, [1.262, 8.461], atol=5e-4)

    def test_frequencies_of_the_bridge_interaction_tractor(self):
        # Axle hop about 10.2 Hz with 1100 kg, 1 and 3.5 MN/m (steel springs); body mass over three axles.
        _, hop = QuarterCar(6550 / 3, 1100.0, 1e6, 3.5e6, 20e3).undamped_frequencies_hz
        assert_allclose(hop, 10.2, atol=0.15)

    def test_frequencies_are_eigenvalues(self):  # independent: scipy.linalg.eigh
        stiffness = np.array([[400e3, -400e3], [-400e3, 1.4e6]])
        squared = eigh(stiffness, np.diag([4500.0, 500.0]), eigvals_only=True)
        assert_allclose(self.AIR.undamped_frequencies_hz, np.sqrt(squared) / (2 * np.pi), rtol=1e-12)

    def test_response_agrees_with_integration_in_time(self):  # independent: scipy.integrate
        frequency, car = 2.3, self.AIR

        def motion(t, state):
            body, wheel, body_speed, wheel_speed = state
            road = np.sin(2 * np.pi * frequency * t)
            link = car.spring_n_m * (wheel - body) + car.damper_n_s_m * (wheel_speed - body_speed)
            tyre = car.tyre_n_m * (road - wheel)
            return [body_speed, wheel_speed, link / car.sprung_kg, (tyre - link) / car.unsprung_kg]

        last = np.linspace(20, 20 + 1 / frequency, 400)
        solved = solve_ivp(motion, (0, last[-1] + 0.01), [0, 0, 0, 0], t_eval=last, rtol=1e-8, atol=1e-10)
        response = car.response([frequency])
        assert_allclose(np.ptp(solved.y[0] - solved.y[1]) / 2, abs(response.suspension_travel[0]), rtol=2e-3)

    def test_slow_road_lifts_everything_alike(self):
        response = self.AIR.response([1e-3])
        assert_allclose(abs(response.suspension_travel), 0.0, atol=1e-5)
        assert_allclose(abs(response.tyre_force), 0.0, atol=1.0)

    def test_road_rms_is_the_integral(self):  # independent: scipy.integrate.quad
        frequency = np.linspace(0.05, 50, 20_000)
        rms = road_rms(self.AIR.response(frequency).body_acceleration, frequency, 25.0, 64e-6)

        def power(f):
            return abs(self.AIR.response([f]).body_acceleration[0]) ** 2 * 64e-6 * 0.01 * 25 / f**2

        integral, _ = quad(power, 0.05, 50, limit=500, points=[1.2, 8.4])
        assert_allclose(rms, np.sqrt(integral), rtol=1e-4)

    def test_directive_wants_two_hertz_and_a_fifth_of_critical(self):
        # Directive 96/53/EC, annex II.
        assert self.AIR.air_suspension_equivalent
        assert not QuarterCar(4500.0, 500.0, 400e3, 1e6, 10e3).air_suspension_equivalent
        assert not QuarterCar(4500.0, 500.0, 900e3, 1e6, 40e3).air_suspension_equivalent

    def test_a_wrong_mass_is_named(self):
        with pytest.raises(ModelError, match=r"unsprung_kg is 0\.0; it must be above 0"):
            QuarterCar(4500.0, 0.0, 400e3, 1e6, 20e3)
