"""Plots and page: well-formed, gaps left open, colour never alone."""

from __future__ import annotations

import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from evaluation_cases import BEGIN, alert, event, unit

from axlewright_server.evaluation.hourly import AXLE_CHANNELS
from axlewright_server.evaluation.pictures import curve_picture, lead_picture, reliability_picture
from axlewright_server.evaluation.series import Series
from axlewright_server.evaluation.summary import Curve, reliability
from axlewright_server.evaluation.svg import Frame, course, ticks
from axlewright_server.evaluation.table import Table
from axlewright_server.evaluation.truck_picture import truck_picture


def series(steps=320):
    random = np.random.default_rng(1)
    axle = random.normal(1.0, 0.1, (steps, 2, len(AXLE_CHANNELS))).astype(np.float32)
    axle[steps // 2 :, 0, AXLE_CHANNELS.index("vib/order/wheel-1")] += 3.0
    flat = np.ones(steps, np.float32)
    return Series(BEGIN + 10800.0 * np.arange(1, steps + 1), (2, 3), axle, flat, flat)


def words(picture):
    return [element.text for element in ElementTree.fromstring(picture).iter() if element.tag.endswith("text")]


def test_a_truck_picture_tells_onset_failure_and_what_was_said_in_words_too():
    told = words(truck_picture(series(), unit(event(20.0, failure=30.0)), [alert(22.0, "tyre-or-wheel")], "a truck"))
    assert {"onset", "failure", "tyre-or-wheel, axle 2"} <= set(told)
    assert any("vib/order/wheel-1" in one for one in told), "the line that moved is shown"


def test_a_healthy_truck_is_drawn_around_its_first_false_advisory():
    told = words(truck_picture(series(), unit(None), [alert(22.0)], "a healthy truck"))
    assert "onset" not in told
    assert "days since the first false advisory" in told


def test_a_line_breaks_where_nothing_was_measured():
    frame = Frame(0, 0, 100, 100, (0.0, 4.0), (0.0, 1.0))
    assert course(frame, [0, 1, 2, 3, 4], [0.1, 0.2, np.nan, 0.3, 0.4]).count("M") == 2
    assert course(frame, [0, 1], [np.nan, np.nan]) == ""


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (-3.2, 17.0), (0.0123, 0.0179), (5.0, 5.0)])
def test_ticks_are_few_and_lie_within(low, high):
    found = ticks(low, high)
    assert 1 <= len(found) <= 11
    assert all(low - 1e-9 <= value <= high + 1e-9 for value in found)


def test_the_pictures_of_figures_are_well_formed():
    curves = [Curve("fixed", [(1.0, 0.0, 0.2), (2.0, 3.0, 0.8)]), Curve("ewma", [])]
    assert "Axlewright, as delivered" in words(curve_picture(curves, (0.1, 0.9)))
    assert words(reliability_picture(reliability([(0.7, True), (0.72, False)])))
    assert "× 1 missed" in words(lead_picture([("seal-leak", [12.0, 30.0], 1)]))


def test_a_baseline_is_compared_at_no_more_false_calls_than_ours():
    curve = Curve("fixed", [(1.0, 5.0, 0.9), (2.0, 0.2, 0.5), (3.0, 0.1, 0.6), (4.0, 0.0, 0.1)])
    assert curve.at_rate(0.2) == (3.0, 0.1, 0.6)
    assert Curve("ewma", [(1.0, 5.0, 0.9)]).at_rate(0.2) is None


def test_a_table_is_markdown():
    assert Table("T", ("a", "b"), [("1", "x|y")]).markdown.splitlines()[2:] == ["| a | b |", "|---|---|", "| 1 | x/y |"]


def test_the_window_of_a_plot_ends_soon_after_the_failure():
    picture = truck_picture(series(), unit(event(20.0, failure=25.0)), [], "a truck")
    assert "30" not in words(picture)
