"""The driveshaft's lines after a repair: held to what they read before, until the new normal is learnt."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from known_truth import BEGIN_S, HOUR, Faults, Journey, after, chunk, fleet, hours, rows, signals
from scipy import stats

from axlewright_models.shop.service import ServiceEvent
from axlewright_server.detectors import before_repair
from axlewright_server.detectors.base import LINE_CODES
from axlewright_server.detectors.vibration import LINES, Vibration
from axlewright_server.kernel import Kernel

# Long enough before the repair that the bands between 55 and 88 km/h are learnt, in a day instead of four.
DAY = Journey((("drive", 17.0),))
REPAIR_H = 13.0
FIRST = LINES.index("vib/order/driveshaft-1")
CELLS = Vibration().fresh(1)["count"].shape[1]


def driven(gain, *touched, line="driveshaft-1", pieces=1):
    """Return the kernel of a truck whose rear axle's shaft was repaired, and all symptoms from the repair on."""
    made = rows([signals(DAY, 2, Faults(axle=1, gains={f"vib/order/{line}": gain}))])
    kernel = Kernel(fleet(1), [Vibration(lessons_a_day=1000)])
    kernel.service(ServiceEvent("t-0", 3, BEGIN_S + REPAIR_H * HOUR, frozenset(touched)))
    ends = np.linspace(0.0, 17.0, pieces + 1)
    parts = [
        kernel.run(chunk(made, BEGIN_S + begin * HOUR, BEGIN_S + end * HOUR)) for begin, end in itertools.pairwise(ends)
    ]
    return kernel, [one for part in parts for one in part.symptoms if hours(one) > REPAIR_H]


def lines_of(symptoms):
    return {(one.axle, one.key) for one in symptoms if one.active and one.code in LINE_CODES}


@pytest.fixture(scope="module")
def unbalanced():
    """Return what becomes of a shaft put back eight times as far out of balance as it was."""
    return driven(after(REPAIR_H, 7.0), "driveshaft")


def test_a_shaft_put_back_out_of_balance_is_told_and_not_learnt_as_normal(unbalanced):
    kernel, told = unbalanced
    assert lines_of(told) == {(1, "order-high/driveshaft-1")}
    assert "source-driveshaft-unbalance" in {one.key for one in told if one.active}
    first = min((one for one in told if one.active), key=lambda one: one.time_s)
    assert REPAIR_H < hours(first) < REPAIR_H + 2.0
    # The limit that it passed is the usual one beyond the room.
    beyond = 2.0 if first.level == 2 else np.sqrt(2.0)
    assert first.limit == pytest.approx(beyond * np.exp(before_repair.ROOM), rel=0.05)
    record = kernel._states[1][1]
    known = ~np.isnan(record["before_mean"][:, before_repair.LINES.tolist().index(FIRST)])
    assert known.any()
    # A minute that lies on both sides of the repair may count.
    assert record["count"][known, FIRST].max() <= 1.0
    # Its other axle was not touched and keeps its normal.
    assert kernel._states[1]["count"][0, :, FIRST].max() >= Vibration().learning


def test_the_same_shaft_is_not_told_where_the_sensor_or_the_gears_are_others():
    for word in ("vibration-sensor", "gear-set"):
        assert not driven(after(REPAIR_H, 7.0), "driveshaft", word)[1]


def test_a_new_shaft_that_shakes_twice_as_hard_is_within_its_room_and_is_learnt():
    kernel, told = driven(after(REPAIR_H, 1.0), "driveshaft", "joint")
    assert not told
    record = kernel._states[1][1]
    learnt = record["count"][:, FIRST] >= Vibration().learning
    assert learnt.any()
    kept = record["before_mean"][:, before_repair.LINES.tolist().index(FIRST)]
    assert np.exp(record["mean"][:, FIRST] - kept)[learnt] == pytest.approx(2.0, rel=0.2)


def test_a_repair_that_mended_the_shaft_ends_its_symptom_and_one_that_did_not_is_told_again():
    mended, told = driven(lambda t: np.where((t > 12.0 * HOUR) & (t < REPAIR_H * HOUR), 7.0, 0.0), "driveshaft")
    assert not [one for one in told if one.active]
    assert not mended.standing(1)
    unmended, _ = driven(after(12.0, 7.0), "driveshaft")
    assert "order-high/driveshaft-1" in {one.key for one in unmended.standing(1)}


def test_a_shaft_put_together_out_of_phase_is_told_as_its_joints():
    _, told = driven(after(REPAIR_H, 6.0), "driveshaft", line="driveshaft-2")
    assert lines_of(told) == {(1, "order-high/driveshaft-2")}
    assert "source-joint-angle" in {one.key for one in told if one.active}


def test_results_do_not_hang_on_how_rows_are_batched(unbalanced):
    kernel, told = unbalanced
    by_piece, same = driven(after(REPAIR_H, 7.0), "driveshaft", pieces=23)
    assert same == told
    assert by_piece._states[1].tobytes() == kernel._states[1].tobytes()


def test_a_second_repair_before_anything_new_is_learnt_is_held_to_the_first_normal():
    detector = Vibration()
    record = detector.fresh(1)
    record["count"], record["mean"], record["m2"] = 60.0, 1.0, 0.59
    record = detector.serviced(record, frozenset({"centre-bearing"}))
    assert (record["count"][:, :, FIRST] == 0.0).all()
    record["mean"] = 5.0
    record["count"][:, 0] = 60.0
    record = detector.serviced(record, frozenset({"joint"}))
    # The first cell had learnt a new normal, the others not.
    assert record["before_mean"][0, 0].tolist() == [5.0] * len(before_repair.LINES)
    assert (record["before_mean"][0, 1:] == 1.0).all()
    assert record["before_spread"][0, 1] == pytest.approx(0.1)
    # Another sensor knows nothing of what was; work elsewhere changes nothing.
    assert not np.isnan(detector.serviced(record.copy(), frozenset({"wheel-or-tyre"}))["before_mean"]).any()
    assert np.isnan(detector.serviced(record.copy(), frozenset({"vibration-sensor"}))["before_mean"]).all()


def test_where_a_line_was_learnt_only_with_another_upon_it_that_will_do_alone():
    record = Vibration().fresh(1)
    record["count"][:, CELLS // 2 + 3] = 60.0
    record["mean"][:, CELLS // 2 + 3] = 2.0
    before_repair.keep(record, frozenset({"driveshaft"}), 60)
    mean, _ = before_repair.expected(record, np.array([[3, 3, 4]]))
    np.testing.assert_array_equal(mean, [[2.0, 2.0, np.nan]])


def test_a_healthy_shaft_stands_beyond_its_room_as_seldom_as_is_said():
    """Two residuals of many random vectors each, 200,000 pairs (seed 5): their ratio, against the room."""
    generator, pairs, parts = np.random.default_rng(5), 200_000, 12
    turned = np.exp(2j * np.pi * generator.random((2, pairs, parts)))
    new, old = np.abs((turned * generator.random((2, pairs, parts))).sum(axis=2))
    beyond = int((np.log(new / old) > before_repair.ROOM).sum())
    low, high = stats.binom(pairs, before_repair.BEYOND).ppf([0.0005, 0.9995])
    assert low <= beyond <= high
    # With the least limit on top, one in nineteen.
    assert np.mean(new / old > np.sqrt(2.0) * np.exp(before_repair.ROOM)) == pytest.approx(1.0 / 19.0, rel=0.05)
