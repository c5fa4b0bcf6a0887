"""The embedded broker: on loopback only, ended with the office, restarted when it does not pass messages on."""

from __future__ import annotations

import os
import signal
import socket
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil
import pytest
from ports import free_port

from axlewright_server import broker as module
from axlewright_server.broker import HOST, EmbeddedBroker, check_port_free, round_trip
from axlewright_server.errors import PortBusyError


def until(check: Callable[[], bool], timeout_s: float = 15.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not check():
        assert time.monotonic() < deadline, "it did not happen in time"
        time.sleep(0.02)


@pytest.fixture
def broker(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[EmbeddedBroker]:
    monkeypatch.setattr(module, "WATCH_EVERY_S", 0.1)
    monkeypatch.setattr(module, "ROUND_TRIP_S", 1.0)
    broker = EmbeddedBroker(free_port(), tmp_path)
    broker.start()
    yield broker
    broker.stop()


def test_messages_go_round_as_soon_as_it_has_started(broker: EmbeddedBroker) -> None:
    assert round_trip(HOST, broker.port, 5.0)
    assert broker.healthy


def test_it_listens_on_loopback_and_nowhere_else(broker: EmbeddedBroker) -> None:
    assert broker.pid is not None
    listening = [
        connection.laddr
        for connection in psutil.Process(broker.pid).net_connections()
        if connection.status == psutil.CONN_LISTEN
    ]
    assert [(address.ip, address.port) for address in listening] == [("127.0.0.1", broker.port)]


def test_it_ends_with_the_office(tmp_path: Path) -> None:
    broker = EmbeddedBroker(free_port(), tmp_path)
    broker.start()
    pid = broker.pid
    assert pid is not None
    broker.stop()
    broker.stop()
    assert not psutil.pid_exists(pid)
    check_port_free(HOST, broker.port, "a test", "--flag")


def test_a_killed_office_leaves_no_broker_behind(tmp_path: Path) -> None:
    port = free_port()
    program = (
        "import sys, time\nfrom axlewright_server.broker import EmbeddedBroker\n"
        f"broker = EmbeddedBroker({port}, {str(tmp_path)!r})\nbroker.start()\n"
        "print(broker.pid, flush=True)\ntime.sleep(60)"
    )
    office = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True)
    assert office.stdout is not None
    pid = int(office.stdout.readline())
    office.kill()
    office.wait(5)
    office.stdout.close()
    until(lambda: not psutil.pid_exists(pid) or psutil.Process(pid).status() == psutil.STATUS_ZOMBIE)


def test_a_broker_that_has_died_is_started_again(broker: EmbeddedBroker) -> None:
    assert broker.pid is not None
    os.kill(broker.pid, signal.SIGKILL)
    until(lambda: broker.restarts == 1 and broker.healthy)
    assert round_trip(HOST, broker.port, 5.0)


def test_a_broker_that_lives_but_passes_nothing_on_is_started_again(broker: EmbeddedBroker) -> None:
    assert broker.pid is not None
    os.kill(broker.pid, signal.SIGSTOP)  # its port still accepts connections
    until(lambda: broker.restarts == 1 and broker.healthy)
    assert round_trip(HOST, broker.port, 5.0)


def test_a_broker_that_a_broken_off_connection_has_wedged_is_started_again(broker: EmbeddedBroker) -> None:
    hello = b"\x10\x10\x00\x04MQTT\x04\x02\x00\x3c\x00\x04abcd"  # CONNECT, MQTT 3.1.1
    for _ in range(200):
        with socket.create_connection((HOST, broker.port)) as peer:
            peer.sendall(hello)
            # Closing sends a reset, often before the broker has answered.
            peer.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        if not round_trip(HOST, broker.port, 0.5):
            break
    until(lambda: broker.healthy and round_trip(HOST, broker.port, 1.0))


def test_a_busy_port_is_said_with_what_to_do(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind((HOST, 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(PortBusyError, match=rf"port {port} .* embedded broker.*--broker-port"):
            EmbeddedBroker(port, tmp_path).start()


def test_no_round_trip_where_nobody_listens() -> None:
    assert not round_trip(HOST, free_port(), 0.5)
