"""Forecasts: right on lines of known truth, honest where there is nothing to tell, renewed by repairs."""

from __future__ import annotations

import math
import re

import msgspec
import numpy as np
import pytest
from backtest import forecasts
from known_truth import fleet

from axlewright_models.lube.ageing import arrhenius_rate
from axlewright_models.shop.service import ServiceEvent
from axlewright_models.signals import INDEX, NAMES
from axlewright_server.detectors.daily import DAYS, NUMBER, OIL_LIFE_H, OIL_REFERENCE_CEL, Daily, days_of
from axlewright_server.diagnosis.knowledge import load_knowledge
from axlewright_server.kernel import Kernel, Rows
from axlewright_server.prognosis.chances import chances
from axlewright_server.prognosis.forecast import Forecast, forecast
from axlewright_server.prognosis.outlook import Prognosis, Record, Series, outlook, prognosis
from axlewright_server.prognosis.words import told as in_words

KNOWLEDGE = load_knowledge()
T0 = 20_000 * 86400.0
SPEED_KM_H, HOURS_A_DAY = 80.0, 6.0


def drive(days: int, begin: int = 0, height_mm: float = 240.0, slope_mm_per_day: float = 0.0, seed: int = 1) -> Rows:
    """Return readings of one truck that drives six hours a day, both axles alike but for the first one's height."""
    rng = np.random.default_rng(seed + begin)
    rows: list[tuple[int, float, int]] = []
    values: list[np.ndarray] = []
    for day in range(begin, begin + days):
        for minute in range(int(HOURS_A_DAY * 60)):
            time_s = T0 + day * 86400.0 + 8 * 3600.0 + 60.0 * minute
            vehicle = np.full(len(NAMES), np.nan, np.float32)
            for name, value in (
                ("speed", SPEED_KM_H),
                ("ambient", 15.0),
                ("brake", 0.0),
                ("parked", 0.0),
                ("torque", 900.0),
            ):
                vehicle[INDEX[name]] = value
            vehicle[INDEX["height-mode"]] = 0.0
            rows.append((0, time_s, 0))
            values.append(vehicle)
            for position in (2, 3):
                axle = np.full(len(NAMES), np.nan, np.float32)
                drop = slope_mm_per_day * day if position == 2 else 0.0
                for side in ("left", "right"):
                    axle[INDEX[f"height/{side}"]] = height_mm + drop + rng.normal(0.0, 1.0)
                axle[INDEX["lube"]] = 90.0 + rng.normal(0.0, 0.3)
                axle[INDEX["vib/order/driveshaft-1"]] = 0.4 * math.exp(rng.normal(0.0, 0.05))
                rows.append((0, time_s, position))
                values.append(axle)
    number, time_s, position = (np.array(column) for column in zip(*rows, strict=True))
    return Rows(number, time_s.astype(float), position, np.array(values))


@pytest.fixture(scope="module")
def sinking() -> Kernel:
    kernel = Kernel(fleet(1), detectors=())
    kernel.run(drive(16, slope_mm_per_day=-0.25))
    return kernel


def told(kernel: Kernel, row: int = 0, **more: object):  # type: ignore[no-untyped-def]  # a plain helper
    spec, position = kernel.table.spec_of(row), int(kernel.table.position[row])
    return prognosis(KNOWLEDGE, spec, position, kernel.daily(row), [], {}, **more)  # type: ignore[arg-type]


def test_a_sinking_height_is_forecast_to_its_tolerance_with_distance(sinking: Kernel) -> None:
    specified = float(sinking.table.ride_height_mm[0])
    height = next(one for one in told(sinking).outlooks if one.quantity == "height")
    # It began at 240 mm against the specified height and loses 0.25 mm a day; the day at hand is not counted.
    now = 240.0 - specified - 0.25 * 14
    left_days = (6.0 - abs(now)) / 0.25
    assert height.status == "forecast"
    assert height.level == pytest.approx(now, abs=0.3)
    assert height.early_s is not None and height.middle_s is not None and height.of_s is not None
    early, middle = ((each - height.of_s) / 86400.0 for each in (height.early_s, height.middle_s))
    assert early < left_days < 2.0 * middle
    # Two weeks of sinking may as well end before the ten days that are left: the late end is open, and that is said.
    assert height.late_s is None and height.late_km is None
    assert height.reaches is not None and 0.5 < height.reaches < 0.9
    assert "stops short of it" in height.words
    pace = told(sinking).km_per_day
    assert pace == pytest.approx(SPEED_KM_H * HOURS_A_DAY, rel=0.02)
    assert height.early_km == pytest.approx(early * pace, rel=0.05)
    # The distance belongs to the interval, not to the even chance behind it.
    assert re.match(r"Reaches its limit in .*, [\d,]+ km or more \(80 % interval, .*\), as likely before", height.words)


@pytest.mark.parametrize(
    ("status", "days", "begins", "also"),
    [
        (
            "forecast",
            (12.0, 20.0, 31.0),
            "Reaches its limit in 12 days to 31 days (",
            "as likely before as after 20 days",
        ),
        ("forecast", (0.3, 0.8, 3.0), "Reaches its limit within 3 days (", "as likely today as later"),
        ("forecast", (0.3, 2.0, math.inf), "Reaches its limit today or later (", "as likely before as after 2 days"),
        ("unsure", (5.0, math.inf, math.inf), "Can't tell: it moves", "with four chances in five not before 5 days (9"),
        ("unsure", (0.3, math.inf, math.inf), "Can't tell: it moves", "than to reach it within 365 days (9 days seen)"),
    ],
)
def test_what_may_come_today_is_said_as_people_say_it(status, days, begins, also) -> None:  # type: ignore[no-untyped-def]
    ahead = Forecast(status, days_used=9, reaches=1.0)
    words = in_words("height", "mm", "tolerance", ahead, -4.0, -6.0, days, (None,) * 3)
    assert words.startswith(begins)
    assert also in words


def test_the_other_axle_has_no_trend_and_says_so(sinking: Kernel) -> None:
    height = next(one for one in told(sinking, 1).outlooks if one.quantity == "height")
    assert height.status in {"no-trend", "moving-away"}
    assert height.early_s is None


def test_a_few_days_are_not_enough() -> None:
    kernel = Kernel(fleet(1), detectors=())
    kernel.run(drive(5, slope_mm_per_day=-0.5))
    assert all(one.status == "too-short" for one in told(kernel).outlooks)
    assert "Can't tell yet" in told(kernel).outlooks[0].words


def test_a_repair_begins_afresh_with_what_it_touched_only(sinking: Kernel) -> None:
    record = sinking.daily(0).copy().reshape(1)
    after = Daily().serviced(record, frozenset({"height-valve"}))[0]
    _, figures = days_of(after)
    assert np.isnan(figures[:, NUMBER["height"]]).all()
    assert not np.isnan(figures[:, NUMBER["driveshaft-1"]]).any()
    assert after["oil_used"] == record[0]["oil_used"] > 0.0


def test_oil_life_is_told_only_when_its_beginning_is_known(sinking: Kernel) -> None:
    kernel = Kernel(fleet(1), detectors=())
    kernel.run(drive(3))
    unknown = told(kernel).life[0]
    assert (unknown.since_new, unknown.early_days) == (False, None)
    assert "not known" in unknown.words
    kernel.service(ServiceEvent(kernel.table.vehicle_id(0), 2, T0 + 2.9 * 86400.0, frozenset({"lube"})))
    kernel.run(drive(9, begin=3))
    known = told(kernel).life[0]
    # Independent sum: hours of driving times the rate at 90 Cel, which is the reference.
    hours = 9 * HOURS_A_DAY
    assert known.since_new
    assert known.used == pytest.approx(hours * float(arrhenius_rate(90.0, OIL_REFERENCE_CEL)) / OIL_LIFE_H, rel=0.03)
    assert known.early_days is not None and known.middle_days is not None and known.late_days is not None
    assert known.early_days < known.middle_days < known.late_days


def test_the_centuries_of_a_cool_axle_are_not_told() -> None:
    kernel = Kernel(fleet(1), detectors=())
    kernel.run(drive(3))
    kernel.service(ServiceEvent(kernel.table.vehicle_id(0), 2, T0 + 2.9 * 86400.0, frozenset({"lube"})))
    rows = drive(9, begin=3)
    cool = rows.values.copy()
    cool[rows.position == 2, INDEX["lube"]] = 30.0
    kernel.run(Rows(rows.vehicle, rows.time_s, rows.position, cool))
    words = told(kernel).life[0].words
    assert "beyond ten years other things end it first" in words
    assert "km" not in words


def test_hotter_oil_ages_faster() -> None:
    kernel = Kernel(fleet(1), detectors=())
    rows = drive(2)
    hot = rows.values.copy()
    hot[rows.position == 2, INDEX["lube"]] += 15.0
    kernel.run(Rows(rows.vehicle, rows.time_s, rows.position, hot))
    first, second = (float(kernel.daily(row)["oil_used"]) for row in (0, 1))
    assert first / second == pytest.approx(float(arrhenius_rate(105.0, 90.0)), rel=0.02)


def test_the_ring_keeps_the_last_days_only() -> None:
    daily = Daily()
    state = daily.fresh(1)
    for day in range(1, DAYS + 20):
        state["day"] = day
        daily._close(state, np.array([0]))
    days, figures = days_of(state[0])
    assert days.tolist() == list(range(20, DAYS + 20))
    assert figures.shape == (DAYS, len(NUMBER))


def test_how_rows_are_batched_changes_nothing() -> None:
    rows = drive(3, slope_mm_per_day=-0.3)
    whole, parts = Kernel(fleet(1), detectors=()), Kernel(fleet(1), detectors=())
    whole.run(rows)
    for begin in range(0, len(rows.time_s), 303):  # a window is three rows: whole windows in each part
        part = slice(begin, begin + 303)
        parts.run(Rows(rows.vehicle[part], rows.time_s[part], rows.position[part], rows.values[part]))
    assert whole.state_blob(0) == parts.state_blob(0)


def test_summaries_survive_as_bytes(sinking: Kernel) -> None:
    again = Kernel(fleet(1), detectors=())
    again.load_state(0, sinking.state_blob(0))
    assert told(again).outlooks == told(sinking).outlooks


def test_all_of_it_can_be_told_to_a_program(sinking: Kernel) -> None:
    again = msgspec.json.decode(msgspec.json.encode(told(sinking, pictures=True)), type=Prognosis)
    assert again == told(sinking, pictures=True)


def test_pictures_hold_days_trend_band_and_limit(sinking: Kernel) -> None:
    picture = told(sinking, pictures=True).pictures[0]
    assert picture.limit == -6.0
    assert len(picture.time_s) == len(picture.value) == len(picture.trend) == len(picture.low) == len(picture.high)
    ahead = [place for place, value in enumerate(picture.trend) if value is not None]
    assert all(picture.value[place] is None for place in ahead)
    low, middle, high = (
        np.array([column[place] for place in ahead]) for column in (picture.low, picture.trend, picture.high)
    )
    assert (low <= middle).all() and (middle <= high).all()
    assert (np.diff(high - low) > -1e-6).all()  # it never grows surer with the distance


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("last_mm", [1.0, 9.0])
def test_a_last_day_beyond_the_limit_is_said_though_the_trend_is_short_of_it(side: int, last_mm: float) -> None:
    values = side * np.append(np.linspace(0.5, 1.5, 12), last_mm)
    days = np.arange(13.0)
    series = Series("height", "mm", values, side * 6.0, side, note="tolerance")
    record = Record(days, np.empty((13, 0)), 0.0, 0.0, (False, False), np.empty((0, 0)))
    said = outlook(series, forecast(days, values, series.limit, side), record)
    assert said.status != "passed"
    assert said.words.startswith("Beyond its limit on the last day") == (last_mm > 6.0)
    assert (f"{side * 9.0:.1f} mm" in said.words) == (last_mm > 6.0)


@pytest.mark.parametrize(("side", "limit"), [(1, 6.0), (-1, -6.0)])
def test_both_directions_are_alike(side: int, limit: float) -> None:
    days = np.arange(25.0)
    noise = np.random.default_rng(3).normal(0.0, 0.3, 25)
    ahead = forecast(days, side * (0.12 * days + noise), limit, side)
    assert ahead.status == "forecast"
    assert math.copysign(1.0, ahead.slope_per_day) == side
    middle, low, high = ahead.band(np.array([0.0, 10.0]))
    assert (low <= middle).all() and (middle <= high).all()


@pytest.mark.parametrize(
    ("values", "status"),
    [
        (np.full(30, 7.0), "passed"),
        (-0.1 * np.arange(30.0), "moving-away"),
        (0.005 * np.arange(30.0), "too-far"),  # well above the noise that is taken for the least
        (np.r_[np.full(25, np.nan), 1.0, 2.0, 3.0, 4.0, 5.0], "too-short"),
        (np.sin(np.arange(30.0)), "no-trend"),
    ],
)
def test_where_there_is_nothing_to_forecast_the_reason_is_given(values: np.ndarray, status: str) -> None:
    assert forecast(np.arange(30.0), values, 6.0, 1).status == status


def test_a_gap_of_days_does_not_stop_a_forecast() -> None:
    days = np.arange(30.0)
    held = 0
    for seed in range(10):
        values = 0.15 * days + np.random.default_rng(seed).normal(0.0, 0.2, 30)
        values[10:17] = np.nan
        ahead = forecast(days, values, 6.0, 1)
        assert ahead.days_used == 23
        held += ahead.status == "forecast" and ahead.early_days <= 11.0 <= ahead.late_days
    assert held >= 6  # eight are expected; fewer than six come once in thirty


def test_intervals_cover_about_as_much_as_they_say_over_lines_that_bend_either_way() -> None:
    rng = np.random.default_rng(20)
    held = []
    days = np.arange(140.0)
    for number in range(36):
        reach, noise = rng.uniform(25.0, 110.0), rng.uniform(0.1, 0.7)
        truth = 6.0 * (days / reach) ** (0.7, 1.0, 1.3, 1.6)[number % 4]
        held += forecasts(days, truth + rng.normal(0.0, noise, len(days)), 6.0, 1, reach, every=7)
    assert len(held) > 150
    covered = sum(one.inside for one in held) / len(held)
    # Bound of 80 % intervals over these shapes alike; one shape alone is covered more or less (see the README).
    assert 0.70 <= covered <= 0.92


def test_a_series_without_a_trend_is_rarely_given_a_forecast() -> None:
    rng = np.random.default_rng(21)
    days = np.arange(30.0)
    given = sum(forecast(days, rng.normal(0.0, 1.0, 30), 6.0, 1).status == "forecast" for _ in range(200))
    assert given <= 8  # own choice: one series in twenty-five, of those that a look every month would ask


def test_chances_grow_with_distance_with_the_cause_and_with_a_leak_that_is_there() -> None:
    quiet = chances(KNOWLEDGE, [], {})
    cause = chances(KNOWLEDGE, [{"low-lube-worn-pinion-seal": 0.9}], {})
    leak = chances(KNOWLEDGE, [{"low-lube-worn-pinion-seal": 0.9}], {"pinion-seal": 0.8})
    for one in (quiet, cause, leak):
        assert [each.leak for each in one.ahead] == sorted(each.leak for each in one.ahead)
        assert [each.failure for each in one.ahead] == sorted(each.failure for each in one.ahead)
        assert all(0.0 <= each.failure <= 1.0 and 0.0 <= each.leak <= 1.0 for each in one.ahead)
    assert quiet.ahead[2].leak < cause.ahead[2].leak < leak.ahead[2].leak
    assert leak.leaks_already == pytest.approx(0.8)
    # Meant over 20,000 km: the cause's own chance of failure, times the chance that it is there, and little besides.
    assert cause.ahead[2].failure == pytest.approx(0.9 * 0.5, abs=0.03)


def test_a_sensor_fault_makes_no_leak_likelier() -> None:
    assert chances(KNOWLEDGE, [{"failed-temperature-sensor": 0.95}], {}).ahead[2].leak == pytest.approx(
        chances(KNOWLEDGE, [], {}).ahead[2].leak, abs=1e-6
    )
