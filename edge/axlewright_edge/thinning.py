"""Which readings to give up when the outbox is full: of the oldest, one in N is kept, and the rest is counted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Held:
    """One frame that waits: its number, how many windows it holds, how many were dropped just before it."""

    seq: int
    windows: int
    thinned: int


@dataclass(frozen=True)
class Thinning:
    """What to drop, and the new count of each frame that is kept after dropped ones."""

    dropped: tuple[int, ...]
    counts: dict[int, int]
    windows: int


def thin(oldest: Sequence[Held], keep_one_in: int) -> Thinning:
    """Return how to thin these frames, oldest first: of every `keep_one_in` the last is kept.

    What is dropped is added to the count of the frame that is kept after it, so that no window vanishes from the
    books. Frames that do not fill a last group stay.

    Raises
    ------
    ValueError
        `keep_one_in` is below 2: nothing would be dropped.

    Examples
    --------
    >>> plan = thin([Held(1, 1, 0), Held(2, 1, 0), Held(3, 1, 0), Held(4, 1, 5), Held(5, 1, 0)], keep_one_in=2)
    >>> plan.dropped, plan.counts, plan.windows
    ((1, 3), {2: 1, 4: 6}, 2)
    """
    if keep_one_in < 2:
        raise ValueError(f"keep_one_in is {keep_one_in}; use 2 or more")
    dropped: list[int] = []
    counts: dict[int, int] = {}
    windows = 0
    for begin in range(0, len(oldest) - keep_one_in + 1, keep_one_in):
        *given_up, kept = oldest[begin : begin + keep_one_in]
        dropped += [held.seq for held in given_up]
        windows += sum(held.windows for held in given_up)
        counts[kept.seq] = kept.thinned + sum(held.windows + held.thinned for held in given_up)
    return Thinning(tuple(dropped), counts, windows)
