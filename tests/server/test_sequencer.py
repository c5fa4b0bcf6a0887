"""Frames pass in the order of their numbers, each once, whatever order they arrive in."""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import given
from hypothesis import strategies as st

from axlewright_server.sequencer import Mark, Sequencer


@dataclass(frozen=True)
class Numbered:
    seq: int
    after: int | None = None
    vehicle: str = "t-1"
    stream: str = "s"


def passed(sequencer: Sequencer[Numbered], *items: Numbered, now_s: float = 0.0) -> list[int]:
    return [item.seq for offered in items for item in sequencer.offer(offered, now_s)]


def test_frames_in_order_pass_at_once() -> None:
    assert passed(Sequencer(), *map(Numbered, (1, 2, 3))) == [1, 2, 3]


def test_a_frame_that_overtook_another_waits_for_it() -> None:
    sequencer: Sequencer[Numbered] = Sequencer()
    assert passed(sequencer, Numbered(1), Numbered(3), Numbered(4)) == [1]
    assert sequencer.held == 2
    assert passed(sequencer, Numbered(2)) == [2, 3, 4]
    assert sequencer.held == 0


def test_a_repeated_frame_is_a_duplicate_whether_passed_or_held() -> None:
    sequencer: Sequencer[Numbered] = Sequencer()
    assert passed(sequencer, *map(Numbered, (1, 1, 3, 3, 2, 2, 3))) == [1, 2, 3]
    assert sequencer.counts.duplicates == 4


@given(
    order=st.permutations(list(range(1, 13))),
    repeats=st.lists(st.integers(1, 12), max_size=12),
    places=st.lists(st.integers(0, 23), max_size=12),
)
def test_any_order_with_any_repeats_passes_each_once_in_order(
    order: list[int], repeats: list[int], places: list[int]
) -> None:
    arrivals = list(order)
    for seq, place in zip(repeats, places, strict=False):
        arrivals.insert(min(place, len(arrivals)), seq)
    assert passed(Sequencer(), *map(Numbered, arrivals)) == list(range(1, 13))


def test_what_was_thinned_between_is_no_gap_when_the_frame_says_so() -> None:
    sequencer: Sequencer[Numbered] = Sequencer()
    assert passed(sequencer, Numbered(1), Numbered(9, after=1), Numbered(10)) == [1, 9, 10]
    assert sequencer.counts.gaps == 0


def test_a_frame_that_follows_one_not_yet_here_waits() -> None:
    sequencer: Sequencer[Numbered] = Sequencer()
    assert passed(sequencer, Numbered(1), Numbered(9, after=5), Numbered(5, after=1)) == [1, 5, 9]


def test_held_frames_of_a_known_stream_are_left_to_the_resend() -> None:
    sequencer: Sequencer[Numbered] = Sequencer(hold_s=30)
    sequencer.load([("t-1", "s", Mark(4))])
    assert passed(sequencer, Numbered(7)) == []
    assert sequencer.expire(29.0) == []
    assert sequencer.held == 1
    assert sequencer.expire(31.0) == []
    assert sequencer.held == 0
    assert passed(sequencer, *map(Numbered, (5, 6, 7)), now_s=40.0) == [5, 6, 7]


def test_an_unknown_stream_that_does_not_begin_with_one_is_taken_up_after_a_while_and_the_gap_counted() -> None:
    sequencer: Sequencer[Numbered] = Sequencer(hold_s=30)
    assert passed(sequencer, Numbered(41), Numbered(40), Numbered(43)) == []
    assert [item.seq for item in sequencer.expire(31.0)] == [40, 41]
    assert sequencer.mark("t-1", "s") == Mark(41, gaps=39)
    assert passed(sequencer, Numbered(42), now_s=32.0) == [42, 43]


def test_an_unknown_stream_that_says_what_it_follows_is_taken_up_at_once() -> None:
    assert passed(Sequencer(), Numbered(40, after=38), Numbered(41)) == [40, 41]


def test_streams_and_vehicles_do_not_wait_for_each_other() -> None:
    sequencer: Sequencer[Numbered] = Sequencer()
    assert passed(sequencer, Numbered(2), Numbered(1, stream="new"), Numbered(1, vehicle="t-2")) == [1, 1]


def test_one_vehicle_cannot_hold_more_than_its_share() -> None:
    sequencer: Sequencer[Numbered] = Sequencer(most_held=5)
    passed(sequencer, *map(Numbered, range(2, 20)))
    passed(sequencer, *(Numbered(9, stream=f"stream-{number}") for number in range(20)))
    assert sequencer.held == 5
    assert sequencer.counts.refused == 13 + 20
    assert passed(sequencer, Numbered(1)) == [1, 2, 3, 4, 5, 6]
    assert passed(sequencer, *map(Numbered, range(7, 20))) == list(range(7, 20))


def test_after_a_restart_the_committed_mark_alone_counts() -> None:
    sequencer: Sequencer[Numbered] = Sequencer()
    passed(sequencer, *map(Numbered, (1, 2, 3, 5)))
    sequencer.load([("t-1", "s", Mark(2))])
    assert passed(sequencer, *map(Numbered, (2, 3, 4))) == [3, 4]
