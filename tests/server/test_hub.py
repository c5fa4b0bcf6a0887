"""The hub tells every listener, waits for none, and says so when one has missed something."""

from __future__ import annotations

import asyncio
import threading

from axlewright_server.hub import MOST_WAITING, Hub


def test_an_event_from_another_thread_reaches_every_listener() -> None:
    async def scene() -> list[tuple[str, dict[str, object]]]:
        hub = Hub()
        listeners = [hub.listen(), hub.listen()]
        thread = threading.Thread(target=hub.publish, args=("status", {"vehicle": "t-1"}))
        thread.start()
        events = [await listener.next(5.0) for listener in listeners]
        thread.join()
        return [(event.kind, event.data) for event in events if event is not None]

    assert asyncio.run(scene()) == [("status", {"vehicle": "t-1"})] * 2


def test_numbers_rise_so_that_a_page_can_tell_old_from_new() -> None:
    async def scene() -> list[int]:
        hub = Hub()
        listener = hub.listen()
        for _ in range(3):
            hub.publish("readings", {})
        return [event.number for _ in range(3) if (event := await listener.next(1.0)) is not None]

    assert asyncio.run(scene()) == [1, 2, 3]


def test_a_listener_that_does_not_keep_up_is_told_that_it_has_lost_events() -> None:
    async def scene() -> tuple[str | None, str | None, str | None]:
        hub = Hub()
        listener = hub.listen()
        for _ in range(MOST_WAITING + 1):
            hub.publish("readings", {})
        hub.publish("status", {})
        await asyncio.sleep(0)
        first, second, third = [await listener.next(0.05) for _ in range(3)]
        return first and first.kind, second and second.kind, third and third.kind

    assert asyncio.run(scene()) == ("lost", "status", None)


def test_nobody_is_told_after_closing_or_after_the_loop_has_ended() -> None:
    hub = Hub()

    async def scene() -> None:
        hub.listen()
        closed = hub.listen()
        closed.close()
        assert hub.listeners == 1

    asyncio.run(scene())
    hub.publish("readings", {})  # the one that was never closed has no loop any more
    assert hub.listeners == 0
