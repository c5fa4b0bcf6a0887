"""The guard on board and the office, with a real broker between them: whatever the link does, both know the same."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from axlewright_edge.agent import Agent
from axlewright_edge.clock import SystemClock
from axlewright_edge.config import parse_agent
from axlewright_models.guard_limits import guard_limits
from axlewright_models.spec import load_fleet
from axlewright_models.wire.frames import Window
from house import Mosquitto, OfficeProcess, wait_for

pytestmark = pytest.mark.acceptance

LIMIT_CEL = 118.0


class ListSource:
    """A driving truck's source: hands out what the test puts in."""

    can_wait = False
    finished = False

    def __init__(self) -> None:
        self.windows: list[Window] = []

    def open(self, after_s: float | None = None) -> None: ...

    def read(self, timeout_s: float) -> Window | None:
        if self.windows:
            return self.windows.pop(0)
        time.sleep(min(timeout_s, 0.01))
        return None

    def set_window(self, seconds: float) -> None: ...

    def close(self) -> None: ...


def write_fleet(path: Path, lube_limit_cel: float) -> Path:
    path.write_text(
        'fleet = "yard"\n[types.tractor]\ntitle = "6x4 tractor"\n[vehicles.t-1]\ntype = "tractor"\n'
        f"limits.lube_limit_cel = {lube_limit_cel}\n",
        encoding="utf-8",
    )
    return path


def version_of(fleet: Path) -> str:
    return guard_limits("yard", load_fleet(fleet).vehicle("t-1")).version


class House:
    """A broker, an office and one truck whose readings the test makes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.fleet = write_fleet(folder / "fleet.toml", LIMIT_CEL)
        self.broker = Mosquitto(folder)
        self.office = OfficeProcess(folder, self.fleet, self.broker)
        self.source = ListSource()
        self.agent: Agent | None = None
        self.time_s = time.time() - 3600.0

    def start_truck(self) -> Agent:
        text = f"""
        fleet = "yard"
        vehicle = "t-1"
        outbox.path = "t-1.sqlite"
        guard.lamp_file = "lamp"
        broker = {{ url = "mqtt://127.0.0.1:{self.broker.port}", resend_after_s = 1.0, status_every_s = 1.0 }}
        source = {{ kind = "replay", file = "unused.csv" }}
        """
        self.agent = Agent(parse_agent(text, folder=self.folder), SystemClock(), self.source)
        self.agent.start()
        return self.agent

    def drive(self, count: int, lube_cel: float) -> None:
        for _ in range(count):
            self.time_s += 10.0
            vehicle = {"speed": 80.0, "torque": 900.0, "shaft-speed": 1300.0, "ambient": 15.0, "parked": 0.0}
            axle = {"height/left": 240.0, "height/right": 240.0}
            self.source.windows.append(
                Window(self.time_s, vehicle, {2: {**axle, "lube": 85.0}, 3: {**axle, "lube": lube_cel}})
            )

    def guard(self) -> dict[str, Any]:
        found: dict[str, Any] = self.office.get("/api/1/vehicles/t-1")["guard"]
        return found

    def sheet(self) -> str:
        return self.office.text_of("/trucks/t-1")


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    made = House(tmp_path)
    made.broker.start()
    made.office.start()
    yield made
    if made.agent is not None:
        made.agent.stop()
    made.office.stop()
    made.broker.stop()


def test_the_guard_speaks_without_a_link_and_the_office_says_stop_once_it_hears_of_it(house: House) -> None:
    agent = house.start_truck()
    version = version_of(house.fleet)
    wait_for("limits on both sides", lambda: house.guard()["agree"])
    assert house.guard()["limits_version"] == house.guard()["office_version"] == version
    house.drive(6, 85.0)
    wait_for("quiet guard", lambda: [one["word"] for one in house.guard()["words"]] == ["quiet", "quiet"])

    house.broker.kill()
    wait_for("loss of the link", lambda: not agent.link.connected)
    # Above the truck's own limit, below the default one: it goes by what the office sent before.
    house.drive(6, LIMIT_CEL + 1.5)
    lamp = house.folder / "lamp"
    wait_for("lamp", lambda: lamp.exists() and lamp.read_text(encoding="ascii") == "1\n")
    assert not agent.link.connected

    house.broker.start()
    wait_for("word in the office", lambda: house.guard()["speaks"], 90.0)
    assert [one["word"] for one in house.guard()["words"]] == ["quiet", "lube-limit"]

    def warned() -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = house.office.get("/api/1/vehicles/t-1")["advisories"]
        return [one for one in found if one["axle"] == 3 and one["urgency"] == "stop-safely-now"]

    (advisory,) = wait_for("advisory", warned)
    evidence = house.office.get(f"/api/1/advisories/{advisory['id']}")["evidence"]
    assert "guard" in {one["channel"] for one in evidence}
    assert "axle 3: lube beyond its limit" in house.sheet()
    csv = house.office.text_of(
        f"/api/1/vehicles/t-1/readings.csv?begin_s={house.time_s - 600}&end_s={house.time_s + 1}"
    )
    rows = [line for line in csv.splitlines()[1:] if line.split(",")[2] == "3"]
    # Twelve windows, each once.
    assert len(rows) == len({row.split(",")[0] for row in rows}) == 12


def test_limits_that_differ_are_shown_until_the_truck_has_heard_of_the_change(house: House) -> None:
    agent = house.start_truck()
    wait_for("limits on both sides", lambda: house.guard()["agree"])
    before = version_of(house.fleet)
    agent.stop()
    house.office.stop()
    write_fleet(house.fleet, 111.0)
    house.office.start()
    told = house.guard()
    assert (told["limits_version"], told["office_version"], told["agree"]) == (before, version_of(house.fleet), False)
    assert "not those of the fleet file" in house.sheet()
    house.start_truck()
    wait_for("limits on both sides again", lambda: house.guard()["agree"])
    assert house.guard()["limits_version"] == version_of(house.fleet) != before
    assert "as in the fleet file" in house.sheet()
