"""Tell whoever listens (the page's server-sent events) what has just been committed."""

from __future__ import annotations

import asyncio
import itertools
import threading
from collections.abc import AsyncIterator
from dataclasses import dataclass

# A page that cannot keep up with so many is better served by loading anew.
MOST_WAITING = 200


@dataclass(frozen=True)
class Event:
    """Something happened: its number rises, `kind` says what, `data` is ready for JSON."""

    number: int
    kind: str
    data: dict[str, object]


class Listener:
    """One listener's bounded queue; made and used inside one event loop."""

    def __init__(self, hub: Hub) -> None:
        self._hub = hub
        self._loop = asyncio.get_running_loop()
        self._queue: asyncio.Queue[Event] = asyncio.Queue(MOST_WAITING)

    def offer(self, event: Event) -> None:
        """Hand over an event from any thread."""
        try:
            self._loop.call_soon_threadsafe(self._put, event)
        except RuntimeError:  # its loop has ended without closing it
            self.close()

    def _put(self, event: Event) -> None:
        if self._queue.full():
            # One event that says "load anew" replaces all that was missed.
            while not self._queue.empty():
                self._queue.get_nowait()
            event = Event(event.number, "lost", {})
        self._queue.put_nowait(event)

    async def next(self, timeout_s: float) -> Event | None:
        """Return the next event; None when none came in time."""
        try:
            return await asyncio.wait_for(self._queue.get(), timeout_s)
        except TimeoutError:
            return None

    async def __aiter__(self) -> AsyncIterator[Event]:
        while True:
            yield await self._queue.get()

    def close(self) -> None:
        """Stop listening."""
        self._hub.forget(self)


class Hub:
    """Passes events from any thread to all listeners; never waits for one."""

    def __init__(self) -> None:
        self._numbers = itertools.count(1)
        self._listeners: frozenset[Listener] = frozenset()
        self._lock = threading.Lock()

    @property
    def listeners(self) -> int:
        """Return how many listen."""
        return len(self._listeners)

    def publish(self, kind: str, data: dict[str, object]) -> None:
        """Tell all listeners."""
        event = Event(next(self._numbers), kind, data)
        for listener in self._listeners:
            listener.offer(event)

    def listen(self) -> Listener:
        """Return a new listener; call it inside the event loop that will read from it."""
        listener = Listener(self)
        with self._lock:
            self._listeners |= {listener}
        return listener

    def forget(self, listener: Listener) -> None:
        """Tell this listener no more."""
        with self._lock:
            self._listeners -= {listener}
