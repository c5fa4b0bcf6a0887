"""Make the helpers of this folder importable by their plain names, and lend the small office."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))


@pytest.fixture
def client(tmp_path: Path) -> Iterator[object]:
    from fastapi.testclient import TestClient
    from small_office import small_office

    from axlewright_server.api import create_app

    with small_office(tmp_path) as office, TestClient(create_app(office)) as client:
        yield client
