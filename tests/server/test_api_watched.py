"""What a detector has told of, while no advisory is due yet, is said in words of its own and not passed over."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from api_client import client_of
from httpx import Client
from small_office import NOW_S, small_office

from axlewright_server.detectors.base import Symptom
from axlewright_server.detectors.table import AxleTable
from axlewright_server.diagnosis.patience import WAIT_S
from axlewright_server.office import Office
from axlewright_server.store.advisories import write_symptoms


@pytest.fixture
def office(tmp_path: Path) -> Iterator[Office]:
    with small_office(tmp_path) as running:
        yield running


@pytest.fixture
def client(office: Office) -> Iterator[Client]:
    with client_of(office) as found:
        yield found


def tell(office: Office, vehicle: str, position: int, minutes_ago: float, level: int = 1, value: float = -15.6) -> None:
    table = AxleTable.of(office.spec)
    row = next(r for r in range(len(table)) if (table.vehicle_id(r), table.position[r]) == (vehicle, position))
    time_s = NOW_S - 60.0 * minutes_ago
    told = Symptom(row, time_s, "height-low", "height/static", level, time_s - 1800.0, value, 12.0, "mm", 1.2)
    # Before anything is asked of the office's writer, to whom the store belongs.
    with office.store.transaction():
        write_symptoms(office.store, table, [told])


def close(client: Client, vehicle: str) -> None:
    for one in client.get("/api/1/advisories", params={"vehicle": vehicle}).json():
        client.post(f"/api/1/advisories/{one['id']}/close", json={"who": "m.fitter", "reason": "Done."})


def test_what_waits_for_its_cause_is_being_watched_and_the_page_says_what(office: Office, client: Client) -> None:
    tell(office, "sy-1", 3, minutes_ago=20.0)
    close(client, "sy-1")
    vehicle = client.get("/api/1/vehicles/sy-1").json()
    assert vehicle["condition"] == "being-watched"
    (watched,) = vehicle["watched"]
    assert watched == {
        "axle": 3,
        "text": "stands 16 mm below specification (limit 12 mm)",
        "told_s": NOW_S - 1200.0,
    }
    fleet = client.get("/api/1/fleet").json()
    assert fleet["counts"]["being-watched"] == 1
    # After the truck with an advisory, before the one that fell silent.
    assert [one["id"] for one in fleet["vehicles"]] == ["sy-2", "sy-1", "sy-3"]
    for page in ("/", "/trucks/sy-1"):
        text = client.get(page).text
        assert "Being watched" in text and "stands 16 mm below specification" in text


def test_beside_an_advisory_its_own_axle_is_told_and_another_watched(office: Office, client: Client) -> None:
    tell(office, "sy-2", 2, minutes_ago=30.0)
    tell(office, "sy-2", 3, minutes_ago=30.0)
    vehicle = client.get("/api/1/vehicles/sy-2").json()
    assert vehicle["condition"] == "within-a-day"
    assert [one["axle"] for one in vehicle["watched"]] == [3]


@pytest.mark.parametrize("how", ["over", "of yesterday", "silent"])
def test_what_is_over_or_old_or_of_a_silent_truck_is_not_being_watched(
    office: Office, client: Client, how: str
) -> None:
    vehicle = "sy-3" if how == "silent" else "sy-1"
    tell(office, vehicle, 3, minutes_ago=20.0 + (WAIT_S / 60.0 if how == "of yesterday" else 0.0))
    if how == "over":
        tell(office, vehicle, 3, minutes_ago=10.0, level=0)
    close(client, vehicle)
    condition = client.get(f"/api/1/vehicles/{vehicle}").json()["condition"]
    assert condition == ("no-recent-data" if how == "silent" else "nothing-found")
