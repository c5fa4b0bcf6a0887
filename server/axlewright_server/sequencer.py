"""Commit each truck's frames in the order of their numbers, once, whatever order the broker delivers them in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Generic, Protocol, TypeVar


class Numbered(Protocol):
    """What the sequencer needs to know of a frame."""

    @property
    def vehicle(self) -> str:
        """Whose it is."""
        ...

    @property
    def stream(self) -> str:
        """Which of the truck's outboxes numbered it."""
        ...

    @property
    def seq(self) -> int:
        """Its number: 1, 2, 3, ..."""
        ...

    @property
    def after(self) -> int | None:
        """The number it directly follows, when that is not ``seq - 1``: what lay between was thinned or set aside."""
        ...


Item = TypeVar("Item", bound=Numbered)


@dataclass(frozen=True)
class Mark:
    """How far a stream has come; `gaps` frames below `seq` never came and the truck did not say why."""

    seq: int
    gaps: int = 0


@dataclass
class _Stream(Generic[Item]):
    last: int | None  # None: never heard of
    gaps: int = 0
    held: dict[int, Item] = field(default_factory=dict)
    waiting_since_s: float = 0.0


@dataclass
class Counts:
    """What became of frames, since the start."""

    duplicates: int = 0
    gaps: int = 0
    refused: int = 0
    expired: int = 0


class Sequencer(Generic[Item]):
    """Lets a frame pass when everything before it has passed.

    A frame whose number is not above the last one is a duplicate. One beyond a gap is held; when the gap is not
    filled within `hold_s` the held ones are dropped, for the truck sends again everything that no ack covers.
    Only where a stream was never heard of and does not begin with 1 (the office lost its records) does
    the lowest held frame pass after that time, and the gap is counted.
    """

    def __init__(self, hold_s: float = 30.0, most_held: int = 64) -> None:
        self.hold_s = hold_s
        self.most_held = most_held
        self.counts = Counts()
        self._streams: dict[tuple[str, str], _Stream[Item]] = {}
        self._held: dict[str, int] = {}

    def load(self, marks: Iterable[tuple[str, str, Mark]]) -> None:
        """Take up committed marks and forget everything else."""
        self._streams = {(vehicle, stream): _Stream(mark.seq, mark.gaps) for vehicle, stream, mark in marks}
        self._held = {}

    def mark(self, vehicle: str, stream: str) -> Mark | None:
        """Return how far a stream has come; None when nothing of it has passed."""
        found = self._streams.get((vehicle, stream))
        return None if found is None or found.last is None else Mark(found.last, found.gaps)

    @property
    def held(self) -> int:
        """Return how many frames wait for a gap to be filled."""
        return sum(self._held.values())

    def offer(self, item: Item, now_s: float) -> list[Item]:
        """Take a frame and return those that may be committed now, in order."""
        key = (item.vehicle, item.stream)
        stream = self._streams.get(key)
        if stream is None:
            stream = self._streams[key] = _Stream(None)
        if stream.last is not None and item.seq <= stream.last:
            self.counts.duplicates += 1
            return []
        if not _follows(item, stream):
            self._hold(item, stream, now_s)
            return []
        stream.last = item.seq
        if not stream.held:
            return [item]
        return [item, *self._released(item.vehicle, stream)]

    def _hold(self, item: Item, stream: _Stream[Item], now_s: float) -> None:
        if item.seq in stream.held:
            self.counts.duplicates += 1
        elif self._held.get(item.vehicle, 0) >= self.most_held:
            # The truck keeps it until an ack covers it, so refusing costs a resend and no frame.
            self.counts.refused += 1
            if stream.last is None and not stream.held:
                del self._streams[item.vehicle, item.stream]  # remember no stream of which nothing was taken
        else:
            if not stream.held:
                stream.waiting_since_s = now_s
            stream.held[item.seq] = item
            self._held[item.vehicle] = self._held.get(item.vehicle, 0) + 1

    def _released(self, vehicle: str, stream: _Stream[Item]) -> Iterator[Item]:
        for seq in sorted(stream.held):
            item = stream.held[seq]
            if stream.last is not None and seq <= stream.last:
                self.counts.duplicates += 1
            elif not _follows(item, stream):
                continue
            else:
                stream.last = seq
                yield item
            del stream.held[seq]
            self._held[vehicle] -= 1

    def expire(self, now_s: float) -> list[Item]:
        """Return frames that may pass because their gap has stood open too long; drop what the truck will resend."""
        passed: list[Item] = []
        if not any(self._held.values()):
            return passed
        for (vehicle, _), stream in list(self._streams.items()):
            if not stream.held or now_s - stream.waiting_since_s < self.hold_s:
                continue
            if stream.last is None:
                passed.extend(self._jump(vehicle, stream))
                stream.waiting_since_s = now_s
            else:
                self.counts.expired += len(stream.held)
                self._held[vehicle] -= len(stream.held)
                stream.held.clear()
        return passed

    def _jump(self, vehicle: str, stream: _Stream[Item]) -> Iterator[Item]:
        lowest = min(stream.held)
        stream.gaps += lowest - 1
        self.counts.gaps += lowest - 1
        stream.last = lowest - 1
        yield from self._released(vehicle, stream)

    def snapshot(self) -> Counts:
        """Return the counts as they are now."""
        return replace(self.counts)


def _follows(item: Numbered, stream: _Stream[Item]) -> bool:
    if stream.last is None:
        return item.seq == 1 or item.after is not None
    before = item.seq - 1 if item.after is None else item.after
    return before <= stream.last
