"""Coverage with readings that end: right for right forecasts wherever they end, and unknown where it is unknown."""

from __future__ import annotations

import math

import msgspec
import numpy as np
import pytest

from axlewright_server.evaluation.calibration import bounds, coverage_of, shares
from axlewright_server.evaluation.forecasts import chance_at, chance_by, decided
from axlewright_server.evaluation.record import Forecast


def made(rng: np.random.Generator, count: int, stretch: float, watched_days: float) -> list[Forecast]:
    """Forecasts of exponential times whose mean is known; those of the forecast are `stretch` times as long."""
    found = []
    for number in range(count):
        mean = rng.uniform(5.0, 80.0)
        truth, watched = rng.exponential(mean), rng.uniform(0.5, 1.0) * watched_days

        def chance(day: float, mean: float = mean) -> float:
            return 1.0 - math.exp(-day / (mean * stretch))

        early, middle, late = (-mean * stretch * math.log(1.0 - share) for share in (0.1, 0.5, 0.9))
        came, reached = truth if truth <= watched else None, chance(min(truth, watched))
        found.append(Forecast(f"t-{number}", 2, 0.0, "height", early, middle, late, came, watched, reached))
    return found


def made_open(
    rng: np.random.Generator, count: int, stretch: float, watched_days: float, never: float = 0.3
) -> list[Forecast]:
    """The same, but of those times that never come at all `never` of all; intervals are open at their late end."""
    found = []
    for number in range(count):
        mean = rng.uniform(5.0, 80.0)
        truth = math.inf if rng.random() < never else rng.exponential(mean)
        watched = rng.uniform(0.5, 1.0) * watched_days
        early, middle = (-mean * stretch * math.log(1.0 - share / (1.0 - never)) for share in (0.2, 0.5))
        came = truth if truth <= watched else None
        reached = (1.0 - never) * (1.0 - math.exp(-min(truth, watched) / (mean * stretch)))
        found.append(Forecast(f"o-{number}", 2, 0.0, "height", early, middle, None, came, watched, reached))
    return found


@pytest.mark.parametrize("watched_days", [30.0, 80.0, 1000.0])
def test_open_intervals_are_judged_by_their_own_early_end(watched_days: float) -> None:
    rng = np.random.default_rng(6)
    some = made_open(rng, 1500, 1.0, watched_days)
    for forecasts, before in ((some, 0.2), ([*some, *made(rng, 1500, 1.0, watched_days)], 0.15)):
        found = coverage_of(forecasts)
        assert found.within.value == pytest.approx(0.8, abs=0.04)
        assert found.before == pytest.approx(before, abs=0.03)
    # What has not come by the early end lies within, though the limit is never passed and no late end ever over.
    assert coverage_of(some).after == pytest.approx(0.0, abs=1e-9)


def test_open_intervals_that_begin_too_late_are_found_wrong() -> None:
    found = coverage_of(made_open(np.random.default_rng(7), 800, 4.0, 300.0))
    assert found.before > 0.4
    assert found.within.high < 0.7


def test_nothing_is_claimed_where_all_readings_end_before_the_early_ends() -> None:
    values, passed, is_open = np.array([0.05, 0.12, 0.2]), np.array([True, False, False]), np.ones(3, dtype=bool)
    before, within, _ = shares(values, passed, is_open)
    assert before == pytest.approx(1 / 3)
    assert math.isnan(within)
    assert bounds(values, passed, is_open) == pytest.approx((1 / 3, 0.0, 2 / 3))


@pytest.mark.parametrize("watched_days", [30.0, 80.0, 1000.0])
def test_right_forecasts_are_found_right_wherever_the_readings_end(watched_days: float) -> None:
    found = coverage_of(made(np.random.default_rng(1), 1500, 1.0, watched_days))
    assert found.within.value == pytest.approx(0.8, abs=0.04)
    assert found.within.low <= 0.8 <= found.within.high
    assert found.before == pytest.approx(0.1, abs=0.03)
    assert found.after == pytest.approx(0.1, abs=0.04)


def test_counting_only_what_is_decided_would_be_biased() -> None:
    some = made(np.random.default_rng(2), 1500, 1.0, 30.0)
    held = [one for one in map(decided, some) if one is not None]
    early = sum(one.truth_days is not None and one.truth_days < one.early_days for one in some)  # type: ignore[operator]
    # Of right forecasts a tenth comes early; of those that thirty days decide far more do.
    assert early / len(held) > 0.14
    assert coverage_of(some).before == pytest.approx(0.1, abs=0.03)


@pytest.mark.parametrize(("stretch", "where"), [(4.0, "before"), (0.2, "after")])
def test_wrong_forecasts_are_found_wrong_on_their_side(stretch: float, where: str) -> None:
    found = coverage_of(made(np.random.default_rng(3), 800, stretch, 100.0))
    assert getattr(found, where) > 0.2
    assert found.within.high < 0.8


def test_the_curve_agrees_with_one_reckoned_by_hand() -> None:
    # At risk 5, 4, 3 (one ends at 0.3), 2, 1: later than 0.05: 4/5; than 0.5: 4/5 * 2/3; than 0.95: that * 0.
    values = np.array([0.05, 0.3, 0.5, 0.95, 0.95])
    passed = np.array([True, False, True, True, True])
    before, within, after = shares(values, passed, np.zeros(5, dtype=bool))
    assert before == pytest.approx(1 - 4 / 5)
    assert after == pytest.approx(4 / 5 * 2 / 3)
    assert within == pytest.approx(4 / 5 - 4 / 5 * 2 / 3)


def test_nothing_is_claimed_where_all_readings_end_before_the_late_ends() -> None:
    before, within, after = shares(np.array([0.05, 0.4, 0.6]), np.array([True, False, False]), np.zeros(3, dtype=bool))
    assert before == pytest.approx(1 / 3)
    assert math.isnan(within)
    assert math.isnan(after)


def test_a_limit_that_is_never_passed_counts_against_its_forecast() -> None:
    never = Forecast("t-1", 2, 0.0, "height", 5.0, 7.0, 9.0, None, 60.0, 1.0)
    assert coverage_of([never]).after == 1.0


def test_the_uncertainty_is_that_of_trucks_and_not_of_forecasts() -> None:
    rng = np.random.default_rng(4)
    apart = made(rng, 400, 1.0, 1000.0)
    alike = [one for one in apart[:20] for _ in range(20)]
    twins = [msgspec.structs.replace(one, axle=2 + place % 2) for place, one in enumerate(alike)]
    width = [found.within.high - found.within.low for found in map(coverage_of, (apart, alike, twins))]
    assert width[1] > 2.0 * width[0]
    assert coverage_of(alike).axles == 20
    # Both axles of a truck tell one story.
    assert width[2] == pytest.approx(width[1])
    assert coverage_of(twins).axles == 40


def test_an_uncertainty_leaves_open_what_the_readings_do() -> None:
    # All readings end near the even chance, but for one truck's: the curve beyond that rests on this truck alone.
    rng = np.random.default_rng(5)
    some = [
        msgspec.structs.replace(one, chance_by_then=min(one.chance_by_then, 0.55))
        for one in made(rng, 40, 1.0, 1000.0)
        if one.chance_by_then <= 0.55 or one.truth_days is None
    ]
    some += [Forecast(f"n-{number}", 2, 0.0, "height", 5.0, 9.0, 20.0, None, 9.0, 0.55) for number in range(20)]
    alone = coverage_of([*some, Forecast("last", 2, 0.0, "height", 5.0, 7.0, 9.0, None, 60.0, 1.0)]).within
    none = coverage_of(some).within
    assert math.isnan(none.value)
    # A third of the draws lack the one truck: they tell of no share after the late end.
    assert alone.value < 0.6 < 0.8 < alone.high
    assert none.low < 0.5 < 0.8 < none.high


def test_half_of_the_day_of_the_passage_counts() -> None:
    times = np.array([1.0, 2.0, 2.0, math.inf])
    assert chance_by(times, 2.0) == 0.75
    assert chance_at(times, 2.0) == 0.5
