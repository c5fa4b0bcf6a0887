"""Run lengths through the detectors, not only through models.statistics: normal values against published designs.

The published figures are those of Lucas and Crosier, Technometrics 24 (1982), two-sided tabular CUSUM, k = 0.5.
"""

from __future__ import annotations

import numpy as np
import pytest
from known_truth import fleet

from axlewright_models.signals import CHANNELS, INDEX
from axlewright_models.spec import parse_fleet
from axlewright_models.statistics import siegmund_run_length
from axlewright_server.detectors import heat_pattern, hunting, lube_model, ride_height, tandem, vibration, warm_up
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.chart import Chart
from axlewright_server.detectors.ride_height import RideHeight
from axlewright_server.detectors.table import AxleTable

PUBLISHED = [(4.0, 0.0, 168.0), (4.0, 1.0, 8.38), (5.0, 0.0, 465.0), (5.0, 1.0, 10.4)]


@pytest.mark.parametrize(("decision", "shift", "published"), PUBLISHED)
def test_the_shared_chart_runs_as_long_as_the_published_cusum(decision, shift, published):
    # No bound on single values, no least size and no calming: the bare tabular CUSUM of the design.
    chart = Chart("bare", 1, slack=0.5, decision=decision, weight=0.2, calm=30001, bound=1e9)
    axles = 1500
    state = np.zeros(axles, dtype=np.dtype(chart.fields()))
    chart.clear(state)
    rng = np.random.default_rng(7)
    lengths = np.zeros(axles)
    step = 0
    while (lengths == 0).any() and step < 12 * published:
        step += 1
        values = rng.standard_normal((axles, 1)) + shift
        changed = chart.step(state, values, 1.0, -1e9, np.inf, np.full(axles, 60.0 * step))
        fresh = changed.any(axis=(1, 2)) & (lengths == 0)
        lengths[fresh] = step
    assert (lengths > 0).mean() > 0.999
    # The scatter of a mean of 1,500 run lengths is 2.6 %.
    assert np.mean(lengths[lengths > 0]) == pytest.approx(published, rel=0.08)


def wall_of_trucks(count):
    """Return trucks whose tolerance is half a standard deviation of the observations."""
    text = 'fleet = "wall"\nname = "Wall"\n[types.tractor]\ntitle = "6x4 tractor"\nlimits.height_tolerance_mm = 1.0\n'
    return parse_fleet(text + "".join(f'[vehicles.t-{number}]\ntype = "tractor"\n' for number in range(count)))


@pytest.mark.parametrize(("decision", "shift", "published"), PUBLISHED[2:])
def test_ride_height_runs_as_long_as_the_published_cusum(decision, shift, published):
    table = AxleTable.of(wall_of_trucks(250))
    detector = RideHeight(noise_mm=2.0, decision=decision, calm=1_000_000)
    state = detector.start(table)
    rng = np.random.default_rng(8)
    rows = np.arange(len(table))
    values = np.full((len(table), len(CHANNELS)), np.nan)
    values[:, INDEX["speed"]] = 70.0
    lengths = np.zeros(len(table))
    step = 0
    while (lengths == 0).any() and step < 10 * published:
        height = table.ride_height_mm + 2.0 * (rng.standard_normal(len(table)) + shift)
        values[:, INDEX["height/left"]] = values[:, INDEX["height/right"]] = height
        dt_s = np.full(len(table), 60.0)
        batch = Batch(rows, np.full(len(table), 60.0 * step), values, values, dt_s, np.zeros(len(table), dtype=bool))
        state, symptoms = detector.step(state, batch, table)
        step += 1
        found = [
            symptom.axle for symptom in symptoms if symptom.active and symptom.code in {"height-low", "height-high"}
        ]
        lengths[[axle for axle in found if lengths[axle] == 0]] = step
    # Single values count for at most 2.95 standard deviations here, which lengthens the run a little.
    assert np.mean(lengths[lengths > 0]) == pytest.approx(published, rel=0.15)


def test_every_charts_claimed_run_length_follows_from_its_constants():
    for chart in (lube_model.SLOW, lube_model.QUICK, tandem.SLOW, ride_height.DRIFT, hunting.SWING, vibration.TREND):
        assert siegmund_run_length(chart.slack, chart.decision, 0.0, sides="one") == pytest.approx(1.1e5, rel=0.05)
    assert siegmund_run_length(warm_up.WARM.slack, warm_up.WARM.decision, 0.0, sides="one") == pytest.approx(
        1.5e4, rel=0.05
    )
    assert siegmund_run_length(tandem.QUICK.slack, tandem.QUICK.decision, 0.0, sides="one") > 1e9


def test_one_wild_value_signals_in_no_chart():
    for chart in (lube_model.SLOW, lube_model.QUICK, tandem.SLOW, ride_height.DRIFT, hunting.SWING, warm_up.WARM):
        assert chart.bound - chart.slack < chart.decision, chart.name
    assert heat_pattern.KEEP < 1.0


def test_least_size_and_calm_begin_and_end_a_symptom():
    chart = Chart("one", 1, slack=1.0, decision=5.0, weight=0.4, calm=3)
    state = np.zeros(len(AxleTable.of(fleet(1))), dtype=np.dtype(chart.fields()))
    chart.clear(state)
    levels = []
    for step, value in enumerate([3.0] * 6 + [10.0] * 6 + [0.0] * 8):
        chart.step(state, np.full((2, 1), value), 1.0, 5.0, 9.0, np.full(2, 1.0 * step))
        levels.append(int(state["one_level"][0, 0, 0]))
    # A sure but small departure is no symptom; a large one is, grows to its limit, and ends once it has been calm.
    assert levels[:6] == [0] * 6
    assert levels[11] == 2
    assert levels[-1] == 0
