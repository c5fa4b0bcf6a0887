"""The life of an advisory: every state, every change recorded, nothing lost behind a shelf."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from axlewright_models.wire.messages import AdvisoryMessage
from axlewright_server.advisories import (
    KERNEL,
    AdvisoryError,
    acknowledge,
    advisory_id,
    close,
    decode_advisory,
    encode_advisory,
    expire_shelf,
    raise_advisory,
    return_to_normal,
    shelve,
    suppress,
    unshelve,
    unsuppress,
    update,
)
from axlewright_server.lifetime import CLOSE_AFTER_S, CLOSE_UNSEEN_AFTER_S, deadline_s, run_out


def message(updated_s=1000.0, urgency="within-a-day", since_s=900.0):
    return AdvisoryMessage(
        id=advisory_id("yard", "t-1", 2, "dragging-brake", 1000.0),
        fleet="yard",
        vehicle="t-1",
        axle=2,
        cause="dragging-brake",
        title="Brake drags at a wheel end",
        state="unacknowledged",
        urgency=urgency,
        confidence=0.8,
        since_s=since_s,
        updated_s=updated_s,
        summary="Axle 2 of t-1: lube 12 K above what load, speed and weather explain.",
    )


def fresh():
    return raise_advisory(message(), 0, ("lube-above-model",), ("lube",))[0]


def again(advisory, time_s, urgency="within-a-day", since_s=900.0):
    return update(advisory, message(time_s, urgency, since_s), ("lube-above-model",), ("lube",))


def test_the_identifier_hangs_on_axle_cause_and_onset_alone():
    same = advisory_id("yard", "t-1", 2, "dragging-brake", 1000.0)
    assert same == fresh().id
    others = {
        advisory_id("yard", "t-1", 3, "dragging-brake", 1000.0),
        advisory_id("yard", "t-2", 2, "dragging-brake", 1000.0),
        advisory_id("yard", "t-1", 2, "bearing-wear", 1000.0),
        advisory_id("yard", "t-1", 2, "dragging-brake", 1001.0),
        advisory_id("field", "t-1", 2, "dragging-brake", 1000.0),
    }
    assert len(others | {same}) == 6


def test_a_raised_advisory_calls_for_attention_and_says_so_in_its_record():
    advisory, record = raise_advisory(message(), 7, ("a",), ("lube",))
    assert (advisory.state, advisory.row) == ("unacknowledged", 7)
    assert (record.action, record.from_state, record.to_state, record.who) == ("raised", "", "unacknowledged", KERNEL)


def test_acknowledged_then_normal():
    advisory, record = acknowledge(fresh(), "planner", 1100.0, "seen it")
    assert (record.from_state, record.to_state, record.who, record.reason, record.time_s) == (
        "unacknowledged",
        "acknowledged",
        "planner",
        "seen it",
        1100.0,
    )
    assert return_to_normal(advisory, 1200.0)[0].state == "returned-to-normal"


def test_normal_before_it_was_seen_still_wants_to_be_seen():
    advisory, _ = return_to_normal(fresh(), 1200.0)
    assert advisory.state == "returned-unacknowledged"
    assert acknowledge(advisory, "planner", 1300.0)[0].state == "returned-to-normal"


def test_repeated_symptoms_update_and_keep_identity_onset_and_acknowledgement():
    advisory, _ = acknowledge(fresh(), "planner", 1100.0)
    updated, record = again(advisory, 1500.0, since_s=1400.0)
    assert (updated.id, updated.message.since_s, updated.state) == (advisory.id, 900.0, "acknowledged")
    assert (record.action, updated.message.updated_s) == ("updated", 1500.0)


def test_a_more_urgent_advisory_must_be_acknowledged_anew():
    advisory, _ = acknowledge(fresh(), "planner", 1100.0)
    assert again(advisory, 1500.0, "stop-safely-now")[0].state == "unacknowledged"
    assert again(advisory, 1500.0, "next-service")[0].state == "acknowledged"


def test_symptoms_that_return_call_again():
    advisory, _ = acknowledge(fresh(), "planner", 1100.0)
    advisory, _ = return_to_normal(advisory, 1200.0)
    recurred, record = again(advisory, 1500.0)
    assert (recurred.state, record.action, recurred.returned_s) == ("unacknowledged", "recurred", None)


def test_a_shelf_hides_and_forgets_nothing():
    advisory, record = shelve(fresh(), "planner", 1100.0, 2000.0, "no bay free")
    assert (advisory.state, advisory.message.shelved_until_s, record.reason) == ("shelved", 2000.0, "no bay free")
    advisory, _ = return_to_normal(advisory, 1200.0)
    assert advisory.state == "shelved"
    assert expire_shelf(advisory, 1999.0) is None
    back, record = expire_shelf(advisory, 2500.0)
    assert (back.state, back.message.shelved_until_s) == ("returned-unacknowledged", None)
    # Dated when it fell due, whenever somebody looked.
    assert (record.time_s, record.who, record.action) == (2000.0, KERNEL, "unshelved")


def test_a_person_may_take_it_off_the_shelf_early():
    advisory, _ = shelve(fresh(), "planner", 1100.0, 2000.0, "no bay free")
    assert unshelve(advisory, "planner", 1500.0)[0].state == "unacknowledged"


def test_suppression_stays_until_it_is_lifted():
    advisory, record = suppress(fresh(), "planner", 1100.0, "axle is on the test stand")
    assert (advisory.state, record.to_state) == ("suppressed", "suppressed")
    assert again(advisory, 1500.0)[0].state == "suppressed"
    assert unsuppress(advisory, "planner", 1600.0)[0].state == "unacknowledged"


def test_closed_is_closed_and_keeps_its_reason():
    advisory, record = close(fresh(), "planner", 1100.0, "slack adjuster replaced")
    assert (advisory.state, advisory.message.closed_reason, advisory.open) == (
        "closed",
        "slack adjuster replaced",
        False,
    )
    assert record.to_state == "closed"


@pytest.mark.parametrize(
    ("act", "text"),
    [
        (lambda a: acknowledge(a, " ", 1100.0), "say who wants to acknowledge"),
        (lambda a: shelve(a, "planner", 1100.0, 2000.0, " "), "give a reason to shelve"),
        (lambda a: shelve(a, "planner", 1100.0, 1100.0, "later"), "must be after now"),
        (lambda a: shelve(a, "planner", 1100.0, float("inf"), "later"), "must be after now"),
        (lambda a: shelve(suppress(a, "x", 1.0, "because")[0], "planner", 1100.0, 2000.0, "later"), "is suppressed"),
        (lambda a: unshelve(a, "planner", 1100.0), "not shelved"),
        (lambda a: suppress(a, "planner", 1100.0, ""), "give a reason to suppress"),
        (lambda a: unsuppress(a, "planner", 1100.0), "not suppressed"),
        (lambda a: close(a, "planner", 1100.0, ""), "give a reason to close"),
        (lambda a: acknowledge(close(a, "x", 1.0, "done")[0], "planner", 1100.0), "is closed"),
        (lambda a: close(close(a, "x", 1.0, "done")[0], "planner", 1100.0, "done"), "is closed"),
        (lambda a: decode_advisory(b"{}"), "stored advisory cannot be read"),
    ],
)
def test_actions_that_do_not_fit_are_refused_in_words(act, text):
    with pytest.raises(AdvisoryError, match=text):
        act(fresh())


def test_what_stays_normal_closes_by_itself_later_if_nobody_saw_it():
    unseen, _ = return_to_normal(fresh(), 1200.0)
    assert deadline_s(unseen) == 1200.0 + CLOSE_UNSEEN_AFTER_S
    seen, _ = acknowledge(unseen, "planner", 1300.0)
    assert deadline_s(seen) == 1200.0 + CLOSE_AFTER_S
    assert not run_out(seen, 1199.0 + CLOSE_AFTER_S)
    ((closed, record),) = run_out(seen, 5e6)
    assert (closed.state, record.time_s) == ("closed", 1200.0 + CLOSE_AFTER_S)
    assert "48 hours" in closed.message.closed_reason


def test_active_advisories_never_close_by_themselves():
    assert deadline_s(fresh()) == float("inf")
    assert not run_out(fresh(), 1e12)


STEPS = {
    "update": lambda a, t: again(a, t),
    "worse": lambda a, t: again(a, t, "stop-safely-now"),
    "return": lambda a, t: return_to_normal(a, t),
    "acknowledge": lambda a, t: acknowledge(a, "planner", t),
    "shelve": lambda a, t: shelve(a, "planner", t, t + 50.0, "later"),
    "unshelve": lambda a, t: unshelve(a, "planner", t),
    "suppress": lambda a, t: suppress(a, "planner", t, "because"),
    "unsuppress": lambda a, t: unsuppress(a, "planner", t),
}


@given(st.lists(st.sampled_from(sorted(STEPS)), max_size=15))
def test_whatever_happens_records_chain_time_ascends_and_storage_keeps_it(names):
    advisory = fresh()
    for number, name in enumerate(names):
        time_s = 2000.0 + 10.0 * number
        try:
            changed, record = STEPS[name](advisory, time_s)
        except AdvisoryError:
            continue
        assert (record.from_state, record.to_state) == (advisory.state, changed.state)
        assert changed.id == advisory.id
        assert changed.message.updated_s >= advisory.message.updated_s
        assert (changed.state == "suppressed") == bool(changed.suppressed_by)
        assert decode_advisory(encode_advisory(changed)) == changed
        advisory = changed
