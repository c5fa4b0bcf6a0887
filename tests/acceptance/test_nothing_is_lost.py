"""Whatever dies in the middle, every frame is stored exactly once and judged as if nothing had happened."""

from __future__ import annotations

import csv
import io
import time
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from house import COMMAND, Mosquitto, OfficeProcess, Process, wait_for
from recorded import Recording, write_fleet, write_recordings

pytestmark = pytest.mark.acceptance

TRUCKS = 20
WINDOWS = 600
SEED = 7
# 10 s windows 400 times as fast: 40 frames a second from each truck, a quarter of a minute in all.
SPEED = 400.0


@dataclass(frozen=True)
class Outcome:
    """What the store holds in the end."""

    frames: dict[str, list[int]]
    rows: dict[tuple[str, int], int]
    values: dict[tuple[str, int], tuple[float, float]]
    symptoms: list[tuple[object, ...]]
    advisories: list[tuple[object, ...]]


class Trucks(Process):
    """All trucks' agents in one process, each with an outbox of its own."""

    def __init__(self, folder: Path, recordings: list[Recording], broker_url: str, speed: float) -> None:
        super().__init__(folder, "trucks")
        self.command = [*COMMAND, "agent"]
        for recording in recordings:
            path = folder / f"agent-{recording.vehicle}.toml"
            path.write_text(
                f'fleet = "yard"\nvehicle = "{recording.vehicle}"\n'
                f'outbox.path = "{folder / (recording.vehicle + ".outbox")}"\n'
                f'broker = {{ url = "{broker_url}", resend_after_s = 1.0 }}\n'
                f'source = {{ kind = "replay", file = "{recording.file}", speed = {speed} }}\n',
                encoding="utf-8",
            )
            self.command += ["--config", str(path)]

    def start(self) -> None:
        self.run(self.command)


def outcome(office: OfficeProcess) -> Outcome:
    """Read the store: frames committed per stream, rows per axle, symptoms and advisories."""
    with office.store() as store:
        frames: dict[str, list[int]] = {}
        for vehicle, seq in store.execute("select vehicle, seq from high_water order by vehicle, stream"):
            frames.setdefault(vehicle, []).append(seq)
        rows: dict[tuple[str, int], int] = {}
        for table, count in (("reading", "count(*)"), ("block", "sum(n)")):
            query = f"select vehicle, position, {count} from {table} join axle on axle.id = axle_id group by 1, 2"
            for vehicle, position, number in store.execute(query):
                rows[vehicle, position] = rows.get((vehicle, position), 0) + number
        symptoms = store.execute(
            "select vehicle, position, time_ms, code, channel, level, since_ms, value, limit_value, score"
            " from symptom join axle on axle.id = axle_id order by 1, 2, 3, 4, 5, 6"
        ).fetchall()
        advisories = store.execute(
            "select id, vehicle, position, cause, state, urgency, confidence, since_ms, updated_ms"
            " from advisory order by id"
        ).fetchall()
    return Outcome(frames, rows, stored_lube(office, rows), symptoms, advisories)


def stored_lube(office: OfficeProcess, rows: dict[tuple[str, int], int]) -> dict[tuple[str, int], tuple[float, float]]:
    """Return the lube's sum and its sum weighted by time of each axle: a value stored wrong or twice would show."""
    found: dict[tuple[str, int], tuple[float, float]] = {}
    now_s = time.time()
    for vehicle in sorted({vehicle for vehicle, _ in rows}):
        query = f"/api/1/vehicles/{vehicle}/readings.csv?begin_s={now_s - 4 * 86400:.0f}&end_s={now_s:.0f}"
        for row in csv.DictReader(io.StringIO(office.text_of(query))):
            if row["lube"]:
                plain, weighted = found.get((vehicle, int(row["axle"])), (0.0, 0.0))
                seconds = datetime.fromisoformat(row["time"]).timestamp() % 1e6
                lube = float(row["lube"])
                found[vehicle, int(row["axle"])] = (plain + lube, weighted + lube * seconds)
    return found


def committed(office: OfficeProcess) -> int:
    """Return how many frames the store says it has."""
    try:
        with office.store() as store:
            return int(store.execute("select coalesce(sum(seq), 0) from high_water").fetchone()[0])
    except Exception:  # the office may not have made its store yet
        return 0


@pytest.fixture(params=["embedded", "mosquitto"])
def office(request: pytest.FixtureRequest, tmp_path: Path):  # type: ignore[no-untyped-def]
    fleet = write_fleet(tmp_path / "fleet.toml", TRUCKS)
    mosquitto = Mosquitto(tmp_path) if request.param == "mosquitto" else None
    if mosquitto:
        mosquitto.start()
    process = OfficeProcess(tmp_path, fleet, mosquitto)
    process.start()
    yield process
    process.stop()
    if mosquitto:
        mosquitto.stop()


def _check_everything_is_there(found: Outcome, recordings: list[Recording]) -> None:
    windows = {(recording.vehicle, position): recording.windows for recording in recordings for position in (0, 2, 3)}
    assert found.rows == windows
    assert {vehicle: sum(seqs) for vehicle, seqs in found.frames.items()} == {
        recording.vehicle: recording.windows for recording in recordings
    }


def _undisturbed(tmp_path: Path, recordings: list[Recording], fleet: Path) -> Outcome:
    folder = tmp_path / "undisturbed"
    folder.mkdir()
    office = OfficeProcess(folder, fleet)
    office.start()
    trucks = Trucks(folder, recordings, office.broker_url, speed=0.0)
    trucks.start()
    total = sum(recording.windows for recording in recordings)
    wait_for("every frame of the undisturbed run", lambda: committed(office) == total, 120)
    trucks.stop()
    found = outcome(office)
    office.stop()
    return found


def test_killing_office_broker_and_trucks_loses_nothing_and_changes_nothing(
    office: OfficeProcess, tmp_path: Path
) -> None:
    recordings = write_recordings(tmp_path / "recorded", TRUCKS, WINDOWS, end_s=np.floor(time.time()) - 60.0, seed=SEED)
    trucks = Trucks(tmp_path, recordings, office.broker_url, SPEED)
    trucks.start()
    rng = np.random.default_rng(SEED)
    deaths = rng.permutation(["office"] * 5 + ["broker"] * 2 + ["trucks"] * 2)
    for victim in deaths:
        time.sleep(float(rng.uniform(0.4, 1.6)))
        if victim == "office":
            office.kill()
            office.start()
        elif victim == "broker":
            office.kill_broker()
            office.restart_broker()
        else:
            trucks.kill()
            trucks.start()
    total = TRUCKS * WINDOWS
    wait_for("every frame", lambda: committed(office) >= total, 180)
    assert trucks.stop() == 0, trucks.text()[-3000:]
    found = outcome(office)
    _check_everything_is_there(found, recordings)
    expected = _undisturbed(tmp_path, recordings, tmp_path / "fleet.toml")
    _check_everything_is_there(expected, recordings)
    assert expected.symptoms, "the recording holds faults; a run without symptoms would prove nothing"
    assert len(found.values) == 2 * len({vehicle for vehicle, _ in found.rows})
    assert found.values == expected.values
    assert found.symptoms == expected.symptoms
    assert found.advisories == expected.advisories


def test_a_truck_that_was_offline_for_two_days_is_judged_as_it_would_have_been_live(
    office: OfficeProcess, tmp_path: Path
) -> None:
    # One-minute windows keep two days short enough for a test.
    end_s = np.floor(time.time()) - 60.0
    recordings = write_recordings(tmp_path / "recorded", 8, 2 * 1440, end_s, SEED + 1, window_s=60.0)
    backlog = [recording for recording in recordings if recording.vehicle in {"t-3", "t-4"}]
    present = [recording for recording in recordings if recording not in backlog]
    # The others drive on; two trucks gather in their outboxes what they can't send anybody.
    (tmp_path / "present").mkdir()
    away = Trucks(tmp_path, backlog, "mqtt://127.0.0.1:9", speed=0.0)
    here = Trucks(tmp_path / "present", present, office.broker_url, speed=0.0)
    away.start()
    here.start()
    total = sum(recording.windows for recording in present)
    wait_for("the trucks that are here", lambda: committed(office) == total, 120)
    assert here.stop() == 0, here.text()[-3000:]
    time.sleep(5.0)  # what is not in the outbox by now is read from the recording after the return
    assert away.stop() == 0, away.text()[-3000:]
    back = Trucks(tmp_path, backlog, office.broker_url, speed=0.0)
    back.start()
    wait_for("the backlog", lambda: committed(office) == sum(recording.windows for recording in recordings), 120)
    assert back.stop() == 0, back.text()[-3000:]
    found = outcome(office)
    _check_everything_is_there(found, recordings)
    expected = _undisturbed(tmp_path, recordings, tmp_path / "fleet.toml")
    assert [row for row in expected.symptoms if row[0] == "t-3"], (
        "t-3 stands low; a run without its symptom would prove nothing"
    )
    assert len(found.values) == 2 * len({vehicle for vehicle, _ in found.rows})
    assert found.values == expected.values
    assert found.symptoms == expected.symptoms
    assert found.advisories == expected.advisories
