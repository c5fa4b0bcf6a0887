"""A healthy truck drives real speeds and grades, its windows go over a real broker, and the office stays calm."""

from __future__ import annotations

import csv
import io
import math
import os
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from axlewright_models.signals import NAMES
from axlewright_models.wire.messages import State
from axlewright_simulators.cycles import APPENDIX_D_KNOWN_POINTS, Cycle, appendix_d_grade, read_long_haul, trip_of_cycle
from axlewright_simulators.demo_fleet import demo_fleet, demo_fleet_text
from axlewright_simulators.duty import CycleDuty
from axlewright_simulators.parameters import traction_of
from axlewright_simulators.source import SimulatedTruck
from house import COMMAND, SERVICES_REQUIRED, OfficeProcess

pytestmark = pytest.mark.acceptance

VEHICLE = "hv-101"
WINDOW_S = 20.0
LONG_HAUL_KM = 804.6  # fastsim 2.1.5, longHaulDriveCycle.csv, integrated over its seconds
LUBE_CEL = (-20.0, 121.0)  # 121 Cel (250 F) is where the office's own limit begins
LAPS = 8


@pytest.fixture(scope="session")
def fastsim_wheel(pytestconfig: pytest.Config) -> Path:
    """The wheel of fastsim 2.1.5, downloaded once and never installed."""
    named = os.environ.get("AXLEWRIGHT_TEST_CACHE")
    folder = Path(named) if named else Path(pytestconfig.cache.mkdir("wheels"))  # type: ignore[union-attr]
    folder.mkdir(parents=True, exist_ok=True)
    if not list(folder.glob("fastsim-2.1.5-*.whl")):
        words = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--dest", str(folder)]
        words += ["--python-version", "3.11", "--only-binary", ":all:", "fastsim==2.1.5"]
        done = subprocess.run(words, capture_output=True, text=True, timeout=80, check=False)
        if done.returncode != 0:
            why = f"fastsim 2.1.5 cannot be downloaded: {done.stderr.strip()[-300:]}"
            (pytest.fail if SERVICES_REQUIRED else pytest.skip)(why)
    return next(folder.glob("fastsim-2.1.5-*.whl"))


@pytest.fixture
def office(tmp_path: Path) -> Iterator[OfficeProcess]:
    fleet = tmp_path / "fleet.toml"
    fleet.write_text(demo_fleet_text(), encoding="utf-8")
    office = OfficeProcess(tmp_path, fleet)
    office.start()
    yield office
    office.stop()


def drive(cycle: Cycle, table: Path) -> int:
    """Write the windows of a healthy truck that follows the cycle and, by its stamps, arrives now; return the count."""
    fleet = demo_fleet()
    count = int((cycle.time_s[-1] - cycle.time_s[0]) // WINDOW_S)
    # Driven on one fixed day, so that the weather is the same whenever the test runs; the stamps are moved to end now.
    begin_s = datetime(2026, 5, 12, 7, 0, tzinfo=UTC).timestamp()
    moved_s = math.floor(time.time()) - begin_s - count * WINDOW_S
    trip = trip_of_cycle(cycle, traction_of(fleet.vehicle(VEHICLE)))
    truck = SimulatedTruck(fleet, VEHICLE, duty=CycleDuty(trip, float(begin_s)))
    with table.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, ["time_ms", "vehicle", "axle", *NAMES], restval="")
        writer.writeheader()
        for number in range(1, count + 1):
            end_s = begin_s + number * WINDOW_S
            window = truck.window(float(end_s), WINDOW_S)
            for axle, values in [(0, window.vehicle), *window.axles.items()]:
                writer.writerow(
                    {"time_ms": round((end_s + moved_s) * 1000.0), "vehicle": VEHICLE, "axle": axle} | dict(values)
                )
    return count


def send(office: OfficeProcess, table: Path) -> None:
    """Send the table with the edge's `replay` and wait until every frame is acknowledged."""
    command = [*COMMAND, "replay", str(table), "--fleet", demo_fleet().fleet, "--broker", office.broker_url]
    done = subprocess.run(command, capture_output=True, text=True, timeout=80, check=False)
    assert done.returncode == 0, f"{done.stdout[-2000:]}\n{done.stderr[-2000:]}"


def stored(office: OfficeProcess) -> dict[int, list[dict[str, str]]]:
    """Return the stored rows of each axle, as anybody may download them."""
    begin_s, end_s = time.time() - 2 * 86_400.0, time.time() + 60.0
    address = f"{office.page}/api/1/vehicles/{VEHICLE}/readings.csv?begin_s={begin_s}&end_s={end_s}"
    with urllib.request.urlopen(address, timeout=60) as answer:
        rows = list(csv.DictReader(io.TextIOWrapper(answer, encoding="utf-8")))
    found: dict[int, list[dict[str, str]]] = {}
    for row in rows:
        found.setdefault(int(row["axle"]), []).append(row)
    return found


def judge(office: OfficeProcess, windows: int, cycle: Cycle, distance_km: float) -> np.ndarray:
    """Hold the stored day to what was driven; return the forward drive axle's lube temperatures."""
    rows = stored(office)
    assert {axle: len(found) for axle, found in rows.items()} == {0: windows, 2: windows, 3: windows}
    odometer = np.array([float(row["odometer"]) for row in rows[0] if row["odometer"]])
    assert np.all(np.diff(odometer) >= 0.0)
    # float32 holds an odometer of some 100 000 km to 8 m.
    assert odometer[-1] - odometer[0] == pytest.approx(distance_km, rel=0.01)
    speed = np.array([float(row["speed"] or "nan") for row in rows[0]])
    assert np.nanmax(speed) <= 3.6 * cycle.speed_m_s.max() + 1.0
    lube = np.array([[float(row["lube"] or "nan") for row in rows[axle]] for axle in (2, 3)])
    assert np.nanmin(lube) > LUBE_CEL[0]
    assert np.nanmax(lube) < LUBE_CEL[1]
    states = "&".join(f"state={state}" for state in get_args(State))
    advisories = office.get(f"/api/1/advisories?limit=100&{states}")
    found = advisories if isinstance(advisories, list) else advisories["advisories"]
    assert [(one["vehicle"], one["cause"], one["state"]) for one in found] == []
    first: np.ndarray = lube[0]
    return first


def test_a_healthy_truck_on_the_real_long_haul_day_is_stored_whole_and_raises_nothing(
    office: OfficeProcess, fastsim_wheel: Path, tmp_path: Path
) -> None:
    cycle = read_long_haul(fastsim_wheel)
    windows = drive(cycle, tmp_path / "day.csv")
    assert windows == 83_042 // WINDOW_S
    send(office, tmp_path / "day.csv")
    lube = judge(office, windows, cycle, LONG_HAUL_KM)
    assert np.nanmax(lube) > 60.0, "a day's driving warms the axle"


def test_a_healthy_truck_on_the_known_grades_of_a_regulation_raises_nothing(
    office: OfficeProcess, tmp_path: Path
) -> None:
    length_m = APPENDIX_D_KNOWN_POINTS[-1][0]
    speed_m_s = 15.0
    seconds = np.arange(np.floor(LAPS * length_m / speed_m_s))
    grade = appendix_d_grade(np.mod(seconds * speed_m_s, length_m))
    cycle = Cycle(seconds, np.full(seconds.size, speed_m_s), grade)
    windows = drive(cycle, tmp_path / "grades.csv")
    send(office, tmp_path / "grades.csv")
    # The first window's odometer already holds the way of that window.
    judge(office, windows, cycle, (windows - 1) * WINDOW_S * speed_m_s / 1000.0)
