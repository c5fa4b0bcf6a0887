"""Chances of failure held against failures: who counts, until when, and what is measured where readings end."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from evaluation_cases import alert, event, unit

from axlewright_server.diagnosis.knowledge import load_knowledge
from axlewright_server.evaluation.failures import Told, failure_table, share_failed, told_of
from axlewright_server.evaluation.record import Run
from axlewright_server.prognosis.chances import chances

KNOWLEDGE = load_knowledge()


def told(what, raised):
    run = Run("test", "as-designed", "scenarios", 2001, (unit(what),), (raised,))
    return told_of([run], KNOWLEDGE)


def test_an_advisory_is_followed_to_the_failure():
    (one,) = told(event(10.0, failure=20.0), alert(12.0))
    assert (one.km, one.failed) == (pytest.approx(8 * 500.0), True)


@pytest.mark.parametrize(
    ("what", "raised", "km"),
    [
        (event(10.0), alert(12.0), 28 * 500.0),  # to the end of the readings
        (event(10.0, failure=20.0), alert(4.0), 6 * 500.0),  # before the onset: only to there
        (None, alert(4.0), 36 * 500.0),
    ],
)
def test_without_a_failure_it_is_followed_as_far_as_it_is_seen(what, raised, km):
    (one,) = told(what, raised)
    assert (one.km, one.failed) == (pytest.approx(km), False)


@pytest.mark.parametrize("raised", [alert(21.0), alert(12.0, axle=3)])
def test_after_the_failure_or_of_another_axle_nothing_counts(raised):
    assert told(event(10.0, failure=20.0), raised) == []


def test_lives_that_are_cut_off_leave_the_share_that_fails_unbiased():
    rng = np.random.default_rng(1)
    lives, ends = rng.exponential(8000.0, 4000), rng.uniform(0.0, 12_000.0, 4000)
    some = [Told((), float(min(life, end)), bool(life <= end)) for life, end in zip(lives, ends, strict=True)]
    assert share_failed(some, 5000.0) == pytest.approx(1.0 - np.exp(-5.0 / 8.0), abs=0.03)


def test_the_table_has_a_row_for_each_distance_and_group_that_occurs():
    run = Run("test", "as-designed", "scenarios", 2001, (unit(event(10.0, failure=11.0)),), (alert(10.5),))
    rows = failure_table([run], KNOWLEDGE).rows
    assert [row[0] for row in rows] == ["1,000 km", "5,000 km", "20,000 km"]
    assert all(row[3:] == ("100 %", "1", "1") for row in rows)


def test_a_sudden_loss_fails_soon_if_at_all_and_wear_takes_its_time():
    sudden, wear = (
        [each.failure for each in chances(KNOWLEDGE, [{name: 1.0}], {}).ahead]
        for name in ("sudden-lube-loss", "bearing-wear")
    )
    assert sudden[0] > 0.95 * sudden[2]
    assert wear[0] < 0.1 * wear[2]
