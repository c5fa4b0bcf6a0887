"""A client that talks to an application without a network."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager

from httpx import Client

from axlewright_server.api import create_app
from axlewright_server.office import Office


@contextmanager
def client_of(office: Office, hosts: frozenset[str] | None = None) -> Iterator[Client]:
    """Lend a client of the office's application."""
    with warnings.catch_warnings():
        # The test client's own notice about its HTTP library's successor is no concern of ours.
        warnings.simplefilter("ignore")
        from fastapi.testclient import TestClient
    with TestClient(create_app(office, hosts)) as client:
        yield client
