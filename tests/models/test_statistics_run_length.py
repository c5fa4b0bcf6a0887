"""Run lengths against published tables, a Markov chain, closed forms and simulation; and the designs made from them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models.errors import ModelError
from axlewright_models.statistics import (
    cusum_run_length,
    design_cusum,
    design_ewma,
    ewma_run_length,
    ewma_width,
    shewhart_run_length,
    siegmund_run_length,
)

SHIFTS = (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
# Lucas and Crosier, Technometrics 24 (1982); figures as in the manual of the R package spc. None: not in the table.
CUSUM_TABLE = [
    (4.0, 0.0, (168, 74.2, 26.6, 13.3, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71, 1.31)),
    (5.0, 0.0, (465, 139, 38.0, 17.0, 10.4, 5.75, 4.01, 3.11, 2.57, 2.01, 1.69)),
    (4.0, 2.0, (149, 62.7, 20.1, 8.97, 5.29)),
]
# Lucas and Saccucci, Technometrics 32 (1990); weight, width, (shift, run length); the third row was computed.
EWMA_TABLE = [
    (0.5, 3.071, {0: 500, 0.25: 255, 0.5: 88.8, 0.75: 35.9, 1: 17.5, 1.5: 6.53, 2: 3.63, 3: 1.93}),
    (0.03, 2.437, {0: 500, 0.25: 76.7, 0.5: 29.3, 0.75: 17.6, 1: 12.6, 1.5: 8.07, 2: 5.99, 3: 4.03}),
    (0.1, 2.814, {0: 499.6, 0.25: 106.3, 0.5: 31.3, 0.75: 15.85, 1: 10.33, 1.5: 6.08, 2: 4.36, 3: 2.87}),
]


@pytest.mark.parametrize(("limit", "head_start", "published"), CUSUM_TABLE)
def test_two_sided_cusum_run_lengths_are_the_published_ones_to_one_per_cent(limit, head_start, published):
    shifts = SHIFTS[: len(published)]
    got = [cusum_run_length(0.5, limit, shift, head_start=head_start) for shift in shifts]
    assert_allclose(got, published, rtol=0.01)


@pytest.mark.parametrize(("weight", "width", "published"), EWMA_TABLE)
def test_ewma_run_lengths_are_the_published_ones_to_one_per_cent(weight, width, published):
    got = [ewma_run_length(weight, width, shift) for shift in published]
    assert_allclose(got, list(published.values()), rtol=0.01)


@pytest.mark.parametrize(
    ("slack", "limit", "shift", "sides", "published"),
    [
        # Brook and Evans 1972, Vance 1986, Waldmann 1986; figures as in the manual of the R package spc.
        (0.5, 3.0, 0.0, "one", 117.6),
        (0.5, 3.0, 1.5, "one", 3.75),
        (0.0, 10.0, -0.25, "one", 2071.5),
        (0.0, 10.0, 0.0, "one", 124.7),
        (0.0, 10.0, 1.0, "one", 10.75),
        # Our own list of reference values calls these three one-sided; they are those of the two-sided chart (one side
        # alone runs 737 and 590 values).
        (0.5, 4.77, 0.0, "two", 368.6),
        (0.5, 4.77, 1.0, "two", 9.92),
        (0.6, 3.0, -0.2, "two", 65.4),
    ],
)
def test_cusum_run_lengths_of_other_authors(slack, limit, shift, sides, published):
    # Half a unit of the last printed digit, at most 0.15 %.
    assert cusum_run_length(slack, limit, shift, sides=sides) == pytest.approx(published, rel=1.5e-3)


@pytest.mark.parametrize(("weight", "width"), [(0.05, 2.615), (0.2, 2.962), (0.25, 2.998), (0.4, 3.054), (0.75, 3.087)])
def test_published_widths_for_a_run_length_of_500_are_found(weight, width):
    # Lucas and Saccucci 1990, table 3 (as listed in the manual of the R package spc).
    assert ewma_width(weight, 500.0) == pytest.approx(width, abs=6e-4)


def test_a_weight_of_one_is_the_chart_of_single_values():
    for shift, published in ((0.0, 370.4), (1.0, 43.9)):  # three standard deviations: every text book
        assert shewhart_run_length(3.0, shift) == pytest.approx(published, abs=0.05)
        assert ewma_run_length(1.0, 3.0, shift) == pytest.approx(shewhart_run_length(3.0, shift), rel=1e-9)
    assert ewma_run_length(0.1, 2.7) == pytest.approx(369.0, rel=0.01)


def test_siegmund_approximation_gives_its_published_figures_and_stays_within_two_per_cent():
    assert_allclose(siegmund_run_length(0.5, 5.0, [0.0, 1.0]), [469.1, 10.34], rtol=1e-3)
    assert_allclose(siegmund_run_length(0.5, 4.0, [0.0, 1.0]), [169.1, 8.34], rtol=1e-3)
    shifts = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    exact = [cusum_run_length(0.5, 5.0, shift) for shift in shifts]
    assert_allclose(siegmund_run_length(0.5, 5.0, shifts), exact, rtol=0.02)
    # No drift: the limit of the formula, approached from either side.
    middle = siegmund_run_length(0.5, 5.0, [0.499, 0.5, 0.501], sides="one")
    assert middle[1] == pytest.approx(6.166**2)
    assert middle[0] > middle[1] > middle[2]


def brook_evans(slack: float, limit: float, shift: float, states: int) -> float:
    """Return the run length of the upper sum from a Markov chain of that many states: Brook and Evans 1972."""
    width = 2.0 * limit / (2 * states - 1)
    centres = width * np.arange(states)

    def below(x: np.ndarray) -> np.ndarray:
        return np.vectorize(lambda v: 0.5 * math.erfc(-v / math.sqrt(2.0)))(x)

    edges = centres[None, :] - centres[:, None] + slack - shift
    chance = below(edges + width / 2.0) - below(edges - width / 2.0)
    chance[:, 0] = below(width / 2.0 - centres + slack - shift)
    return float(np.linalg.solve(np.eye(states) - chance, np.ones(states))[0])


@pytest.mark.parametrize("shift", [0.0, 0.3, 1.0])
def test_integral_equation_agrees_with_a_markov_chain(shift):
    # The chain's error falls with the square of the number of states: extrapolate.
    coarse, fine = brook_evans(0.5, 4.0, shift, 100), brook_evans(0.5, 4.0, shift, 200)
    extrapolated = fine + (fine - coarse) / 3.0
    assert cusum_run_length(0.5, 4.0, shift, sides="one") == pytest.approx(extrapolated, rel=1e-4)


def test_run_length_of_both_charts_is_what_a_simulation_counts(rng):
    runs, longest = 4000, 400
    values = 0.75 + rng.standard_normal((longest, runs))
    high = low = level = np.zeros(runs)
    cusum_stop = np.full(runs, np.inf)
    ewma_stop = np.full(runs, np.inf)
    limit = 2.814 * math.sqrt(0.1 / 1.9)
    for number, value in enumerate(values, start=1):
        high, low = np.maximum(0, high + value - 0.5), np.maximum(0, low - value - 0.5)
        level = 0.9 * level + 0.1 * value
        cusum_stop = np.where((np.maximum(high, low) > 4.0) & np.isinf(cusum_stop), number, cusum_stop)
        ewma_stop = np.where((np.abs(level) > limit) & np.isinf(ewma_stop), number, ewma_stop)
    for stop, computed in (
        (cusum_stop, cusum_run_length(0.5, 4.0, 0.75)),
        (ewma_stop, ewma_run_length(0.1, 2.814, 0.75)),
    ):
        assert abs(stop.mean() - computed) < 4.0 * stop.std() / math.sqrt(runs)  # four standard errors


@pytest.mark.parametrize(
    ("slack", "limit", "shift"), [(0.5, 5.0, 0.0), (0.05, 30.0, 0.0), (0.05, 60.0, 0.3), (0.1, 40.0, 0.0)]
)
def test_more_nodes_change_nothing_for_a_cusum(slack, limit, shift):
    assert cusum_run_length(slack, limit, shift) == pytest.approx(
        cusum_run_length(slack, limit, shift, nodes=480), rel=1e-7
    )


@pytest.mark.parametrize(("weight", "width"), [(0.1, 2.814), (0.03, 2.437), (0.005, 2.5), (0.001, 2.5)])
def test_more_nodes_change_nothing_for_an_ewma(weight, width):
    assert ewma_run_length(weight, width) == pytest.approx(ewma_run_length(weight, width, nodes=480), rel=1e-7)


def test_run_lengths_beyond_double_precision_are_infinite_not_wrong():
    # The approximation says 1e22; the equations' condition leaves no digit of that.
    assert cusum_run_length(0.25, 100.0, sides="one") == math.inf
    assert cusum_run_length(0.25, 100.0) == math.inf
    assert float(siegmund_run_length(0.25, 100.0)) > 1e20
    # Far off target one side alone calls: Siegmund's figure for it, within its two per cent.
    quick = cusum_run_length(0.25, 100.0, 1.0)
    assert quick == pytest.approx(float(siegmund_run_length(0.25, 100.0, 1.0, sides="one")), rel=0.02)


@pytest.mark.parametrize("sides", ["one", "two"])
@pytest.mark.parametrize(("wanted", "shift"), [(168.0, 1.0), (1000.0, 0.5), (1e5, 2.0)])
def test_designed_cusum_has_the_run_length_it_was_asked_for_and_no_other_slack_is_quicker(sides, wanted, shift):
    design = design_cusum(wanted, shift, sides=sides)
    assert design.in_control_run_length == pytest.approx(wanted, rel=1e-4)
    for slack in (0.8 * design.slack, 1.25 * design.slack):
        rival = next(h for h in np.linspace(0.3, 30.0, 2000) if cusum_run_length(slack, h, sides=sides) > wanted)
        # The grid overshoots the limit a little: that costs the rival less than half a per cent.
        assert cusum_run_length(slack, rival, shift, sides=sides) > 0.995 * design.shifted_run_length


def test_designed_ewma_is_quickest_among_the_published_ones():
    design = design_ewma(500.0, 1.0)
    assert design.in_control_run_length == pytest.approx(500.0, rel=1e-4)
    for weight in (0.03, 0.05, 0.1, 0.2, 0.25, 0.5):
        assert ewma_run_length(weight, ewma_width(weight, 500.0), 1.0) >= design.shifted_run_length - 1e-3


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: cusum_run_length(0.5, 0.0), "limit > 0"),
        (lambda: cusum_run_length(0.5, 4.0, head_start=4.0), "head_start < limit"),
        (lambda: ewma_run_length(0.0, 3.0), "0 < weight <= 1"),
        (lambda: design_cusum(1.0, 1.0), "2 < in_control_run_length"),
        (lambda: design_ewma(500.0, 0.0), "shift > 0"),
        (lambda: design_cusum(3.0, 5.0), "no chart for this shift runs as short as 3 values"),
    ],
)
def test_impossible_questions_are_refused(call, message):
    with pytest.raises(ModelError, match=message):
        call()


@pytest.fixture
def rng():
    return np.random.default_rng(20252)
