"""The rules of the guard on board, each on a course of values that a person can follow."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from axlewright_edge.guard import FORGET_S, Guard
from axlewright_models.errors import ModelError
from axlewright_models.guard_limits import built_in_limits, check_guard_limits, guard_limits
from axlewright_models.signals import GUARD_WORDS
from axlewright_models.spec import VehicleSpec
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import AxleLimits, LimitsMessage

BEGIN_S = 1.8e9
LIMITS = AxleLimits(
    axle=3,
    lube_limit_cel=121.0,
    lube_rise_limit_cel_per_min=4.0,
    ride_height_mm=240.0,
    height_loss_limit_mm=50.0,
)
NORMAL, LOWERED = 0.0, 1.0


def window(number: float, axle: dict[str, float], step_s: float = 10.0, **vehicle: float) -> Window:
    told = {"speed": 80.0, "torque": 900.0, "shaft-speed": 1300.0, "height-mode": NORMAL}
    told |= {name.replace("_", "-"): value for name, value in vehicle.items()}
    return Window(BEGIN_S + step_s * number, told, {3: axle})


def said(windows: Iterable[Window], limits: Callable[[int], AxleLimits | None] = lambda axle: LIMITS) -> list[str]:
    guard = Guard(limits)
    return [guard.watch(one).get(3, "") for one in windows]


def lubes(values: Iterable[float], **vehicle: float) -> list[Window]:
    return [window(number, {"lube": value}, **vehicle) for number, value in enumerate(values)]


def first(words: list[str], word: str) -> int | None:
    return words.index(word) if word in words else None


def test_a_lube_limit_is_spoken_of_after_its_delay_and_ends_below_its_dead_band() -> None:
    words = said(lubes([100.0] * 5 + [122.0] * 5 + [118.0] * 20 + [115.0] * 10))
    assert words[:7] == ["quiet"] * 7
    # 122 at windows 5, 6 and 7: 20 s.
    assert words[7:30] == ["lube-limit"] * 23
    # 118 lies in the dead band of 5 K; 115 for 60 s ends it.
    assert words[30:36] == ["lube-limit"] * 6
    assert words[36:] == ["quiet"] * 4


@pytest.mark.parametrize("wild", [130.0, 209.0, 300.0, -100.0, math.nan])
def test_one_or_two_wild_values_never_speak(wild: float) -> None:
    assert set(said(lubes([95.0] * 20 + [wild] + [95.0] * 20 + [wild] * 2 + [95.0] * 20))) <= {"quiet", ""}


def test_values_out_of_their_channels_range_never_speak_however_long() -> None:
    assert set(said(lubes([95.0] * 20 + [300.0] * 60))) == {"quiet", ""}
    assert "lube-limit" not in said(lubes([300.0] * 60))


def test_a_word_stands_while_its_sensor_is_silent() -> None:
    words = said([*lubes([125.0] * 5), *(window(number, {"lube": math.nan}) for number in range(5, 60))])
    assert words[-1] == "lube-limit"


def test_a_sudden_rise_is_spoken_of_long_before_the_limit() -> None:
    # An axle at 90 Cel that has lost its lube: 6 K a minute.
    values = [90.0] * 40 + [90.0 + n for n in range(1, 60)]
    words = said(lubes(values))
    spoke = first(words, "lube-rise")
    assert spoke is not None
    # 4 K gathered over a minute, then 20 s of delay.
    assert values[spoke] < 100.0
    assert words[:40] == ["quiet"] * 40
    assert "lube-limit" in words


@pytest.mark.parametrize("per_minute", [0.5, 1.0, 2.0, 3.5])
def test_lube_that_warms_slowly_does_not_speak(per_minute: float) -> None:
    values = [80.0 + per_minute * n / 6.0 for n in range(60)]
    assert set(said(lubes([value for value in values if value < 121.0]))) == {"quiet"}


def test_a_cold_axle_that_warms_up_fast_does_not_speak() -> None:
    assert set(said(lubes([5.0 + n for n in range(50)]))) == {"quiet"}


def test_a_sensor_that_jumps_does_not_count_as_a_rise() -> None:
    assert set(said(lubes([80.0] * 40 + [100.0] * 40))) == {"quiet"}


def test_a_rise_by_a_harder_pull_does_not_speak_and_one_without_does() -> None:
    rising = [90.0 + n for n in range(20)]
    before = lubes([90.0] * 40, torque=900.0)
    harder = [window(40 + n, {"lube": value}, torque=4000.0) for n, value in enumerate(rising)]
    same = [window(40 + n, {"lube": value}, torque=950.0) for n, value in enumerate(rising)]
    untold = [window(n, {"lube": value}, torque=math.nan) for n, value in enumerate([90.0] * 40 + rising)]
    assert "lube-rise" not in said(before + harder)
    assert "lube-rise" in said(before + same)
    assert "lube-rise" in said(untold)


@pytest.mark.parametrize("step_s", [5.0, 10.0, 30.0, 60.0])
def test_a_rise_is_seen_with_windows_of_any_usual_length(step_s: float) -> None:
    count = round(400.0 / step_s)
    values = [90.0] * count + [90.0 + 0.1 * step_s * n for n in range(1, round(300.0 / step_s) + 1)]
    assert "lube-rise" in said([window(n, {"lube": value}, step_s) for n, value in enumerate(values)])


def heights(values: Iterable[tuple[float, float]], begin: int = 0, **vehicle: float) -> list[Window]:
    return [
        window(begin + number, {"height/left": left, "height/right": right}, **vehicle)
        for number, (left, right) in enumerate(values)
    ]


STEADY = [(240.0, 239.0)] * 20
FALLEN = [(240.0, 180.0)] * 10


def test_a_side_that_falls_while_driving_is_spoken_of_and_its_return_ends_it() -> None:
    words = said(heights([*STEADY, *FALLEN, *[(240.0, 238.0)] * 10]))
    assert words[20:22] == ["quiet", "quiet"]
    assert words[22:30] == ["height-loss"] * 8
    assert words[-1] == "quiet"


def test_a_slow_leak_over_hours_is_left_to_the_office() -> None:
    sinking = [(240.0, 240.0 - 0.1 * n) for n in range(900)]  # 36 mm an hour
    assert set(said(heights(sinking))[7:]) == {"quiet"}


def test_lowering_on_purpose_never_speaks_nor_does_coming_back() -> None:
    windows = heights(STEADY)
    windows += heights([(170.0, 170.0)] * 20, 20, height_mode=LOWERED)
    windows += heights([(200.0, 200.0)] * 3 + STEADY, 40)
    assert set(said(windows)) - {""} == {"quiet"}


def test_lowering_on_purpose_after_a_loss_ends_the_word() -> None:
    windows = heights([*STEADY, *FALLEN]) + heights([(170.0, 170.0)] * 10, 30, height_mode=LOWERED)
    words = said(windows)
    assert words[29] == "height-loss"
    assert words[-1] == "quiet"


def test_standing_truck_that_sinks_is_not_a_loss_while_driving() -> None:
    assert "height-loss" not in said(heights(STEADY) + heights(FALLEN, 20, speed=0.0))


def test_coming_down_from_above_the_ride_height_is_no_loss() -> None:
    assert "height-loss" not in said(heights([(300.0, 300.0)] * 20 + [(240.0, 240.0)] * 20))


def test_the_gravest_word_is_said_first() -> None:
    steady = [window(n, {"lube": 95.0, "height/left": 240.0, "height/right": 240.0}) for n in range(20)]
    both = [window(20 + n, {"lube": 130.0, "height/left": 240.0, "height/right": 170.0}) for n in range(6)]
    cooled = [window(26 + n, {"lube": 95.0, "height/left": 240.0, "height/right": 170.0}) for n in range(12)]
    words = said(steady + both + cooled)
    assert words[25] == "lube-limit"
    assert words[-1] == "height-loss"


def test_an_axle_without_limits_or_without_values_gets_no_word() -> None:
    assert said(lubes([200.0] * 5), lambda axle: None) == [""] * 5
    assert said([window(n, {"vib/rms": 1.0}) for n in range(5)]) == [""] * 5
    assert said(lubes([200.0] * 5), lambda axle: AxleLimits(axle=axle)) == [""] * 5


def test_limits_that_change_while_driving_count_at_once() -> None:
    limits = {"now": LIMITS}
    guard = Guard(lambda axle: limits["now"])
    for number in range(5):
        assert guard.watch(window(number, {"lube": 115.0}))[3] == "quiet"
    limits["now"] = AxleLimits(axle=3, lube_limit_cel=110.0)
    words = [guard.watch(window(5 + number, {"lube": 115.0}))[3] for number in range(3)]
    assert words == ["quiet", "quiet", "lube-limit"]


@pytest.mark.parametrize("jump_s", [-5.0e8, FORGET_S + 60.0])
def test_a_clock_that_jumps_and_a_long_silence_begin_the_delays_afresh(jump_s: float) -> None:
    guard = Guard(lambda axle: LIMITS)
    for number in range(2):
        guard.watch(window(number, {"lube": 130.0}))
    after = [guard.watch(window(2 + jump_s / 10.0 + number, {"lube": 130.0}))[3] for number in range(3)]
    assert after == ["quiet", "quiet", "lube-limit"]


@pytest.mark.parametrize("jump_s", [-40.0, 5.0e8, FORGET_S + 60.0])
def test_a_word_that_stands_outlasts_a_step_of_the_clock_until_all_is_clear(jump_s: float) -> None:
    guard = Guard(lambda axle: LIMITS)
    for number in range(3):
        guard.watch(window(number, {"lube": 130.0}))
    later = 3 + jump_s / 10.0
    assert [guard.watch(window(later + number, {"lube": 130.0}))[3] for number in range(3)] == ["lube-limit"] * 3
    ended = [guard.watch(window(later + 3 + number, {"lube": 80.0}))[3] for number in range(8)]
    assert ended == ["lube-limit"] * 6 + ["quiet"] * 2


@given(
    st.lists(
        st.tuples(
            *[st.one_of(st.floats(allow_nan=True, allow_infinity=True), st.floats(-50.0, 300.0))] * 4,
            st.floats(-10.0, 700.0),
        ),
        max_size=60,
    )
)
def test_no_rubbish_makes_it_fail_and_its_words_are_those_of_the_table(rows: list[tuple[float, ...]]) -> None:
    guard, time_s = Guard(lambda axle: LIMITS), BEGIN_S
    for lube, left, speed, torque, step_s in rows:
        time_s += step_s
        told = {"speed": speed, "torque": torque, "shaft-speed": 1000.0, "height-mode": speed}
        words = guard.watch(Window(time_s, told, {3: {"lube": lube, "height/left": left}}))
        assert set(words.values()) <= set(GUARD_WORDS)


def truck(**limits: float) -> VehicleSpec:
    return VehicleSpec(id="t-1", type="tractor", limits=limits)


def test_limits_of_a_specification_are_the_same_on_both_sides_and_their_version_follows_the_content() -> None:
    one, two = guard_limits("yard", truck()), guard_limits("yard", truck())
    assert one == two
    assert [axle.axle for axle in one.axles] == [2, 3]
    other = guard_limits("yard", truck(lube_limit_cel=118.0))
    assert other.version != one.version
    assert other.axles[0].lube_limit_cel == 118.0
    check_guard_limits(one, "yard", "t-1")


def test_a_truck_of_which_nothing_is_known_is_guarded_by_the_defaults() -> None:
    assert built_in_limits(2) == AxleLimits(
        axle=2, lube_limit_cel=121.0, lube_rise_limit_cel_per_min=4.0, height_loss_limit_mm=50.0
    )


@pytest.mark.parametrize(
    ("axles", "problem"),
    [
        ([AxleLimits(axle=2, lube_limit_cel=1e6)], "axle 2: lube_limit_cel is 1e\\+06, not 80 to 180"),
        ([AxleLimits(axle=2, lube_limit_cel=-1.0)], "lube_limit_cel is -1"),
        ([AxleLimits(axle=2, lube_rise_limit_cel_per_min=math.inf)], "lube_rise_limit_cel_per_min is inf"),
        ([AxleLimits(axle=2, height_loss_limit_mm=math.nan)], "height_loss_limit_mm is nan"),
        ([AxleLimits(axle=2, ride_height_mm=240.0)], "axle 2: has no limit at all"),
        ([AxleLimits(axle=2), AxleLimits(axle=2)], r"\[2, 2\]; each axle once"),
        ([], "one at least"),
    ],
)
def test_limits_that_would_silence_the_guard_are_refused(axles: list[AxleLimits], problem: str) -> None:
    with pytest.raises(ModelError, match=problem):
        check_guard_limits(LimitsMessage(version="a", fleet="yard", vehicle="t-1", axles=axles), "yard", "t-1")
