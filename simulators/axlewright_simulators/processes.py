"""Child processes that are started, watched, started again and ended in good order."""

from __future__ import annotations

import ctypes
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import NoReturn

from axlewright_models.errors import ModelError

COMMAND_LINE = (sys.executable, "-m", "axlewright_models.command_line")
GRACE_S = 20.0
RESTARTS, RESTART_SPAN_S = 3, 600.0

# Loaded before any child is made: between fork and exec nothing may be imported.
_LIBC = ctypes.CDLL(None, use_errno=True) if sys.platform == "linux" else None
_PR_SET_PDEATHSIG = 1  # prctl(2)


class Stopped(Exception):  # noqa: N818 - an end that was asked for is no error
    """Somebody asked us to end (Ctrl-C or SIGTERM)."""


def port_is_free(port: int, host: str = "127.0.0.1") -> bool:
    """Return whether a server could listen on a port now."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


def require_free_ports(ports: Sequence[tuple[str, int, str]]) -> None:
    """Refuse to go on when a port is taken; each is (what for, number, the option that changes it).

    Raises
    ------
    ModelError
        One is in use; the text says which, and how to choose another.
    """
    numbers = [port for _, port, _ in ports]
    for number, (purpose, port, option) in enumerate(ports):
        if port in numbers[:number]:
            raise ModelError(f"port {port} is asked for twice; choose another for the {purpose} with {option} NUMBER")
        if not port_is_free(port):
            raise ModelError(
                f"port {port} for the {purpose} is in use by another program; end that program, "
                f"or choose another port with {option} NUMBER"
            )


class Child:
    """One child process; what it prints goes to a log file."""

    def __init__(self, name: str, words: Sequence[str], log: Path) -> None:
        self.name = name
        self.log = log
        self._words = [*COMMAND_LINE, *words]
        self._process: subprocess.Popen[bytes] | None = None
        self._starts: list[float] = []

    def start(self) -> None:
        """Start it, in a session of its own: Ctrl-C reaches us first and we end the children in order."""
        self.log.parent.mkdir(parents=True, exist_ok=True)
        self._starts.append(time.monotonic())
        with self.log.open("ab") as output:
            self._process = subprocess.Popen(
                self._words,
                stdout=output,
                stderr=output,
                stdin=subprocess.DEVNULL,
                start_new_session=True,
                preexec_fn=_end_with_parent(os.getpid()),
            )

    @property
    def exit_code(self) -> int | None:
        """Return how it ended; None while it runs."""
        return None if self._process is None else self._process.poll()

    @property
    def may_restart(self) -> bool:
        """Return whether it has not yet been started too often lately."""
        lately = [start for start in self._starts if time.monotonic() - start < RESTART_SPAN_S]
        return len(lately) <= RESTARTS

    def last_words(self, lines: int = 12) -> str:
        """Return the end of what it printed."""
        if not self.log.exists():
            return ""
        text = self.log.read_text(encoding="utf-8", errors="replace")
        return "\n".join(text.splitlines()[-lines:])

    def stop(self) -> None:
        """Ask it to end, wait, and kill it only when it does not."""
        process = self._process
        if process is None or process.poll() is not None:
            return
        process.terminate()
        try:
            process.wait(GRACE_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(5.0)


def _end_with_parent(parent: int) -> Callable[[], None] | None:
    """Return what a child does before it becomes its program: it asks for SIGTERM when we die, however we die.

    Linux alone knows this; elsewhere (None) children outlive a parent that was killed with SIGKILL. Children must
    be started from the main thread, for it is the starting thread's end that counts.
    """
    libc = _LIBC
    if libc is None:
        return None

    def ask() -> None:
        libc.prctl(_PR_SET_PDEATHSIG, signal.SIGTERM, 0, 0, 0)
        if os.getppid() != parent:  # we died before it could ask
            os._exit(1)

    return ask


def run_to_end(words: Sequence[str]) -> int:
    """Run a command in the foreground, its output on our terminal, and return its exit code."""
    process = subprocess.Popen([*COMMAND_LINE, *words], stdin=subprocess.DEVNULL)
    try:
        return process.wait()
    finally:
        if process.poll() is None:
            process.terminate()
            process.wait(GRACE_S)


def wait_until(ready: Callable[[], bool], child: Child, timeout_s: float = 90.0) -> None:
    """Wait until `ready` says yes.

    Raises
    ------
    ModelError
        The child ended or time ran out; the text holds its last words.
    """
    deadline = time.monotonic() + timeout_s
    while not ready():
        if child.exit_code is not None:
            raise ModelError(f"{child.name} ended at its start (see {child.log}):\n{child.last_words()}")
        if time.monotonic() > deadline:
            raise ModelError(
                f"{child.name} was not ready within {timeout_s:.0f} s (see {child.log}):\n{child.last_words()}"
            )
        time.sleep(0.2)


def answers(url: str) -> bool:
    """Return whether a page answers with 200."""
    try:
        with urllib.request.urlopen(url, timeout=2.0) as answer:
            return bool(answer.status == 200)
    except (OSError, urllib.error.URLError):
        return False


@contextmanager
def stoppable() -> Iterator[None]:
    """Turn Ctrl-C and SIGTERM into :class:`Stopped` inside the block."""

    def stop(number: int, frame: FrameType | None) -> None:
        # A second signal while we end the children must not cut that short.
        signal.signal(signal.SIGINT, signal.SIG_IGN)
        signal.signal(signal.SIGTERM, signal.SIG_IGN)
        raise Stopped

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def watch(children: Sequence[Child], say: Callable[[str], None], every_s: float = 0.5) -> NoReturn:
    """Watch children for ever: one that dies is started again, unless it does so too often.

    Raises
    ------
    ModelError
        A child died once too often; the text holds its last words.
    """
    while True:
        for child in children:
            code = child.exit_code
            if code is None:
                continue
            if not child.may_restart:
                raise ModelError(f"{child.name} ended again (exit code {code}, see {child.log}):\n{child.last_words()}")
            say(f"{child.name} ended (exit code {code}); starting it again. Its log: {child.log}")
            child.start()
        time.sleep(every_s)
