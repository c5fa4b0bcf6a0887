"""Free ports for brokers and pages that a test starts."""

from __future__ import annotations

import socket

_given: set[int] = set()


def free_port() -> int:
    """Return a port that is free now and was not given out before in this run of the tests."""
    while True:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = int(probe.getsockname()[1])
        if port not in _given:
            _given.add(port)
            return port
