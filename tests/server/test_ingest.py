"""Ingest: a bounded inbox, a client that cannot be killed by a callback, and a real broker in between."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from ports import free_port

from axlewright_models.wire.frames import Frame, Window, encode_frame
from axlewright_server.buffered_client import BufferedClient, BufferedSocket
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


class Pieces:
    """A socket that delivers given pieces, then would block, and keeps what is sent."""

    def __init__(self, *pieces: bytes) -> None:
        self.pieces = list(pieces)
        self.sent = b""

    def recv(self, _size: int) -> bytes:
        if not self.pieces:
            raise BlockingIOError
        return self.pieces.pop(0)

    def send(self, data: bytes) -> int:
        self.sent += data
        return len(data)

    def setblocking(self, _flag: bool) -> None:
        """Belong to a socket."""

    def close(self) -> None:
        """Belong to a socket."""


def publish(topic: bytes, payload: bytes, number: int = 1, head: int = 0x32) -> bytes:
    """Return a PUBLISH as MQTT 3.1.1, section 3.3 lays it out; without its packet number at QoS 0."""
    body = len(topic).to_bytes(2, "big") + topic + (number.to_bytes(2, "big") if head & 6 else b"") + payload
    length, left = b"", len(body)
    while left > 127:
        length, left = length + bytes([left % 128 | 128]), left // 128
    return bytes([head]) + length + bytes([left]) + body


def buffered(data: bytes) -> BufferedSocket:
    socket_ = BufferedSocket(Pieces(data))
    socket_.recv(0)
    return socket_


@pytest.mark.parametrize("size", [0, 1, 100, 200, 16_383, 20_000])
def test_a_whole_message_is_cut_out_of_the_buffer(size: int) -> None:
    payload = bytes(range(256)) * (size // 256 + 1)
    taken = buffered(publish(b"a/b", payload[:size], 513) + publish(b"c", b"next", 2))
    assert taken.take_message() == (b"a/b", b"\x02\x01", payload[:size])
    assert taken.take_message() == (b"c", b"\x00\x02", b"next")
    assert taken.take_message() is None


def test_a_message_cut_short_anywhere_is_left_where_it_is() -> None:
    whole = publish(b"a/b", bytes(200))
    for end in range(1, len(whole)):
        taken = buffered(whole[:end])
        assert taken.take_message() is None
        assert taken.pending() == end


@pytest.mark.parametrize(
    "other",
    [
        publish(b"a", b"x", head=0x30),
        publish(b"a", b"x", head=0x34),
        b"\xd0\x00",
        b"\x32\x01\x00",
        b"\x32\x03\x00\x09a",
        b"\x32\x80\x80\x80\x80\x01" + bytes(9),
    ],
    ids=["QoS 0", "QoS 2", "a ping's answer", "too short for a topic", "topic beyond its end", "length too long"],
)
def test_what_is_no_whole_message_of_qos_1_is_left_to_the_library(other: bytes) -> None:
    taken = buffered(other)
    assert taken.take_message() is None
    assert taken.pending() == len(other)


def test_messages_come_in_order_and_are_acknowledged_once_however_the_network_cuts_them() -> None:
    messages = [publish(f"t/{number}".encode(), bytes(number * 7), number) for number in range(1, 60)]
    ping_answer = b"\xd0\x00"
    stream = b"".join([*messages[:30], ping_answer, *messages[30:]])
    for step in (3, 64, 1000, len(stream)):
        pieces = Pieces(*(stream[begin : begin + step] for begin in range(0, len(stream), step)))
        client = BufferedClient(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        client._sock = BufferedSocket(pieces)
        seen: list[tuple[str, int]] = []
        client.on_whole_message = lambda topic, payload, seen=seen: seen.append((topic, len(payload)))
        client.on_message = lambda _client, _data, got, seen=seen: seen.append((got.topic, len(got.payload)))
        while pieces.pieces or client._sock.pending():
            client.loop_read()
        client.loop_write()
        assert seen == [(f"t/{number}", number * 7) for number in range(1, 60)]
        assert pieces.sent == b"".join(b"\x40\x02" + number.to_bytes(2, "big") for number in range(1, 60))
        client._sock = None
