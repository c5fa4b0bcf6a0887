"""What forecasts are held against: readings up to a failure or a repair, and nothing that is sent afterwards."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from known_truth import fleet

from axlewright_models.shop.service import ServiceEvent
from axlewright_server.detectors.daily import DAY_S, DAYS, NUMBER, Daily
from axlewright_server.detectors.table import AxleTable
from axlewright_server.evaluation.forecasts import ForecastBook
from axlewright_server.evaluation.truth import failures, parse_truth
from axlewright_server.kernel import Kernel

FIRST_DAY = 20_000
TABLE = AxleTable.of(fleet(1))
TRUCK = TABLE.vehicle_id(0)


def height_mm(day: int) -> float:
    """Quiet for 20 days, then 0.25 mm a day: the tolerance of 6 mm is passed on day 44."""
    return 0.25 * max(day - 20, 0) + 0.1 * math.sin(7.0 * day)


@pytest.fixture(scope="module")
def book() -> ForecastBook:
    asked = ForecastBook()
    state = Daily().fresh(len(TABLE))
    for day in range(60):
        place = day % DAYS
        state["ring_day"][:, place] = FIRST_DAY + day
        state["ring"][:, place, NUMBER["distance"]] = 400.0
        state["ring"][0, place, NUMBER["height"]] = height_mm(day)
        kernel = SimpleNamespace(table=TABLE, daily=lambda row: state[row])
        asked(cast(Kernel, kernel), (FIRST_DAY + day + 1.0) * DAY_S)
    return asked


def at_s(day: float) -> float:
    return (FIRST_DAY + day) * DAY_S


def test_without_a_failure_the_passage_is_found(book: ForecastBook) -> None:
    told = [one for one in book.forecasts(TABLE) if one.time_s < at_s(40)]
    assert len(told) >= 2
    for one in told:
        assert one.truth_days is not None
        assert one.time_s / DAY_S - 1 - FIRST_DAY + one.truth_days == pytest.approx(44.0, abs=1.0)


def test_what_is_sent_after_a_failure_is_not_looked_at(book: ForecastBook) -> None:
    whole = book.forecasts(TABLE)
    failed = book.forecasts(TABLE, {TRUCK: [(at_s(38.5), math.inf)]})
    assert 0 < len(failed) < len(whole)
    assert [one.time_s for one in failed] == [one.time_s for one in whole if one.time_s < at_s(38.5)]
    for one in failed:
        # The last whole day is the 37th; two days more are wanted around a passage.
        assert one.truth_days is None
        assert one.time_s + one.watched_days * DAY_S == pytest.approx(max(at_s(36), one.time_s))
        assert one.chance_by_then < 0.5


def test_a_truck_that_was_mended_counts_again(book: ForecastBook) -> None:
    whole, failed = book.forecasts(TABLE), book.forecasts(TABLE, {TRUCK: [(at_s(30.5), at_s(34.5))]})
    left = {one.time_s for one in whole} - {one.time_s for one in failed}
    assert left == {one.time_s for one in whole if at_s(30.5) <= one.time_s < at_s(34.5)} != set()
    later = [one for one in failed if at_s(34.5) <= one.time_s < at_s(40)]
    assert later
    assert all(one.truth_days is not None for one in later)


@pytest.mark.parametrize(
    ("axle", "touched", "ends"),
    [(0, "height-valve", True), (int(TABLE.position[0]), "air-spring", True), (0, "lube", False), (9, "lube", False)],
)
def test_a_repair_of_the_quantity_ends_what_it_was_forecast_for(
    book: ForecastBook, axle: int, touched: str, ends: bool
) -> None:
    repair = ServiceEvent(TRUCK, axle, at_s(38.5), frozenset({touched}))
    told = [one for one in book.forecasts(TABLE, None, [repair]) if one.time_s < at_s(38.5)]
    assert told
    assert all((one.truth_days is None) == ends for one in told)


def test_failures_are_told_by_truck_with_their_end() -> None:
    text = b"""{"format": "axlewright-truth-1", "events": [
        {"vehicle": "a", "onset": "2026-03-01T00:00:00Z", "failure": "2026-03-02T00:00:00Z", "causes": ["x"],
         "end": "2026-03-04T00:00:00Z"},
        {"vehicle": "a", "onset": "2026-04-01T00:00:00Z", "failure": "2026-04-02T00:00:00Z", "causes": ["x"]},
        {"vehicle": "b", "onset": "2026-04-01T00:00:00Z", "causes": ["x"]}]}"""
    found = failures(parse_truth(text))
    assert list(found) == ["a"]
    assert np.diff(found["a"][0]) == pytest.approx(2.0 * DAY_S)
    assert found["a"][1][1] == math.inf
