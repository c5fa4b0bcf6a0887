"""Candidate courses and first passages: against dense matrices, closed forms and paths of other kinds than assumed."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom, invgauss, norm

from axlewright_server.prognosis.courses import GROWTH, LEVEL, LINE, RHOS, STEP, Courses, Draws, candidates, weigh
from axlewright_server.prognosis.forecast import forecast
from axlewright_server.prognosis.passage import ENDING_SHARE, HEAT_ENDING_SHARE, Ahead, days_ahead, passages


def test_chances_of_courses_agree_with_dense_matrices() -> None:
    rng = np.random.default_rng(3)
    days = np.array([0.0, 1, 2, 3, 5, 6, 9, 10, 11, 12, 13, 15, 16, 17, 20, 21])
    values = 0.1 * np.maximum(days - 8.0, 0.0) + rng.normal(0.0, 0.4, len(days))
    found = weigh(days, values, 1e-9)
    columns, prior, n = found.courses.at(days), found.prior, len(days)
    logarithms = np.full(found.chance.shape, -np.inf)
    for place, rho in enumerate(RHOS):
        kernel = rho ** np.abs(np.subtract.outer(days, days)) if rho else np.eye(n)
        inverse = np.linalg.inv(kernel)
        one = inverse @ np.ones(n)
        project = inverse - np.outer(one, one) / one.sum()
        for number, column in enumerate(columns):
            logarithm = -0.5 * np.linalg.slogdet(kernel)[1] - 0.5 * math.log(one.sum()) + prior[number]
            rest = values @ project @ values
            if found.courses.family[number] != LEVEL:
                own = column @ project @ column
                if own < 1e-9:
                    continue
                rest -= n / (n + 1.0) * (column @ project @ values) ** 2 / own
                logarithm -= 0.5 * math.log(n + 1.0)
            logarithms[place, number] = logarithm - 0.5 * (n - 1) * math.log(rest)
    chance = np.exp(logarithms - logarithms.max())
    np.testing.assert_allclose(found.chance, chance / chance.sum(), rtol=1e-5, atol=1e-12)


@pytest.mark.parametrize("logarithmic", [False, True])
def test_prior_chances_of_courses_sum_to_one(logarithmic: bool) -> None:
    for span in (7, 30, 59):
        assert np.exp(candidates(span, logarithmic)[2]).sum() == pytest.approx(1.0)


def test_a_logarithm_never_runs_away_by_a_factor_a_day() -> None:
    families, logarithms = (np.bincount(candidates(40, way)[0].family, minlength=7) for way in (False, True))
    assert logarithms[GROWTH] == 0 < families[GROWTH]
    assert (np.delete(logarithms, GROWTH) == np.delete(families, GROWTH)).all()


def test_a_line_that_grows_by_a_share_a_day_passes_its_limit_when_compound_growth_does() -> None:
    # Own arithmetic: 4 % a day from day 15 on doubles after log(2) / log(1.04) = 17.7 days, on day 32.7.
    days = np.arange(27.0)
    grown = math.log(1.04) * np.maximum(days - 15.0, 0.0)
    noise = np.random.default_rng(3).normal(0.0, 0.02, len(days))
    found = forecast(days, grown + noise, math.log(2.0), 1, logarithmic=True)
    assert found.early_days < 32.7 - 26.0 < found.late_days
    assert abs(found.middle_days - 6.7) < 2.0


@pytest.mark.parametrize("span", [7, 30, 59])
def test_finer_candidates_share_what_they_replace(span: int) -> None:
    days = np.arange(span + 1.0)
    found = weigh(
        days, 0.2 * np.maximum(days - 0.4 * span, 0.0) + np.random.default_rng(2).normal(0.0, 0.2, span + 1), 0.01
    )
    coarse, _, prior = candidates(span)
    assert np.exp(found.prior).sum() == pytest.approx(1.0)
    for family in range(7):
        own = np.exp(found.prior[found.courses.family == family]).sum()
        assert own == pytest.approx(np.exp(prior[coarse.family == family]).sum())


def lines(sizes: np.ndarray, noise_sd: float = 0.0) -> Ahead:
    """Straight lines from 0 on day 0, that neither end nor change their rate."""
    k = len(sizes)
    courses = Courses(np.full(k, LINE), np.zeros(k), np.ones(k), np.full(k, np.inf))
    draws = Draws(courses, np.zeros(k), sizes, np.full(k, noise_sd), np.zeros(k))
    return Ahead(draws, 0.0, np.zeros(k), np.full(k, noise_sd), np.full(k, 0.8), np.full(k, np.inf), np.ones(k))


def test_passages_of_lines_of_normal_slope_follow_the_closed_form() -> None:
    rng = np.random.default_rng(5)
    mean, sd, limit = 0.2, 0.05, 6.0
    ahead = lines(rng.normal(mean, sd, 20_000))
    future = days_ahead(365.0)
    times = passages(ahead.levels(future, rng), future, limit)
    # P(T <= t) = P(slope >= limit / t), on any part of a day and between days that are not looked at.
    for day in (20.0, 24.4, 25.0, 29.7, 30.0, 41.0, 60.0):
        assert np.mean(times <= day) == pytest.approx(norm.sf(limit / day, mean, sd), abs=0.015)


def test_passages_of_a_wiener_process_with_drift_are_inverse_gaussian() -> None:
    rng = np.random.default_rng(6)
    drift, sd, limit = 0.15, 0.25, 6.0
    days = np.arange(366.0)
    paths = np.cumsum(np.c_[np.zeros(4000), rng.normal(drift, sd, (4000, 365))], axis=1)
    times = passages(paths, days, limit)
    mean, shape = limit / drift, (limit / sd) ** 2
    exact = invgauss(mean / shape, scale=shape)
    # Looked at once a day, a path gets there as if the limit were 0.58 sd further (Siegmund's correction): about a day.
    for share in (0.1, 0.5, 0.9):
        assert np.quantile(times, share) == pytest.approx(exact.ppf(share) + 0.58 * sd / drift, rel=0.05, abs=1.0)


def test_noise_passes_a_limit_before_its_course_does() -> None:
    rng = np.random.default_rng(7)
    future = days_ahead(365.0)
    quiet, noisy = (lines(np.full(500, 0.1), sd) for sd in (0.0, 0.5))
    early, late = (passages(one.levels(future, rng), future, 6.0) for one in (noisy, quiet))
    assert np.quantile(early, 0.1) < np.quantile(late, 0.1) - 4.0
    assert np.median(late) == pytest.approx(60.0, abs=0.01)


def test_a_limit_so_near_that_days_would_be_lumps_is_passed_within_the_day() -> None:
    # 0.9 of 1 gained, 0.08 more a day, little noise: 1.25 days. In whole days that would be two or three lumps.
    days = np.arange(40.0)
    noise = np.random.default_rng(17).normal(0.0, 0.01, 40)
    found = forecast(days, 0.08 * np.maximum(days - 27.75, 0.0) + noise, 1.0, 1)
    assert found.early_days <= 1.25 <= found.late_days
    assert found.late_days - found.early_days < 1.6
    assert found.times is not None
    assert len(np.unique(found.times.round(3))) > 100


def step_to(level: float, n: int = 40) -> np.ndarray:
    noise = np.random.default_rng(8).normal(0.0, 0.25, n)
    return np.where(np.arange(n) >= 20, level, 0.0) + noise


@pytest.mark.parametrize("level", [2.0, 4.0, 5.2])
def test_a_step_that_stays_short_of_the_limit_has_levelled_off(level: float) -> None:
    found = forecast(np.arange(40.0), step_to(level), 6.0, 1)
    assert found.status == "levelled-off"
    assert weigh(np.arange(40.0), step_to(level), 0.01).family(STEP) > 0.5


@pytest.mark.parametrize("begin", [19.5, 20.2, 21.0])
@pytest.mark.parametrize("lasted", [1.8, 4.3, 6.1])
def test_a_steep_move_is_no_noise_that_would_pass_a_limit_near_by(begin: float, lasted: float) -> None:
    # To 49.3 of 50 within days, then nothing for three weeks: misplaced by a day, such a move leaves residuals of 10.
    days = np.arange(48.0)
    noise = np.random.default_rng(12).normal(0.0, 0.35, 48)
    found = forecast(days, 49.3 * np.clip((days - begin) / lasted, 0.0, 1.0) + noise, 50.0, 1)
    assert found.status == "levelled-off"


def test_a_steep_move_that_ended_yesterday_short_of_the_limit_is_not_carried_on() -> None:
    days = np.arange(30.0)
    noise = np.random.default_rng(16).normal(0.0, 0.25, 30)
    found = forecast(days, 15.0 * np.clip(days - 24.6, 0.0, 3.15) + noise, 50.0, 1, ending=1.0)
    assert found.status in {"levelled-off", "unsure"}


@pytest.mark.parametrize("rate", [0.7, 2.0, 5.0])
def test_the_last_days_of_a_steep_course_are_no_outliers(rate: float) -> None:
    days = np.arange(30.0)
    noise = np.random.default_rng(13).normal(0.0, 0.15, 30)
    limit = 10.0 * rate  # passed on day 32
    found = forecast(days, rate * np.maximum(days - 22.0, 0.0) + noise, limit, 1, ending=1.0)
    assert found.status == "forecast"
    assert found.early_days <= 3.0 <= found.late_days
    assert found.level == pytest.approx(7.0 * rate, rel=0.05)
    assert found.middle_days <= 6.0


def test_one_strange_day_at_the_end_is_drawn_in() -> None:
    values = np.random.default_rng(14).normal(0.0, 0.25, 40)
    values[-1] += 5.0
    assert forecast(np.arange(40.0), values, 6.0, 1).status == "no-trend"


def test_what_stands_beyond_the_limit_has_not_levelled_off_short_of_it() -> None:
    # Eight a day until the last day but one: three of the last five known days lie before the limit.
    days = np.arange(30.0)
    values = np.random.default_rng(15).normal(0.0, 0.2, 30) + 8.2 * np.clip(days - 21.0, 0.0, 6.9)
    values[[26, 28]] = np.nan
    found = forecast(days, values, 50.0, 1)
    assert found.status == "forecast"
    assert found.late_days <= 5.0


def test_a_rise_that_has_ended_is_not_carried_on() -> None:
    days = np.arange(50.0)
    noise = np.random.default_rng(9).normal(0.0, 0.25, 50)
    assert forecast(days, 0.3 * np.clip(days - 10.0, 0.0, 15.0) + noise, 6.0, 1).status in {"levelled-off", "unsure"}


def test_a_change_late_in_a_long_quiet_series_is_forecast_at_its_own_pace() -> None:
    days = np.arange(60.0)
    noise = np.random.default_rng(10).normal(0.0, 0.2, 60)
    found = forecast(days, 0.25 * np.maximum(days - 45.0, 0.0) + noise, 6.0, 1)
    # A straight line over all sixty days would take more than twice as long.
    assert found.status == "forecast"
    assert found.early_days <= (6.0 - 0.25 * 14.0) / 0.25 <= found.late_days
    assert 5.0 < found.middle_days < 20.0
    assert 8.0 < found.since_days < 22.0


def test_an_open_interval_is_one_of_80_per_cent_too() -> None:
    days = np.arange(36.0)
    noise = np.random.default_rng(18).normal(0.0, 0.2, 36)
    found = [forecast(days, 0.2 * np.maximum(days - 16.0, 0.0) + noise, 8.0, 1, ending=share) for share in (0.0, 1.0)]
    assert [math.isinf(one.late_days) for one in found] == [False, True]
    for one in found:
        assert one.status == "forecast"
        assert one.times is not None
        held = np.mean((one.early_days <= one.times) & (one.times <= one.late_days))
        assert held == pytest.approx(0.8, abs=0.01)


def test_wear_rarely_ends_by_itself_and_its_rate_hardly_changes() -> None:
    # Twenty days of a straight rise in little noise, twenty more to the limit: as many as it has lasted.
    days = np.arange(36.0)
    noise = np.random.default_rng(18).normal(0.0, 0.1, 36)
    values = 0.2 * np.maximum(days - 15.0, 0.0) + noise
    wear, heat = (forecast(days, values, 8.0, 1, ending=share) for share in (ENDING_SHARE, HEAT_ENDING_SHARE))
    # Of those that may end half do within as long again.
    for one, share in ((wear, ENDING_SHARE), (heat, HEAT_ENDING_SHARE)):
        assert one.reaches == pytest.approx(1.0 - 0.5 * share, abs=0.05)
    assert wear.early_days <= 20.0 <= wear.late_days < 40.0
    assert math.isinf(heat.late_days)
    # What a rate may change ahead, alone: eight in ten of a hundred days within a seventh.
    k, rng = 2000, np.random.default_rng(19)
    draws = replace(lines(np.full(k, 0.1)).draws, noise_sd=np.zeros(k))
    ahead = Ahead.of(draws, np.arange(3.0), 0.1 * np.arange(3.0), 2.0, rng, 0.0)
    future = days_ahead(365.0)
    early, late = np.quantile(passages(ahead.levels(future, rng), future, 10.2), (0.1, 0.9))
    assert 100.0 / 1.15 < early < 92.0
    assert 108.0 < late < 100.0 * 1.15


def test_old_figures_alone_forecast_nothing() -> None:
    days = np.arange(60.0)
    values = np.where(days < 45.0, 0.1 * days, np.nan)
    assert forecast(days, values, 6.0, 1).status == "too-old"


def test_a_forecast_is_the_same_when_asked_again() -> None:
    days = np.arange(30.0)
    values = 0.12 * days + np.random.default_rng(4).normal(0.0, 0.2, 30)
    first, second = (forecast(days, values, 6.0, 1) for _ in range(2))
    assert (first.early_days, first.middle_days, first.late_days) == (
        second.early_days,
        second.middle_days,
        second.late_days,
    )
    assert first.chance_within(first.middle_days) == pytest.approx(0.5, abs=0.03)


def worn(kind: str, reach: float, begin: float, days: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """A course to 6 some `reach` days after it begins, made by processes that the candidates do not contain."""
    since = days > begin
    if kind == "gamma":
        steps = rng.gamma(6.0 / reach / 0.4, 0.4, len(days))
    elif kind == "wiener":
        steps = rng.normal(6.0 / reach, 0.35, len(days))
    else:  # a rate that itself wanders
        steps = 6.0 / reach * np.exp(np.cumsum(rng.normal(0.0, 0.06, len(days))))
    return np.cumsum(np.where(since, steps, 0.0))


def test_intervals_hold_on_wear_that_is_not_of_the_assumed_kinds() -> None:
    rng = np.random.default_rng(31)
    days, inside = np.arange(500.0), []
    for number in range(130):
        reach, begin = rng.uniform(25.0, 90.0), rng.uniform(5.0, 30.0)
        true = worn(("gamma", "wiener", "wandering")[number % 3], reach, begin, days, rng)
        values = true + rng.uniform(0.1, 0.6) * rng.normal(0.0, 1.0, len(days))
        median = np.median(np.lib.stride_tricks.sliding_window_view(values, 5), axis=1)  # [i]: around day i + 2
        now = int(begin + rng.uniform(0.3, 0.9) * reach)  # one forecast of each: they are independent
        found = forecast(days[max(now - 59, 0) : now + 1], values[max(now - 59, 0) : now + 1], 6.0, 1)
        beyond = np.flatnonzero(median[now - 1 :] >= 6.0)
        if found.status == "forecast" and len(beyond):
            inside.append(found.early_days <= beyond[0] + 1.0 <= found.late_days)
    count, held = len(inside), sum(inside)
    assert count >= 40
    # Exact binomial, 1 % on either side. They hold more than 80 % here, as none of these ever ends by itself.
    assert binom.ppf(0.01, count, 0.75) <= held
    assert held <= binom.ppf(0.99, count, 0.95)
