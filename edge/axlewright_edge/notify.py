"""Tells systemd how the service is doing, as sd_notify(3) does: a datagram to the socket that it named."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping


class Notifier:
    """Sends states to the service manager; does nothing where there is none.

    Parameters
    ----------
    environment : mapping
        Holds ``NOTIFY_SOCKET`` and ``WATCHDOG_USEC`` where a service manager listens.

    Examples
    --------
    >>> Notifier({}).send("READY=1")
    False
    >>> Notifier({"WATCHDOG_USEC": "60000000"}).ping_every_s
    20.0
    """

    def __init__(self, environment: Mapping[str, str] = os.environ) -> None:
        # An address that begins with @ is abstract: no file, a NUL in its place.
        self._address = environment.get("NOTIFY_SOCKET", "").replace("@", "\0", 1)
        watchdog_usec = environment.get("WATCHDOG_USEC", "")
        # sd_watchdog_enabled(3) asks for half the time; a third leaves room for a slow disk.
        self.ping_every_s = int(watchdog_usec) / 3e6 if watchdog_usec.isdigit() else 0.0

    def send(self, *states: str) -> bool:
        """Send assignments such as ``READY=1``; return whether they went out."""
        if not self._address:
            return False
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
                line.sendto("\n".join(states).encode("utf-8"), self._address)
        except OSError:
            # A service manager that is being restarted must not take the agent with it.
            return False
        return True
