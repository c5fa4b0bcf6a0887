"""The whole house as real processes: brokers, offices and trucks that a test can start, kill and start again."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psutil
import pytest
from ports import free_port

COMMAND = [sys.executable, "-m", "axlewright_models.command_line"]
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
SERVICES_REQUIRED = os.environ.get("AXLEWRIGHT_REQUIRE_SERVICES") == "1"


def need_mosquitto() -> None:
    """Skip (or fail, where services are required) when mosquitto is not installed."""
    if MOSQUITTO is None:
        (pytest.fail if SERVICES_REQUIRED else pytest.skip)("mosquitto is not installed (apt-get install mosquitto)")


def wait_for(what: str, check: Callable[[], Any], timeout_s: float = 60.0, every_s: float = 0.1) -> Any:
    """Return the first true answer of `check`; fail with `what` and the last answer when none comes."""
    deadline = time.monotonic() + timeout_s
    answer: Any = None
    while time.monotonic() < deadline:
        answer = check()
        if answer:
            return answer
        time.sleep(every_s)
    raise AssertionError(f"no {what} within {timeout_s:g} s (last answer: {answer!r})")


def port_answers(port: int) -> bool:
    """Return whether something listens on the port."""
    try:
        socket.create_connection(("127.0.0.1", port), timeout=0.3).close()
    except OSError:
        return False
    return True


class Process:
    """One child process with its output in a file."""

    def __init__(self, folder: Path, name: str) -> None:
        self.name = name
        self.log = folder / f"{name}.log"
        self.process: subprocess.Popen[bytes] | None = None

    def run(self, command: list[str]) -> None:
        """Start the command in a group of its own."""
        with self.log.open("ab") as output:
            self.process = subprocess.Popen(
                command, stdout=output, stderr=output, stdin=subprocess.DEVNULL, start_new_session=True
            )

    @property
    def running(self) -> bool:
        return self.process is not None and self.process.poll() is None

    def kill(self) -> None:
        """SIGKILL: the power is gone."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(10)

    def stop(self, timeout_s: float = 20.0) -> int:
        """SIGTERM, and wait; return the exit code."""
        if self.process is None:
            return 0
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(timeout_s)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait(5)
                raise AssertionError(f"{self.name} did not end on SIGTERM:\n{self.text()[-3000:]}") from None
        return self.process.returncode

    def text(self) -> str:
        """Return what the process printed."""
        return self.log.read_text(encoding="utf-8", errors="replace") if self.log.exists() else ""


class Mosquitto(Process):
    """mosquitto on loopback, its store in the folder so that a kill loses what a kill loses."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, "mosquitto")
        need_mosquitto()
        self.port = free_port()
        self.configuration = folder / "mosquitto.conf"
        store = folder / "mosquitto-store"
        store.mkdir()
        store.chmod(0o777)  # started as root, mosquitto drops to a user of its own
        self.configuration.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
            "max_inflight_messages 1000\nmax_queued_messages 100000\n"
            f"persistence true\npersistence_location {store}/\nautosave_interval 1\nlog_type error\nlog_dest stderr\n",
            encoding="utf-8",
        )

    def start(self) -> None:
        self.run([str(MOSQUITTO), "-c", str(self.configuration)])
        wait_for("mosquitto", lambda: port_answers(self.port), 15)


class OfficeProcess(Process):
    """`axlewright serve` with its own data folder; embedded broker, or mosquitto when given."""

    def __init__(self, folder: Path, fleet: Path, mosquitto: Mosquitto | None = None, *options: str) -> None:
        super().__init__(folder, "office")
        self.data = folder / "data"
        self.page_port = free_port()
        self.mosquitto = mosquitto
        self.broker_port = mosquitto.port if mosquitto else free_port()
        self.command = [*COMMAND, "serve", "--fleet", str(fleet), "--data", str(self.data)]
        self.command += ["--page-port", str(self.page_port), *options]
        if mosquitto:
            self.command += ["--broker-url", f"mqtt://127.0.0.1:{self.broker_port}"]
        else:
            self.command += ["--broker-port", str(self.broker_port)]

    @property
    def page(self) -> str:
        return f"http://127.0.0.1:{self.page_port}"

    @property
    def broker_url(self) -> str:
        return f"mqtt://127.0.0.1:{self.broker_port}"

    def start(self) -> None:
        self.run(self.command)
        self.wait_ready()

    def wait_ready(self, timeout_s: float = 60.0) -> None:
        def ready() -> bool:
            assert self.running, f"the office ended:\n{self.text()[-3000:]}"
            try:
                with urllib.request.urlopen(f"{self.page}/readyz", timeout=2) as answer:
                    return bool(answer.status == 200)
            except OSError:
                return False

        wait_for("ready office", ready, timeout_s)

    def get(self, path: str) -> Any:
        """Return the JSON answer of the API."""
        with urllib.request.urlopen(self.page + path, timeout=20) as answer:
            return json.load(answer)

    def text_of(self, path: str) -> str:
        """Return the plain answer of the API."""
        with urllib.request.urlopen(self.page + path, timeout=60) as answer:
            return str(answer.read().decode("utf-8"))

    def post(self, path: str, body: dict[str, Any]) -> Any:
        """Post JSON as a script would and return the JSON answer."""
        request = urllib.request.Request(
            self.page + path, json.dumps(body).encode(), {"Content-Type": "application/json"}, method="POST"
        )
        with urllib.request.urlopen(request, timeout=20) as answer:
            return json.load(answer)

    def kill_broker(self) -> None:
        """Kill the broker with SIGKILL: the embedded one is a child of the office, mosquitto is its own process."""
        if self.mosquitto is not None:
            self.mosquitto.kill()
            return
        assert self.process is not None
        children = psutil.Process(self.process.pid).children(recursive=True)
        brokers = [child for child in children if any("iotcore" in part for part in child.cmdline())]
        assert brokers, f"no embedded broker among {[child.cmdline() for child in children]}"
        for child in brokers:
            child.kill()

    def restart_broker(self) -> None:
        """Start mosquitto again; the embedded broker is restarted by the office itself."""
        if self.mosquitto is not None:
            self.mosquitto.start()

    @contextmanager
    def store(self) -> Iterator[sqlite3.Connection]:
        """Open the store read-only, beside the office."""
        (path,) = [file for file in self.data.glob("*.sqlite*") if not file.name.endswith(("-wal", "-shm"))]
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=30)
        try:
            yield connection
        finally:
            connection.close()
