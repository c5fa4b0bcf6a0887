"""Brokers on free loopback ports, and an office that does nothing but acknowledge."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any, Protocol

import paho.mqtt.client as mqtt
import pytest
from iotcore import Broker
from paho.mqtt.enums import CallbackAPIVersion
from ports import free_port

from axlewright_models.wire.frames import Frame, decode_frame
from axlewright_models.wire.messages import Ack, Command, Status, decode_message, encode_message
from axlewright_models.wire.topics import Topic, TopicKind, subscription

SERVICES_REQUIRED = os.environ.get("AXLEWRIGHT_REQUIRE_SERVICES") == "1"
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")


def wait_for(what: str, check: Callable[[], Any], timeout_s: float = 20.0) -> Any:
    """Return the first true answer; fail with `what` when none comes."""
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        answer = check()
        if answer:
            return answer
        time.sleep(0.02)
    raise AssertionError(f"no {what} within {timeout_s:g} s")


class RunningBroker(Protocol):
    port: int

    def start(self) -> None: ...

    def stop(self) -> None: ...


class EmbeddedBroker:
    """The broker inside a wheel: speaks 3.1.1 only, forgets everything when it ends."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._broker = Broker(port=self.port, listen="127.0.0.1")

    def start(self) -> None:
        self._broker.start()

    def stop(self) -> None:
        self._broker.stop()


class Mosquitto:
    """mosquitto: speaks MQTT 5."""

    def __init__(self, folder: Path) -> None:
        if MOSQUITTO is None:
            (pytest.fail if SERVICES_REQUIRED else pytest.skip)(
                "mosquitto is not installed (apt-get install mosquitto)"
            )
        self.port = free_port()
        self._file = folder / "mosquitto.conf"
        self._file.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\nmax_inflight_messages 1000\n",
            encoding="utf-8",
        )
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self._process = subprocess.Popen(
            [str(MOSQUITTO), "-c", str(self._file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        wait_for("mosquitto", self._answers)

    def stop(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def _answers(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=0.3).close()
        except OSError:
            return False
        return True


class FakeOffice:
    """Plays the server's part: keeps frames in `seq` order and acknowledges the highest committed one."""

    def __init__(self, port: int) -> None:
        self.lock = threading.Lock()
        self.received: list[Frame] = []
        self.committed: list[Frame] = []
        self.statuses: list[Status] = []
        self.last: dict[tuple[str, str], int] = {}
        self.acks_as: str | None = None  # a wrong stream to acknowledge under
        self.silent = False
        self.never: set[int] = set()  # numbers that are received and never committed
        self.strangers: set[str] = set()  # vehicles that it does not know
        self.port = port
        self._client: mqtt.Client | None = None

    def start(self) -> None:
        subscribed = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="office")
        self._client.on_connect = lambda client, *_: client.subscribe(
            [(subscription(TopicKind.READINGS), 1), (subscription(TopicKind.STATUS), 1)]
        )
        self._client.on_message = self._on_message
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.connect("127.0.0.1", self.port)
        self._client.loop_start()
        assert subscribed.wait(10), "the office could not subscribe"

    def stop(self) -> None:
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()
            self._client = None

    def command(self, vehicle: str, command: Command | bytes) -> None:
        payload = command if isinstance(command, bytes) else encode_message(command)
        assert self._client is not None
        self._client.publish(Topic("yard", vehicle, TopicKind.COMMAND).text, payload, qos=1)

    def seqs(self, vehicle: str = "t-1") -> list[int]:
        with self.lock:
            return [frame.seq for frame in self.committed if frame.vehicle == vehicle]

    def last_status(self) -> Status | None:
        with self.lock:
            return self.statuses[-1] if self.statuses else None

    def _on_message(self, client: mqtt.Client, _: object, message: mqtt.MQTTMessage) -> None:
        topic = Topic.parse(message.topic)
        with self.lock:
            if topic.kind is TopicKind.STATUS:
                self.statuses.append(decode_message(message.payload, Status))
                return
            frame = decode_frame(message.payload, topic, time.time())
            self.received.append(frame)
            if frame.vehicle in self.strangers:
                return
            key = (frame.vehicle, frame.stream)
            last = self.last.setdefault(key, 0)
            after = frame.seq - 1 if frame.after is None else frame.after
            if after <= last < frame.seq and frame.seq not in self.never and not self.silent:
                self.committed.append(frame)
                last = self.last[key] = frame.seq
        if not self.silent:
            ack = Ack(stream=self.acks_as or frame.stream, seq=last)
            client.publish(Topic(topic.fleet, topic.vehicle, TopicKind.ACK).text, encode_message(ack), qos=1)


BROKERS: dict[str, Callable[[Path], RunningBroker]] = {"embedded": EmbeddedBroker, "mosquitto": Mosquitto}


@pytest.fixture(params=list(BROKERS))
def broker(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[RunningBroker]:
    running = BROKERS[request.param](tmp_path)
    running.start()
    yield running
    running.stop()


@pytest.fixture
def office(broker: RunningBroker) -> Iterator[FakeOffice]:
    fake = FakeOffice(broker.port)
    fake.start()
    yield fake
    fake.stop()


def tool(name: str) -> str:
    """Return where a program is; without it the test is skipped, or fails where services are required."""
    found = shutil.which(name) or shutil.which(name, path="/usr/sbin")
    if found is None:
        (pytest.fail if SERVICES_REQUIRED else pytest.skip)(f"{name} is not installed")
    return str(found)


def answers(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=0.3).close()
    except OSError:
        return False
    return True


@contextmanager
def mosquitto(folder: Path, port: int, lines: str) -> Iterator[None]:
    """Run mosquitto with these lines of configuration."""
    file = folder / "mosquitto.conf"
    # Started as root it would drop to a user who cannot read the test's keys.
    file.write_text(f"user {os.environ.get('USER', 'root')}\n{lines}\n", encoding="utf-8")
    process = subprocess.Popen(
        [tool("mosquitto"), "-c", str(file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        wait_for("mosquitto", lambda: answers(port))
        yield
    finally:
        process.kill()
        process.wait(10)


def tls_lines(port: int, certificates: Path) -> str:
    """Return a listener that wants a certificate of every truck."""
    return "\n".join(
        [
            f"listener {port} 127.0.0.1",
            f"cafile {certificates / 'authority.pem'}",
            f"certfile {certificates / 'broker.pem'}",
            f"keyfile {certificates / 'broker.key'}",
            "require_certificate true",
            "use_identity_as_username true",
        ]
    )


@pytest.fixture(scope="session")
def services() -> SimpleNamespace:
    """What a test needs that starts a broker of its own kind."""
    return SimpleNamespace(
        tool=tool, mosquitto=mosquitto, tls_lines=tls_lines, free_port=free_port, answers=answers, office=FakeOffice
    )
