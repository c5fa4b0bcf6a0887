"""The rules of counting, on cases small enough to be counted by hand."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

sys.path.insert(0, str(Path(__file__).parent))

from evaluation_cases import BEGIN, DAY, alert, event, moment, unit, version
from test_diagnosis import HOT, HOTTER, symptom, view
from test_diagnosis import judge as judged

from axlewright_server.evaluation.alerts import AlertBook
from axlewright_server.evaluation.baselines import calls
from axlewright_server.evaluation.counting import (
    distance_between,
    exposure_years,
    false_alerts,
    judge,
    leading,
)
from axlewright_server.evaluation.forecasts import crossing, decided
from axlewright_server.evaluation.intervals import rate, share
from axlewright_server.evaluation.record import Forecast, Run, Source, decode_run, encode_run
from axlewright_server.evaluation.summary import (
    ablation_rows,
    attributed,
    confusion,
    reliability,
    summarise,
)
from axlewright_server.evaluation.truth import BroughtAbout


def run_of(units, alerts, kind="scenarios", **more):
    return Run("test", "as-designed", kind, 2001, tuple(units), tuple(alerts), **more)


def test_a_fault_is_found_by_the_first_advisory_on_its_axle_after_its_onset():
    outcome = judge(unit(event(10.0, failure=30.0)), [alert(12.0), alert(20.0)])
    assert outcome.found
    assert outcome.delay_days == pytest.approx(2.0)
    assert outcome.lead_days == pytest.approx(18.0)
    assert outcome.lead_km == pytest.approx(18.0 * 500.0)


@pytest.mark.parametrize(
    ("why", "told"),
    [
        ("before the onset", alert(9.0)),
        ("after the failure", alert(31.0)),
        ("on the tandem partner", alert(12.0, axle=3)),
        ("on another truck", alert(12.0, vehicle="t-2")),
    ],
)
def test_other_advisories_do_not_find_it(why, told):
    outcome = judge(unit(event(10.0, failure=30.0)), [told])
    assert not outcome.found, why
    assert outcome.lead_days is None
    assert outcome.other_axle == (told.axle == 3)


def test_any_drive_axle_is_right_for_a_fault_of_the_whole_truck():
    assert judge(unit(event(10.0, axle=0)), [alert(12.0, axle=3)]).found


def test_a_fault_that_did_not_fail_within_the_run_has_no_lead():
    assert judge(unit(event(10.0)), [alert(12.0)]).lead_days is None
    assert judge(unit(event(10.0, failure=60.0), days=40.0), [alert(12.0)]).lead_days is None


def test_causes_are_judged_when_raised_and_as_they_read_just_before_the_failure():
    later = (
        version(20.0, "tandem-mismatch", "dragging-brake", "bearing-preload", "hard-duty"),
        version(31.0, "dragging-brake"),
    )
    outcome = judge(unit(event(10.0, failure=30.0)), [alert(12.0, "dragging-brake", later=later)])
    assert outcome.first_right
    assert not outcome.last_right
    assert outcome.last_among_three


def test_the_list_is_led_by_what_is_active_then_urgent_then_sure():
    cleared = alert(12.0, "a", later=(version(15.0, "a", active=False, urgency="stop-safely-now"),))
    urgent = alert(13.0, "b", later=(version(16.0, "b", urgency="within-a-day", sure=0.5),))
    sure = alert(14.0, "c", later=(version(14.5, "c", sure=0.95),))
    assert leading([cleared, sure], BEGIN + 20 * DAY).cause == "c"
    assert leading([cleared, urgent, sure], BEGIN + 20 * DAY).cause == "b"
    assert leading([cleared, urgent, sure], BEGIN + 13.5 * DAY).cause == "b"  # equal by then: the latest leads


def test_everything_told_on_a_healthy_truck_is_false_and_before_an_onset_too():
    told = [alert(3.0), alert(9.0), alert(12.0)]
    assert len(false_alerts(unit(None), told)) == 3
    assert len(false_alerts(unit(event(10.0)), told)) == 2
    harmless = event(10.0, causes=(), harmless=True)
    assert len(false_alerts(unit(harmless), told)) == 3


def test_exposure_ends_with_the_onset():
    years = exposure_years([unit(None, days=36.525), unit(event(10.0))])
    assert years == pytest.approx((36.525 + 10.0) / 365.25)


def test_a_distance_is_read_between_days():
    assert distance_between(unit(None), BEGIN + 1.5 * DAY, BEGIN + 3.0 * DAY) == pytest.approx(750.0)


@pytest.mark.parametrize(("count", "of"), [(0, 10), (1, 10), (19, 20), (20, 20), (57, 60)])
def test_shares_have_the_interval_of_scipy(count, of):
    theirs = stats.binomtest(count, of).proportion_ci(0.95, method="exact")
    assert share(count, of) == pytest.approx((count / of, theirs.low, theirs.high))


@pytest.mark.parametrize(("count", "years"), [(0, 200.0), (3, 10.0), (40, 200.0)])
def test_rates_have_an_interval_at_whose_ends_the_count_is_just_unlikely(count, years):
    _, low, high = rate(count, years)
    assert stats.poisson.cdf(count, high * years) == pytest.approx(0.025)
    if count:
        assert stats.poisson.sf(count - 1, low * years) == pytest.approx(0.025)
    else:
        assert low == 0.0


def test_nothing_counted_is_no_number():
    assert np.isnan(share(0, 0)).all()
    assert np.isnan(rate(0, 0.0)).all()


def test_alarm_days_within_a_week_are_one_call():
    days = np.zeros(40, bool)
    days[[2, 3, 9, 20, 28]] = True
    assert calls(days) == [2, 20, 28]


def test_a_summary_tells_healthy_trucks_from_those_before_their_fault():
    runs = [
        run_of([unit(event(10.0, failure=30.0))], [alert(4.0), alert(12.0)]),
        run_of([unit(None, days=365.25), unit(None, days=365.25, vehicle="t-2")], [alert(5.0)], kind="healthy"),
    ]
    summary = summarise(runs)
    assert summary.found.value == 1.0
    assert summary.false_rate.value == pytest.approx(0.5)
    assert len(summary.other_false) == 1
    assert summary.false_by("cause") == {"dragging-brake": 1}
    assert summary.slow_leads() == pytest.approx([18.0])


def test_a_missed_slow_fault_counts_as_no_warning_at_all():
    summary = summarise([run_of([unit(event(10.0, failure=30.0))], [])])
    assert summary.slow_leads() == [0.0]
    assert summary.found.value == 0.0


def test_faults_that_no_sensor_shows_are_counted_apart():
    hidden = event(10.0, detectable=False, reason="no sensor")
    summary = summarise([run_of([unit(hidden)], [])])
    assert (len(summary.cases), len(summary.hidden)) == (0, 1)


def test_the_confusion_matrix_takes_a_second_right_answer_for_the_first():
    two = event(10.0, causes=("dragging-brake", "bearing-preload"))
    cases = summarise([run_of([unit(two)], [alert(12.0, "bearing-preload")])]).cases
    assert confusion(cases, at_first=True) == {("dragging-brake", "dragging-brake"): 1}
    cases = summarise([run_of([unit(two)], [alert(12.0, "hard-duty")])]).cases
    assert confusion(cases, at_first=False) == {("dragging-brake", "hard-duty"): 1}


def test_stated_probabilities_are_true_only_on_the_right_axle_and_after_the_onset():
    told = [alert(12.0, "dragging-brake"), alert(13.0, "dragging-brake", axle=3), alert(4.0, "dragging-brake")]
    (only,) = summarise([run_of([unit(event(10.0))], told)]).reliability
    assert (only.count, only.stated) == (3, pytest.approx(0.8))
    assert only.true.value == pytest.approx(1 / 3)


def test_reliability_is_binned_by_tenths():
    found = reliability([(0.05, False), (0.95, True), (1.0, True)])
    assert [(one.count, one.true.value) for one in found] == [(1, 0.0), (2, 1.0)]


@pytest.mark.parametrize(
    ("named", "word"),
    [
        ([("wheel", 12, True)], "right"),
        ([("engine", 12, True), ("engine", 13, False), ("wheel", 14, True)], "right"),
        ([("wheel", 12, True), ("engine", 13, True)], "right, then another"),
        ([("engine", 12, True), ("wheel", 13, True)], "right"),
        ([("engine", 12, True)], "wrong"),
        ([("wheel", 12, True), ("lines-coincide", 13, True)], "left open"),
        ([("wheel", 9, True)], "not named"),
        ([], "not named"),
    ],
)
def test_sources_are_judged_as_they_stand_at_last(named, word):
    sources = [Source("t-1", 2, BEGIN + day * DAY, name, active) for name, day, active in named]
    assert attributed(unit(event(10.0, source="wheel")), sources) == word


@pytest.mark.parametrize(
    ("named", "since", "word"),
    [
        # Lube lost through a loose output bearing starves the gears from a day on: they shake as well.
        ([("bearing", 2, 12), ("gear-mesh", 2, 20)], 18, "right, with what it brought about"),
        ([("gear-mesh", 2, 20), ("bearing", 2, 22)], 18, "right, with what it brought about"),
        # Told before it was as loud as that: what counts is how things stand at the end.
        ([("bearing", 2, 12), ("gear-mesh", 2, 15)], 18, "right, with what it brought about"),
        # The readings end before.
        ([("bearing", 2, 12), ("gear-mesh", 2, 20)], 50, "right, then another"),
        # It shakes on the other axle, not on this one.
        ([("bearing", 2, 12), ("gear-mesh", 3, 20)], 18, "right, then another"),
        # Something else is named that does not shake at all.
        ([("bearing", 2, 12), ("gear-mesh", 2, 20), ("engine", 2, 21)], 18, "right, then another"),
        # What was brought about is not what brought it about.
        ([("gear-mesh", 2, 20)], 18, "wrong"),
        ([("engine", 2, 12), ("gear-mesh", 2, 20)], 18, "wrong"),
    ],
)
def test_a_source_that_the_fault_has_in_truth_brought_about_is_no_error_and_no_answer(named, since, word):
    brought = (BroughtAbout("gear-mesh", 2, moment(since)),)
    sources = [Source("t-1", axle, BEGIN + day * DAY, name, True) for name, axle, day in named]
    assert attributed(unit(event(10.0, axle=0, source="bearing", brought_about=brought)), sources) == word


def test_right_sources_beside_what_they_brought_about_count_as_right():
    brought = (BroughtAbout("gear-mesh", 2, moment(18)),)
    named = [("bearing", 12), ("gear-mesh", 20)]
    sources = tuple(Source("t-1", 2, BEGIN + day * DAY, name, True) for name, day in named)
    case = unit(event(10.0, source="bearing", brought_about=brought))
    assert summarise([run_of([case], [], sources=sources)]).source_right.value == 1.0


def test_a_right_source_that_another_was_named_after_does_not_count_as_right():
    named = [("wheel", 12, True), ("engine", 13, True)]
    sources = tuple(Source("t-1", 2, BEGIN + day * DAY, name, active) for name, day, active in named)
    counted = [
        summarise([run_of([unit(event(10.0, source="wheel"))], [], sources=told)]) for told in (sources, sources[:1])
    ]
    assert [one.source_right.value for one in counted] == [0.0, 1.0]


def test_ablation_counts_what_is_lost_without_a_detector():
    told = (alert(4.0), alert(12.0))
    run = run_of([unit(event(10.0))], told, without={"lube-model": (alert(4.0),), "tandem": told})
    whole, rows, asked = ablation_rows([run])
    assert (asked, whole.found, whole.false) == (1, 1, 1)
    assert {row.detector: (row.found, row.false) for row in rows} == {"lube-model": (0, 1), "tandem": (1, 1)}


def test_a_record_survives_its_file():
    run = run_of([unit(event(10.0, failure=30.0))], [alert(12.0, "dragging-brake", "hard-duty")])
    assert decode_run(encode_run(run)) == run


def test_an_event_ends_with_its_repair():
    mended = event(10.0, end=moment(15.0))
    assert not judge(unit(mended), [alert(16.0)]).found


@pytest.mark.parametrize(
    ("early", "late", "truth", "watched", "held"),
    [
        (5.0, 9.0, 7.0, 30.0, True),
        (5.0, 9.0, 12.0, 30.0, False),
        (5.0, None, 12.0, 30.0, True),
        (5.0, 9.0, None, 30.0, False),
        (5.0, 9.0, None, 8.0, None),
        (5.0, None, None, 30.0, True),  # whenever it comes, it comes after the early end
        (5.0, None, None, 4.0, None),
        (None, None, 12.0, 30.0, False),
    ],
)
def test_a_forecast_is_judged_only_where_the_readings_decide(early, late, truth, watched, held):
    one = Forecast("t-1", 2, BEGIN, "height", early, early, late, truth, watched, 0.5)
    assert decided(one) is held
    run = run_of([unit(None)], [], forecasts=(one,))
    assert decode_run(encode_run(run)) == run
    assert list(summarise([run]).coverage) == ["all quantities", "height"]


@pytest.mark.parametrize(
    ("truth", "watched", "word"),
    [
        (3.0, 30.0, "sooner"),
        (12.0, 30.0, "later"),
        (7.0, 30.0, "inside"),
        (None, 30.0, "never"),
        (None, 4.0, "undecided"),
    ],
)
def test_it_is_told_on_which_side_a_forecast_failed(truth, watched, word):
    one = Forecast("t-1", 2, BEGIN, "height", 5.0, 6.0, 9.0, truth, watched, 0.5)
    assert summarise([run_of([unit(None)], [], forecasts=(one,))]).came == {"height": {word: 1}}


def test_a_limit_is_passed_when_the_median_of_five_days_is_beyond_it():
    figures = {float(day): 0.0 for day in range(20)} | {6.0: 99.0, 12.0: -7.0, 13.0: -7.0, 14.0: -7.0}
    assert crossing(figures, 2.0, 6.0, 1) is None
    # Days 10 to 14: two at 0, three at -7; of the way from 0 on the day before six parts of seven.
    assert crossing(figures, 2.0, -6.0, -1) == pytest.approx(11.0 + 6.0 / 7.0)
    assert crossing(figures, 13.0, -6.0, -1) == 13.0  # beyond on the day itself


def test_a_suppressed_advisory_leads_no_list():
    book = AlertBook()
    ((brake, record),) = judged(view(HOT, HOTTER))
    book.take([(brake, record)])
    book.take(judged(view(HOT, HOTTER, symptom("sensor-range", "lube")), [brake], time_s=record.time_s + 1000.0))
    assert {told.first.cause: told.versions[-1].active for told in book.alerts()} == {
        "dragging-brake": False,
        "failed-temperature-sensor": True,
    }
    assert leading(book.alerts(), record.time_s + 2000.0).cause == "failed-temperature-sensor"
