"""The embedded broker: a child process on loopback, watched by a real MQTT round trip, restarted when that fails."""

from __future__ import annotations

import json
import logging
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from axlewright_server.errors import BrokerError, PortBusyError

_LOG = logging.getLogger(__name__)
HOST = "127.0.0.1"
# Eight MiB four times: the broker keeps what it routes in memory segments and would use ten of 100 MiB by itself.
SEGMENT_BYTES = 8 << 20
SEGMENTS = 4
# A frame is 64 KiB at most; the rest is the topic and the header.
MOST_PAYLOAD_BYTES = 68 * 1024
START_S = 15.0
WATCH_EVERY_S = 3.0
# Whether the child still lives is cheap to ask.
LOOK_EVERY_S = 0.25
ROUND_TRIP_S = 3.0
FAILURES_BEFORE_RESTART = 2

# The child ends by itself when this end of its standard input closes: even a killed office leaves no broker behind.
_CHILD = "from iotcore._serve import main; main()"


def configuration(port: int) -> str:
    """Return the broker's configuration: one listener for MQTT 3.1.1 and 5 on loopback, nothing else.

    Examples
    --------
    >>> 'listen = "127.0.0.1:18642"' in configuration(18642)
    True
    """
    return f"""\
id = 0

[router]
id = 0
max_connections = 1000
max_outgoing_packet_count = 200
max_segment_size = {SEGMENT_BYTES}
max_segment_count = {SEGMENTS}

[v4.1]
name = "v4-1"
listen = "{HOST}:{port}"
next_connection_delay_ms = 1

[v4.1.connections]
connection_timeout_ms = 10000
max_payload_size = {MOST_PAYLOAD_BYTES}
max_inflight_count = 200
dynamic_filters = true
"""


def check_port_free(host: str, port: int, purpose: str, flag: str) -> None:
    """Refuse to go on when something already listens at the port.

    Raises
    ------
    PortBusyError
        The text says what the port was for and which flag chooses another.
    """
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        with socket.socket(family) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((host, port))
    except OSError as error:
        raise PortBusyError(
            f"port {port} on {host}, meant for {purpose}, cannot be used ({error.strerror or error}); "
            f"is another axlewright running? Stop it, or choose another port with {flag}"
        ) from error


def round_trip(host: str, port: int, timeout_s: float) -> bool:
    """Return whether a message published to the broker comes back in time."""
    back = threading.Event()
    topic = f"axlewright-watch/{time.monotonic_ns()}"
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    client.on_connect = lambda client, *_: client.subscribe(topic, 1)
    client.on_subscribe = lambda client, *_: client.publish(topic, b"watch", qos=1)
    client.on_message = lambda *_: back.set()
    client.connect_timeout = timeout_s
    try:
        client.connect(host, port, keepalive=10)
        client.loop_start()
        return back.wait(timeout_s)
    except OSError:
        return False
    finally:
        client.disconnect()
        client.loop_stop()


class EmbeddedBroker:
    """Runs the broker for as long as the office runs.

    Parameters
    ----------
    port : where it listens, on loopback only
    folder : where its configuration and its log are written
    on_restart : called after every restart, on the watching thread
    """

    def __init__(self, port: int, folder: str | Path, on_restart: Callable[[], None] | None = None) -> None:
        self.port = port
        self.restarts = 0
        self.healthy = False
        self._file = Path(folder) / "broker.toml"
        self._log = Path(folder) / "broker.log"
        self._on_restart = on_restart
        self._process: subprocess.Popen[bytes] | None = None
        self._stopping = threading.Event()
        self._watcher: threading.Thread | None = None

    @property
    def pid(self) -> int | None:
        """Return the child's process id."""
        return None if self._process is None else self._process.pid

    def start(self) -> None:
        """Start the broker, wait until a message goes round, and begin to watch it.

        Raises
        ------
        PortBusyError
            Something already listens at the port.
        BrokerError
            It does not come up.
        """
        check_port_free(HOST, self.port, "the embedded broker", "--broker-port")
        self._file.write_text(configuration(self.port), encoding="utf-8")
        self._spawn()
        if not self._wait_up(START_S):
            self._kill()
            raise BrokerError(
                f"the embedded broker does not answer on {HOST}:{self.port} within {START_S:.0f} s; see {self._log}"
            )
        self._watcher = threading.Thread(target=self._watch, name="broker-watch", daemon=True)
        self._watcher.start()

    def stop(self) -> None:
        """Stop watching and end the broker; safe to call twice."""
        self._stopping.set()
        if self._watcher is not None:
            self._watcher.join(ROUND_TRIP_S + 2.0)
        self._kill()
        self.healthy = False

    def _spawn(self) -> None:
        options = json.dumps({"config_path": str(self._file)})
        # -P: a folder called iotcore where the office was started must not be taken for the library.
        command = [sys.executable, "-P", "-c", _CHILD, options]
        # It panics at every connection once it is wedged: a short text each, in a file begun anew at each start.
        environment = {**os.environ, "RUST_BACKTRACE": "0"}
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=log, stderr=log, env=environment, start_new_session=True
            )

    def _kill(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        if process.poll() is None:
            process.kill()  # it keeps nothing that an orderly end could save
        process.wait(5.0)
        if process.stdin is not None:
            process.stdin.close()

    def _wait_up(self, timeout_s: float) -> bool:
        end = time.monotonic() + timeout_s
        while time.monotonic() < end and not self._stopping.is_set():
            if not self._lives:
                return False
            if _listens(self.port) and round_trip(HOST, self.port, ROUND_TRIP_S):
                self.healthy = True
                return True
            self._stopping.wait(0.05)
        return False

    def _watch(self) -> None:
        failures, due_s = 0, time.monotonic() + WATCH_EVERY_S
        while not self._stopping.wait(LOOK_EVERY_S):
            if self._lives and not failures and time.monotonic() < due_s:
                continue
            try:
                failures = self._look(failures)
            except Exception:
                _LOG.exception("watching the embedded broker failed; going on")
            due_s = time.monotonic() + WATCH_EVERY_S

    @property
    def _lives(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def _look(self, failures: int) -> int:
        dead = not self._lives
        if not dead and round_trip(HOST, self.port, ROUND_TRIP_S):
            self.healthy = True
            return 0
        failures += 1
        if not dead and failures < FAILURES_BEFORE_RESTART:
            return failures
        self.healthy = False
        _LOG.warning("the embedded broker %s; restarting it", "has ended" if dead else "does not pass messages on")
        self._kill()
        if self._stopping.is_set():
            return 0
        self._spawn()
        self.restarts += 1
        if self._wait_up(START_S) and self._on_restart is not None:
            self._on_restart()
        return 0


def _listens(port: int) -> bool:
    try:
        socket.create_connection((HOST, port), timeout=0.5).close()
    except OSError:
        return False
    return True
