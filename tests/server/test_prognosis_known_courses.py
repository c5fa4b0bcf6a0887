"""Coverage of intervals on made-up courses of known kinds, in noise that is forgotten at once or lasts for weeks."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from axlewright_server.prognosis.forecast import forecast
from axlewright_server.prognosis.passage import passages

KINDS = ("line", "root", "square", "growth", "settling", "ended", "wiener", "wandering-rate")
RHOS = (0.0, 0.5, 0.8, 0.93)  # of one day's noise with the next day's
DAYS, LIMIT, EACH = 460, 6.0, 24


def course(kind: str, rng: np.random.Generator) -> np.ndarray:
    """A course from 0 that gets to the limit some `reach` days after it begins; settling and ended ones may not."""
    begin, reach = rng.uniform(8.0, 25.0), rng.uniform(20.0, 80.0)
    since = np.maximum(np.arange(DAYS) - begin, 0.0)
    steps = np.where(since > 0.0, LIMIT / reach, 0.0)
    if kind == "root":
        return np.asarray(LIMIT * np.sqrt(since / reach))
    if kind == "square":
        return np.asarray(LIMIT * (since / reach) ** 2)
    if kind == "growth":
        rate = rng.uniform(2.0, 5.0) / reach
        return np.asarray(LIMIT * np.expm1(np.minimum(rate * since, 30.0)) / math.expm1(rate * reach))
    if kind == "settling":
        return np.asarray(rng.uniform(0.6, 1.6) * LIMIT * -np.expm1(-2.0 * since / reach))
    if kind == "ended":
        return np.asarray(LIMIT / reach * np.minimum(since, rng.uniform(0.4, 1.6) * reach))
    if kind == "wiener":
        return np.cumsum(np.where(since > 0.0, steps + rng.normal(0.0, rng.uniform(0.1, 0.4), DAYS), 0.0))
    if kind == "wandering-rate":
        return np.cumsum(steps * np.exp(np.cumsum(rng.normal(0.0, 0.08, DAYS))))
    return np.asarray(LIMIT / reach * since)


def noise(rho: float, rng: np.random.Generator) -> np.ndarray:
    """First-order autoregression of standard deviation 1."""
    shocks = rng.normal(0.0, 1.0, DAYS)
    found = shocks.copy()
    for day in range(1, DAYS):
        found[day] = rho * found[day - 1] + math.sqrt(1.0 - rho**2) * shocks[day]
    return found


@dataclass(frozen=True)
class Made:
    """What was said of one course on one day, and when its limit was passed: infinity if never."""

    kind: str
    rho: float
    status: str
    early: float
    late: float
    truth: float


def ask(kind: str, rho: float, rng: np.random.Generator) -> Made:
    values = course(kind, rng) + rng.uniform(0.1, 0.6) * noise(rho, rng)
    now = int(rng.uniform(20.0, 75.0))
    seen = slice(max(now - 59, 0), now + 1)
    found = forecast(np.arange(DAYS, dtype=np.float64)[seen], values[seen], LIMIT, 1)
    # [i]: median of the five days around day now + i
    around = np.median(np.lib.stride_tricks.sliding_window_view(values[now - 2 :], 5), axis=1)
    truth = float(passages(around[None, :], np.arange(float(len(around))), LIMIT)[0])
    return Made(kind, rho, found.status, found.early_days, found.late_days, truth)


@pytest.fixture(scope="module")
def made() -> list[Made]:
    rng = np.random.default_rng(41)
    return [ask(kind, rho, rng) for kind in KINDS for rho in RHOS for _ in range(EACH)]


def shares(some: list[Made]) -> tuple[int, float, float]:
    """Return how many were forecast, which share passed before its interval, and which within."""
    told = [one for one in some if one.status == "forecast"]
    before = sum(one.truth < one.early for one in told)
    within = sum(one.early <= one.truth <= one.late for one in told)
    return len(told), before / max(len(told), 1), within / max(len(told), 1)


def test_intervals_hold_on_all_kinds_together(made: list[Made]) -> None:
    told, before, within = shares(made)
    # "Can't tell" is no way out: two in three of those whose limit still lies ahead get a forecast.
    assert told >= 0.6 * sum(one.status != "passed" for one in made)
    # The aim of 80 % intervals; of some 380 forecasts a share has a standard error of 2 %.
    assert 0.72 <= within <= 0.88
    # Too late is the worse way to be wrong.
    assert before <= 0.12


# Own choices, wide enough for so few courses: which ones, how many of them must be told, least share within an
# interval, greatest before it. Growth by a factor a day looks like nothing, then like a line, until shortly before: of
# it forecasts are too late more often than of any other kind, about three in ten.
FEWER = [("kind", kind, 20, 0.65, 0.3) for kind in KINDS if kind != "growth"]
FEWER += [("kind", "growth", 20, 0.55, 0.4)] + [("rho", rho, 60, 0.65, 0.25) for rho in RHOS]


@pytest.mark.parametrize(("field", "value", "least_told", "least_within", "most_before"), FEWER)
def test_no_kind_of_course_or_noise_makes_forecasts_far_too_sure(
    made: list[Made], field: str, value: str | float, least_told: int, least_within: float, most_before: float
) -> None:
    told, before, within = shares([one for one in made if getattr(one, field) == value])
    assert told >= least_told
    assert within >= least_within
    assert before <= most_before
