"""Make the helpers of this folder importable by their plain names, and lend the small office."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def client(tmp_path: Path) -> Iterator[object]:
    """Lend a client of an office that demands no account."""
    from api_client import client_of
    from small_office import small_office

    with small_office(tmp_path) as office, client_of(office) as client:
        yield client


@pytest.fixture(scope="module")
def told_at_once() -> Iterator[None]:
    """Let no caution wait for its cause to be clear: for tests of what becomes of it, on journeys of a few hours."""
    from axlewright_server.diagnosis import patience

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(patience, "WAIT_S", 0.0)
        yield
