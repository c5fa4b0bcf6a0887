"""From a bus that another process speaks on, through an agent and a broker, to the office."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import can
import pytest

from axlewright_edge.agent import Agent
from axlewright_edge.clock import SystemClock
from axlewright_edge.config import parse_agent
from axlewright_models.wire.frames import Window
from axlewright_simulators.demo_fleet import demo_fleet_text

GROUP = "239.74.163.87"


@pytest.fixture
def multicast() -> None:
    try:
        with can.Bus(interface="udp_multicast", channel=GROUP) as bus:
            bus.send(can.Message(arbitration_id=1, data=[1]))
            if bus.recv(2.0) is None:
                pytest.skip("multicast does not come back on this machine")
    except (can.CanError, OSError) as error:
        pytest.skip(f"no multicast on this machine: {error}")


@pytest.mark.usefixtures("multicast")
def test_a_truck_on_the_bus_arrives_in_the_office_and_a_dead_one_is_stale_not_zero(
    broker: Any, office: Any, tmp_path: Path
) -> None:
    (tmp_path / "fleet.toml").write_text(demo_fleet_text(), encoding="utf-8")
    settings = parse_agent(
        f"""
        fleet = "harrow-vale"
        vehicle = "hv-101"
        window_s = 1.0
        outbox.path = "hv-101.sqlite"
        broker = {{url = "mqtt://127.0.0.1:{broker.port}", status_every_s = 1.0}}
        [source]
        kind = "sensors"
        fleet_file = "fleet.toml"
        [source.j1939]
        interface = "udp_multicast"
        channel = "{GROUP}"
        """,
        folder=tmp_path,
    )
    options = ["--interface", "udp_multicast", "--channel", GROUP, "--begin", "1700000000"]
    agent = Agent(settings, SystemClock())
    agent.start()
    truck = subprocess.Popen([sys.executable, "-m", "axlewright_simulators.can_twin", *options])
    try:
        full = wait_for("full window", lambda: complete(office.committed))
        assert set(full.axles) == {2, 3}
        assert full.vehicle["parked"] == 0.0
        assert {"gear", "engine-speed", "shaft-speed", "odometer", "ambient"} <= set(full.vehicle)
        assert {"height/left", "bellows/right", "guard"} <= set(full.axles[3])
        truck.kill()
        truck.wait(10)
        # Signal after signal falls silent, then the whole bus.
        wait_for("stale source", lambda: is_stale(office.last_status(), "silent: "))
        wait_for("stale bus", lambda: is_stale(office.last_status(), "nothing heard on the bus"))
        # The window that was open when the bus fell silent may still be on its way.
        wait_for("window without speed", lambda: "speed" not in newest(office.committed).vehicle)
        assert 0.0 not in [window.vehicle.get("speed") for frame in office.committed for window in frame.windows]
    finally:
        truck.kill()
        truck.wait(10)
        agent.stop()


def wait_for(what: str, check: Any, timeout_s: float = 60.0) -> Any:
    deadline = time.monotonic() + timeout_s
    while not (answer := check()):
        assert time.monotonic() < deadline, f"no {what} within {timeout_s:g} s"
        time.sleep(0.05)
    return answer


def newest(frames: list[Any]) -> Window:
    windows: list[Window] = [window for frame in frames for window in frame.windows]
    return max(windows, key=lambda one: one.time_s)


def complete(frames: list[Any]) -> Window | None:
    for frame in frames:
        for window in frame.windows:
            lube = all("lube" in window.axles.get(axle, {}) for axle in (2, 3))
            if lube and "torque" in window.vehicle and "speed" in window.vehicle:
                return window  # type: ignore[no-any-return]  # frames hold windows
    return None


def is_stale(status: Any, note: str) -> bool:
    sources = status.sources if status is not None else []
    return any(one.name.startswith("j1939") and one.state == "stale" and note in one.note for one in sources)
