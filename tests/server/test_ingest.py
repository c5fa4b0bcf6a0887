"""Ingest: a bounded inbox, a client that cannot be killed by a callback, and a real broker in between."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from axlewright_models.wire.frames import Frame, Window, encode_frame
from axlewright_server.buffered_client import BufferedSocket
from axlewright_server.ingest import Inbox, Message
from axlewright_server.office import Office
from axlewright_server.settings import load_settings
from axlewright_server.store import readings

FLEET = """
fleet = "yard"
name = "One yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.t-1]
type = "tractor"
"""


def message(size: int = 10) -> Message:
    return Message("t", bytes(size), 0.0)


def test_an_inbox_takes_no_more_messages_than_it_may() -> None:
    inbox = Inbox(most_frames=3, most_bytes=1000, patience_s=0)
    assert [inbox.put(message()) for _ in range(5)] == [True, True, True, False, False]
    assert (inbox.received, inbox.overflow, len(inbox)) == (5, 2, 3)
    assert len(inbox.take(2, 0, 0)) == 2
    assert inbox.put(message())


def test_an_inbox_takes_no_more_bytes_than_it_may() -> None:
    inbox = Inbox(most_frames=100, most_bytes=1000, patience_s=0)
    assert [inbox.put(message(400)) for _ in range(3)] == [True, True, False]
    inbox.take(1, 0, 0)
    assert inbox.bytes_waiting == 400
    assert inbox.put(message(400))


def test_a_full_inbox_waits_a_little_for_room_so_that_the_broker_slows_down() -> None:
    inbox = Inbox(most_frames=1, patience_s=5.0)
    inbox.put(message())
    timer = threading.Timer(0.05, inbox.take, [1, 0, 0])
    timer.start()
    assert inbox.put(message())
    timer.join()
    assert (inbox.received, inbox.overflow, len(inbox)) == (2, 0, 1)


def test_a_message_wakes_the_one_who_waits() -> None:
    inbox = Inbox()
    timer = threading.Timer(0.05, inbox.put, [message()])
    timer.start()
    begin = time.monotonic()
    assert len(inbox.take(10, wait_s=5.0, gather_s=0.0)) == 1
    assert time.monotonic() - begin < 2.0
    timer.join()


def test_messages_that_come_together_are_taken_together() -> None:
    inbox = Inbox()
    inbox.put(message())
    timer = threading.Timer(0.02, inbox.put, [message()])
    timer.start()
    assert len(inbox.take(10, wait_s=1.0, gather_s=0.3)) == 2
    timer.join()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def until(check: Callable[[], bool], timeout_s: float = 10.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not check():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.02)


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    fleet = tmp_path / "fleet.toml"
    fleet.write_text(FLEET, encoding="utf-8")
    port = free_port()
    office = Office(load_settings(None, fleet=str(fleet), data=str(tmp_path / "data"), broker_embedded_port=port))
    office.start()
    yield office
    office.stop()


@pytest.fixture
def truck(office: Office) -> Iterator[mqtt.Client]:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311, userdata=[])
    ready = threading.Event()
    client.on_connect = lambda client, *_: client.subscribe("axlewright/1/yard/t-1/ack", 1)
    client.on_subscribe = lambda *_: ready.set()
    client.on_message = lambda _client, acks, message: acks.append(json.loads(message.payload))
    client.connect("127.0.0.1", office.settings.broker.port)
    client.loop_start()
    assert ready.wait(5)
    yield client
    client.disconnect()
    client.loop_stop()


def frame(seq: int) -> bytes:
    window = Window(time.time() - 600.0 + 10.0 * seq, {"speed": 80.0}, {2: {"lube": 60.0 + seq}})
    return encode_frame(Frame("yard", "t-1", "s", seq, (window,)))


def test_a_frame_published_to_the_embedded_broker_is_stored_and_acknowledged(
    office: Office, truck: mqtt.Client
) -> None:
    acks: list[dict[str, object]] = truck.user_data_get()
    for seq in (1, 2, 3):
        truck.publish("axlewright/1/yard/t-1/readings", frame(seq), qos=1)
    until(lambda: acks[-1:] == [{"stream": "s", "seq": 3}])
    with office.reader() as connection:
        rows = readings.latest(connection, "t-1")
    assert [(row.position, row.values) for row in rows] == [(0, {"speed": 80.0}), (2, {"lube": 63.0})]
    assert office.health().ready
    figures = office.figures()
    assert (figures.committed, figures.connected, figures.failed_callbacks) == (3, True, 0)
    assert figures.delay_p99_s is not None
    assert 0.0 <= figures.delay_p50_s <= figures.delay_p99_s < 10.0  # type: ignore[operator]  # both are set together


def test_the_client_reads_through_its_buffer(office: Office) -> None:
    assert isinstance(office.ingest._client.socket(), BufferedSocket)  # else a newer paho has gone another way: slow


def test_a_callback_that_fails_does_not_stop_the_client(
    office: Office, truck: mqtt.Client, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    acks: list[dict[str, object]] = truck.user_data_get()
    with monkeypatch.context() as patch:

        def fail(*_arguments: object) -> None:
            raise RuntimeError("planted")

        patch.setattr(Inbox, "put", fail)
        truck.publish("axlewright/1/yard/t-1/readings", frame(1), qos=1)
        until(lambda: office.figures().failed_callbacks == 1)
    truck.publish("axlewright/1/yard/t-1/readings", frame(1), qos=1)
    until(lambda: acks[-1:] == [{"stream": "s", "seq": 1}])
    assert "a message could not be taken" in caplog.text


def test_a_broker_that_dies_is_back_soon_and_frames_go_on(office: Office, truck: mqtt.Client) -> None:
    import os
    import signal

    acks: list[dict[str, object]] = truck.user_data_get()
    assert office.broker is not None
    first = office.broker.pid
    assert first is not None
    os.kill(first, signal.SIGKILL)
    until(lambda: office.broker is not None and office.broker.restarts == 1 and office.broker.healthy, 20)
    until(lambda: office.ingest.connected and truck.is_connected(), 20)
    assert office.broker.pid != first

    def acknowledged() -> bool:
        truck.publish("axlewright/1/yard/t-1/readings", frame(1), qos=1).wait_for_publish(1)
        return bool(acks)

    until(acknowledged)
    assert acks[0] == {"stream": "s", "seq": 1}
