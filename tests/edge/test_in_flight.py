"""The bookkeeping of what is on its way, without any network."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from axlewright_edge.in_flight import InFlight, Patience

PATIENCE = Patience(frames=20, resend_after_s=10.0, resends=3)


def flight_of(*seqs: int) -> InFlight:
    flight = InFlight(PATIENCE)
    for seq in seqs:
        flight.sent(seq, now_s=0.0)
    return flight


def resend(flight: InFlight, *seqs: int, now_s: float) -> None:
    flight.rewind(now_s)
    for seq in seqs:
        flight.sent(seq, now_s)


def test_a_frame_is_hopeless_after_its_resends_were_each_answered_without_it() -> None:
    flight = flight_of(7, 8)
    for round_number in range(3):
        assert flight.hopeless is None
        resend(flight, 7, 8, now_s=100.0 * round_number)
        flight.acked(6, now_s=100.0 * round_number + 1.0)
    assert flight.hopeless == 7
    flight.give_up(7)
    assert (flight.hopeless, flight.oldest) == (None, 8)


def test_many_acks_after_one_resend_count_once() -> None:
    flight = flight_of(7)
    resend(flight, 7, now_s=10.0)
    for _ in range(50):
        flight.acked(6, now_s=11.0)
    assert flight.hopeless is None


def test_resends_without_any_ack_count_nothing() -> None:
    flight = flight_of(7)
    for round_number in range(100):
        resend(flight, 7, now_s=100.0 * round_number)
    assert flight.hopeless is None


def test_an_ack_that_covers_the_oldest_clears_what_was_counted() -> None:
    flight = flight_of(7, 8)
    for _ in range(2):
        resend(flight, 7, 8, now_s=10.0)
        flight.acked(6, now_s=11.0)
    flight.acked(7, now_s=12.0)
    resend(flight, 8, now_s=30.0)
    flight.acked(7, now_s=31.0)
    assert flight.hopeless is None


@pytest.mark.parametrize(("rounds", "wait_s"), [(0, 10.0), (1, 20.0), (2, 40.0), (3, 60.0), (9, 60.0)])
def test_the_wait_before_a_resend_doubles_up_to_a_minute(rounds: int, wait_s: float) -> None:
    flight = flight_of(1)
    for _ in range(rounds):
        resend(flight, 1, now_s=0.0)
    assert not flight.stalled(wait_s - 0.01)
    assert flight.stalled(wait_s)


def test_progress_begins_the_wait_anew() -> None:
    flight = flight_of(1, 2)
    flight.acked(1, now_s=9.0)
    assert not flight.stalled(18.9)
    assert flight.stalled(19.0)


def test_nothing_on_its_way_is_never_stalled() -> None:
    flight = flight_of(1)
    flight.acked(1, now_s=1.0)
    assert not flight.stalled(1e9)


def test_a_broker_may_allow_fewer_and_never_more() -> None:
    flight = InFlight(PATIENCE)
    flight.limit(5)
    assert flight.room == 5
    flight.limit(65535)
    assert flight.room == 20


@given(st.lists(st.one_of(st.just("send"), st.integers(0, 60), st.just("rewind")), max_size=80))
def test_the_window_is_never_passed_and_an_ack_leaves_only_what_it_does_not_cover(steps: list[str | int]) -> None:
    flight, following, highest = InFlight(PATIENCE), 1, 0
    for number, step in enumerate(steps):
        now_s = float(number)
        if step == "send" and flight.room:
            flight.sent(following, now_s)
            following += 1
        elif step == "rewind":
            flight.rewind(now_s)
            following = highest + 1
        elif isinstance(step, int) and step < following:
            flight.acked(step, now_s)
            highest = max(highest, step)
            assert flight.oldest is None or flight.oldest > step
        assert 0 <= flight.room <= 20
