"""Lube temperature detectors against trucks whose heat is known."""

from __future__ import annotations

import numpy as np
import pytest
from known_truth import BEGIN_S, HOUR, Faults, Journey, after, fleet, hours, raised, rows, signals, watch
from scipy.integrate import solve_ivp

from axlewright_models.signals import INDEX
from axlewright_models.thermal import PRIOR
from axlewright_server.detectors.housing import Housing
from axlewright_server.detectors.lube_limit import LubeLimit, LubeRise
from axlewright_server.detectors.lube_model import LubeModel
from axlewright_server.detectors.observer import advance, learn, rows_at
from axlewright_server.detectors.tandem import Tandem
from axlewright_server.kernel import Kernel

DAYS = Journey((("drive", 10.0), ("park", 1.0), ("drive", 10.0), ("park", 1.0), ("drive", 8.0)))
FAULT_H = 27.0  # five hours into the third drive; learnt and calibrated at 26


def quick_learner():
    """Return the model with the shorter phases that a test's three days of driving allow."""
    return LubeModel(learning_h=12.0, calibrating_h=12.0)


def flat(lube_of, hours_long=2.0, speed=60.0):
    """Return a truck at constant speed whose forward lube follows `lube_of`(seconds) exactly."""
    made = signals(Journey((("drive", hours_long),)), 1)
    t = 10.0 * np.arange(1, len(made) + 1)
    made[:, 0, INDEX["speed"]] = speed
    made[:, 0, INDEX["torque"]] = 800.0
    # A tenth of a kelvin of noise: a reading that never moves is a stuck sensor's.
    noise = np.random.default_rng(1).normal(0.0, 0.1, len(made))
    made[:, 1, INDEX["lube"]] = lube_of(t) + noise
    made[:, 2, INDEX["lube"]] = 60.0 + noise
    return made


@pytest.mark.parametrize("window_s", [10.0, 60.0])
def test_a_short_rise_over_the_caution_is_tolerated_and_a_long_one_is_not(window_s):
    # As fast as oil can: a reading that leaps is a sensor's. The caution at 110 is passed at 1890 s.
    short = flat(lambda t: np.interp(t, [1800, 1980, 2200, 2380], [107, 113, 113, 107]))
    long = flat(lambda t: np.interp(t, [1800, 1980], [107, 113]))
    assert not watch([short], LubeLimit(), window_s=window_s).symptoms
    found = raised(watch([long], LubeLimit(), window_s=window_s))
    assert [(symptom.code, symptom.level) for symptom in found] == [("lube-hot", 1)]
    assert hours(found[0]) * 3600.0 == pytest.approx(1890.0 + 600.0, abs=61.0)


def test_the_limit_is_told_after_a_minute_and_holds_through_its_deadband():
    def ramp(t):
        return np.interp(t, [0, 600, 4900, 6000, 6600, 9000], [80, 80, 123, 119.5, 119.5, 60])

    levels = [(symptom.level, hours(symptom) * 3600.0) for symptom in watch([flat(ramp, 3.0)], LubeLimit()).symptoms]
    assert [level for level, _ in levels] == [1, 2, 1, 0]
    crossing = 600 + (121 - 80) / 43 * 4300
    assert levels[1][1] == pytest.approx(crossing + 60.0, abs=121.0)
    # 119.5 is below the limit but inside the deadband of 3 K: level 2 must outlast that stretch.
    assert levels[2][1] > 6600.0


def test_a_sudden_rise_is_told_unless_the_load_explains_it():
    def surge(t):
        return np.interp(t, [0, 3000, 3300], [70, 70, 100])

    made = flat(surge)
    found = raised(watch([made], LubeRise(), window_s=10.0))
    assert [symptom.code for symptom in found] == ["lube-rise"]
    assert found[0].value == pytest.approx(6.0, abs=1.5)
    pulling = flat(surge)
    pulling[299:, 0, INDEX["torque"]] = 9000.0
    assert not watch([pulling], LubeRise(), window_s=10.0).symptoms


def test_cold_lube_that_warms_fast_is_no_sudden_rise():
    assert not watch([flat(lambda t: np.interp(t, [0, 600, 1200], [5, 5, 65]))], LubeRise()).symptoms


def test_gears_that_heat_in_bursts_are_one_trouble():
    def bursts(t):
        return np.interp(t % 3600.0, [0, 600, 900, 3600], [75, 75, 105, 75])

    levels = [symptom.level for symptom in watch([flat(bursts, 5.0)], LubeRise()).symptoms]
    assert levels == [2]


def parked_and_driven(times, level_mm=-1.0, pressure_kpa=0.0):
    """Return a truck that drives two hours and stands one, `times` over; functions of the turn give its housing."""
    made = signals(Journey((("drive", 2.0), ("park", 1.0)) * times), 1)
    steps = np.arange(len(made))
    turn, driving = steps // 1080, steps % 1080 < 720
    level = np.vectorize(level_mm, otypes=[float])(turn) if callable(level_mm) else np.full(len(made), level_mm)
    pressure = np.vectorize(pressure_kpa, otypes=[float])(turn) if callable(pressure_kpa) else pressure_kpa
    noise = np.random.default_rng(1).normal(0.0, 0.5, len(made))
    made[:, 1, INDEX["lube-level"]] = level - 7.0 * driving + noise
    # A sealed housing follows the warmth of its lube: nothing at first, all of it after half an hour.
    made[:, 1, INDEX["sump-pressure"]] = pressure * np.clip((steps % 1080) / 180.0, 0.0, 1.0) * driving
    return made


def test_a_level_lost_between_two_rests_is_told_from_one_that_creeps_as_low():
    lost = raised(watch([parked_and_driven(6, lambda turn: -16.0 if turn >= 3 else -1.0)], Housing(), window_s=60.0))
    creeps = raised(watch([parked_and_driven(6, lambda turn: -1.0 - 3.0 * turn)], Housing(), window_s=60.0))
    assert {symptom.code for symptom in lost} == {"lube-level-low", "lube-level-fell"}
    assert {symptom.code for symptom in creeps} == {"lube-level-low"}


def test_a_blocked_breather_is_told_once_though_the_housing_cools_at_every_halt():
    made = parked_and_driven(8, pressure_kpa=22.0)
    assert [symptom.level for symptom in watch([made], Housing(), window_s=60.0).symptoms] == [1]


def test_a_breather_that_was_cleared_ends_its_symptom_after_a_day_of_warm_drives():
    made = parked_and_driven(14, pressure_kpa=lambda turn: 22.0 if turn < 3 else 3.0)
    found = watch([made], Housing(), window_s=60.0).symptoms
    assert [symptom.level for symptom in found] == [1, 0]
    assert hours(found[1]) == pytest.approx(9.0 + 1.0 + 24.0, abs=2.1)


def test_the_expectation_follows_the_linear_law_exactly():
    speed, torque, shaft, ambient = (np.array([x]) for x in (20.0, 500.0, 130.0, 10.0))
    at_ambient, per_kelvin = rows_at(speed, torque, shaft, ambient)
    theta = PRIOR.theta[None, :]
    ours = advance(np.array([30.0]), theta, at_ambient, per_kelvin, ambient, np.array([3600.0]))

    def law(_, temperature):
        return theta[0] @ at_ambient[0] + theta[0] @ per_kelvin[0] * (temperature - ambient)

    reference = solve_ivp(law, (0.0, 3600.0), [30.0], rtol=1e-10, atol=1e-10).y[0, -1]
    assert ours[0] == pytest.approx(reference, abs=1e-6)


def test_a_lesson_is_the_same_bit_for_bit_alone_or_in_company():
    rng = np.random.default_rng(3)
    theta = np.tile(PRIOR.theta, (7, 1)) * rng.uniform(0.8, 1.2, (7, 4))
    covariance = np.tile(PRIOR.covariance, (7, 1, 1))
    features = np.abs(rng.normal(1000.0, 300.0, (7, 4)))
    target = rng.normal(0.0, 3.0, 7)
    together = learn(theta, covariance, features, target, 0.999)
    for axle in range(7):
        one = slice(axle, axle + 1)
        alone = learn(theta[one], covariance[one], features[one], target[one], 0.999)
        assert np.array_equal(alone[0][0], together[0][axle])
        assert np.array_equal(alone[1][0], together[1][axle])


@pytest.fixture(scope="module")
def healthy_kernel():
    kernel = Kernel(fleet(2), [quick_learner(), Tandem()])
    result = kernel.run(rows([signals(DAYS, 1), signals(DAYS, 2)]))
    return kernel, result


def test_a_healthy_fortnight_of_driving_raises_nothing(healthy_kernel):
    _, result = healthy_kernel
    assert not result.symptoms


def test_the_learnt_expectation_is_close_to_the_reading(healthy_kernel):
    _, result = healthy_kernel
    expected = np.concatenate([part.values[:, 0] for part in result.derived if part.time_s[0] > BEGIN_S + 24 * HOUR])
    assert np.isfinite(expected).all()
    assert 40.0 < np.median(expected) < 90.0


def test_heat_that_load_does_not_explain_is_found_within_an_hour():
    faults = Faults(axle=1, heat_kw=after(FAULT_H, 2.0))
    found = raised(watch([signals(DAYS, 1, faults)], quick_learner(), Tandem()))
    assert {symptom.code for symptom in found} >= {"lube-above-model", "hotter-than-partner"}
    # The forward axle says that it is the colder one now, and that the other has changed.
    assert {symptom.code for symptom in found if symptom.axle == 0} == {"colder-than-partner", "partner-left-model"}
    assert max(hours(symptom) for symptom in found[:2]) < FAULT_H + 1.0


def test_heat_that_is_there_only_on_a_pull_is_explained_by_its_torque():
    journey = Journey((*DAYS.parts, ("mountain", 2.0), ("drive", 1.0)))
    made = signals(journey, 4)
    assert made[:, 1, INDEX["lube"]].max() > 105.0
    result = watch([made], quick_learner(), Tandem(), LubeLimit())
    assert {symptom.code for symptom in result.symptoms} <= {"lube-hot"}
    assert raised(result, "lube-hot")


def test_a_fault_that_grows_for_days_is_not_learnt_as_normal():
    long = Journey(DAYS.parts + DAYS.parts)
    faults = Faults(heat_kw=lambda t: np.clip((t / HOUR - 27.0) / 26.0, 0.0, 1.0) * 2.5)
    found = raised(watch([signals(long, 1, faults)], quick_learner()))
    assert "lube-above-model" in {symptom.code for symptom in found}
    kernel = Kernel(fleet(1), [quick_learner()])
    early = kernel.run(rows([signals(long, 1, faults)[: (20 * 360)]]))
    theta = kernel._states[1]["theta"].copy()
    kernel.run(rows([signals(long, 1, faults)]))
    assert not early.symptoms
    assert np.array_equal(theta, kernel._states[1]["theta"])


@pytest.mark.parametrize("window_s", [10.0, 60.0])
def test_verdict_and_time_hardly_depend_on_the_cadence(window_s):
    faults = Faults(heat_kw=after(FAULT_H, 2.0))
    found = raised(watch([signals(DAYS, 1, faults)], quick_learner(), window_s=window_s), "lube-above-model")
    assert hours(found[0]) == pytest.approx(FAULT_H + 0.5, abs=0.35)


def test_a_missing_torque_silences_the_model_without_error():
    made = signals(DAYS, 1, Faults(heat_kw=after(FAULT_H, 2.0)))
    made[:, 0, INDEX["torque"]] = np.nan
    assert not watch([made], quick_learner()).symptoms


@pytest.mark.parametrize(("of_torque", "pattern"), [(True, "heat-with-torque"), (False, "heat-with-speed")])
def test_an_excess_is_told_to_go_with_the_power_passed_on_or_with_speed(of_torque, pattern):
    plain = signals(DAYS, 1)
    speed, torque = plain[:, 0, INDEX["speed"]], plain[:, 0, INDEX["torque"]]
    # Kilowatts: 3 % of the power passed on more, or something that goes with the square of the speed.
    extra = 0.03 * torque * speed / 3.6 * 0.313 * 2 * np.pi * 41 / 12 / 1e3 if of_torque else 2.0 * (speed / 75.0) ** 2

    def heat(t):
        return np.where(t >= 25.5 * HOUR, extra[np.rint(t / 10.0).astype(int) - 1], 0.0)

    found = {symptom.code for symptom in raised(watch([signals(DAYS, 1, Faults(heat_kw=heat))], quick_learner()))}
    assert "lube-above-model" in found
    other = {"heat-with-torque", "heat-with-speed"} - {pattern}
    assert pattern in found
    assert not other & found
