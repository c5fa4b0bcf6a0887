"""An agent with a truck's own sensors: from a device's numbers to frames that the office has committed."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from axlewright_edge.agent import Agent
from axlewright_edge.clock import SystemClock
from axlewright_edge.config import parse_agent
from axlewright_edge.sources.iio_twin import IioTwin, yard
from axlewright_models.wire.messages import Command

# What a broker speaks is another test's matter.
pytestmark = pytest.mark.parametrize("broker", ["embedded"], indirect=True)
ROOT = Path(__file__).parents[2]
FLEET = """
fleet = "yard"
name = "One yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.t-1]
type = "tractor"
"""
AGENT = """
fleet = "yard"
vehicle = "t-1"
window_s = 1.0
outbox.path = "outbox.sqlite"
broker.url = "mqtt://127.0.0.1:{port}"
broker.status_every_s = 1.0
[source]
kind = "sensors"
fleet_file = "fleet.toml"
[[source.iio]]
device = "lube"
every_s = 0.2
root = "devices"
[[source.iio.channels]]
attribute = "in_temp0"
channel = "lube"
axle = 2
[[source.iio]]
device = "axle-2-vibration"
mode = "buffered"
root = "devices"
device_folder = "dev"
[[source.iio.channels]]
attribute = "in_accel_z"
channel = "acceleration"
axle = 2
"""


def wait_for(what: str, check: Callable[[], Any], timeout_s: float = 30.0) -> Any:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        if answer := check():
            return answer
        time.sleep(0.05)
    raise AssertionError(f"no {what} within {timeout_s:g} s")


@pytest.fixture
def agent(office: Any, tmp_path: Path) -> Iterator[tuple[Agent, IioTwin]]:
    (tmp_path / "fleet.toml").write_text(FLEET, encoding="utf-8")
    twin = IioTwin(tmp_path, yard())
    twin.start()
    running = Agent(parse_agent(AGENT.format(port=office.port), folder=tmp_path), SystemClock())
    running.start()
    yield running, twin
    running.stop()
    twin.stop()


def sources(office: Any) -> dict[str, str]:
    status = office.last_status()
    return {one.name: one.state for one in status.sources} if status is not None else {}


def newest(office: Any) -> dict[str, float]:
    with office.lock:
        return dict(office.committed[-1].windows[-1].axles.get(2, {})) if office.committed else {}


def test_what_sensors_say_reaches_the_office_and_a_pulled_one_is_named_and_comes_back(
    agent: tuple[Agent, IioTwin], office: Any
) -> None:
    _, twin = agent
    axle = wait_for("window with everything", lambda: "vib/rms" in (told := newest(office)) and "lube" in told and told)
    assert axle["lube"] == pytest.approx(90.0, abs=0.5)
    # Sines of 0.4, 0.25 and 1 m/s2 and noise of 0.5: the root of the sum of the squares.
    assert axle["vib/rms"] == pytest.approx((0.5 * (0.4**2 + 0.25**2 + 1.0) + 0.5**2) ** 0.5, rel=0.05)
    expected = {"iio lube": "ok", "iio axle-2-vibration": "ok"}
    wait_for("status of the sources", lambda: expected.items() <= sources(office).items())
    twin.unplug("iio:device0")
    wait_for("word of the pulled sensor", lambda: sources(office).get("iio axle-2-vibration") == "failed")
    count = len(office.committed)
    wait_for("windows of the others", lambda: len(office.committed) >= count + 2)
    assert "vib/rms" not in newest(office) and "lube" in newest(office)
    twin.plug("iio:device0")
    wait_for("vibration again", lambda: "vib/rms" in newest(office))
    wait_for("status of the sources", lambda: expected.items() <= sources(office).items())
    times = [window.time_s for frame in office.committed for window in frame.windows]
    assert times == sorted(set(times))


def test_the_office_can_change_the_window_of_sensors(agent: tuple[Agent, IioTwin], office: Any) -> None:
    wait_for("window", lambda: newest(office))
    office.command("t-1", Command(id="c1", action="set-window", seconds=2.0))
    wait_for("answer", lambda: (told := office.last_status()) and "window set to 2 s" in told.note)
    count = len(office.committed)
    wait_for("windows", lambda: len(office.committed) >= count + 3)
    times = [window.time_s for frame in office.committed for window in frame.windows]
    assert times[-1] - times[-2] == pytest.approx(2.0, abs=0.01)


def test_the_yard_of_devices_that_do_not_exist_can_be_run_by_hand(broker: Any, tmp_path: Path) -> None:
    rooms = os.pathsep.join(str(ROOT / room) for room in ("edge", "models"))
    words = [sys.executable, "-m", "axlewright_edge.sources.iio_twin", str(tmp_path / "yard"), "--seconds", "30"]
    process = subprocess.Popen(words, env={**os.environ, "PYTHONPATH": rooms})
    try:
        lube = tmp_path / "yard" / "devices" / "iio:device2" / "in_temp0_input"
        assert (
            80_000.0 < float(wait_for("device", lambda: lube.exists() and lube.read_text(encoding="utf-8"))) < 95_000.0
        )
    finally:
        process.terminate()
        process.wait(10)
