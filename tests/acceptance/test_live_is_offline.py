"""A day of twenty trucks, as frames in small batches and as one table, comes to the same symptoms, byte for byte.

The day is simulated at windows of ten seconds, sent as wire frames of six windows, decoded, and committed a few frames
at a time as the live writer does. What the frames decoded to is then written as one table and loaded as history is. No
truck's day depends on another's, so the order in which frames of different trucks come must not matter either.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from axlewright_models.signals import CHANNELS, NAMES
from axlewright_models.spec import FleetSpec, parse_fleet
from axlewright_models.wire.frames import Decoded, Decoder, Frame, Window, encode_frame
from axlewright_server.commit import Bundle, Committer
from axlewright_server.history import Loader, read_table
from axlewright_server.store import Store, advisories
from axlewright_simulators.faults import Fault
from axlewright_simulators.fleet import Block, FleetSimulator

TRUCKS, DAY_S, WINDOW_S, WINDOWS_A_FRAME = 20, 86400.0, 10.0, 6
BEGIN_S = 1_709_510_400.0
SEED = 905


def fleet() -> FleetSpec:
    """Return twenty trucks; the last four geared for hills."""
    text = 'fleet = "day"\nname = "One day"\n[types.tractor]\ntitle = "6x4 tractor"\n'
    axles = "".join(
        f'{{ position = {n}, role = "{role}", pinion_teeth = 11, ring_teeth = 41 }},'
        for n, role in ((2, "forward-drive"), (3, "rear-drive"))
    )
    hill = f'axles = [{{ position = 1, role = "steer" }}, {axles}]\n'
    for number in range(TRUCKS):
        text += f'[vehicles.t-{number:02d}]\ntype = "tractor"\n' + (hill if number >= TRUCKS - 4 else "")
    return parse_fleet(text)


def faults() -> tuple[Fault, ...]:
    """Return faults that a single day shows."""
    at = BEGIN_S + 7.0 * 3600.0
    return (
        Fault("height-valve", "t-01", at, -16.0),
        Fault("height-valve", "t-02", at + 3600.0, 14.0),
        Fault("air-leak", "t-03", BEGIN_S, 0.12, side="left"),
        Fault("lube-sensor", "t-04", at, 0.0, 2, mode="stuck"),
        Fault("lube-sensor", "t-05", at, 0.0, 3, mode="silent"),
        Fault("brake-drag", "t-06", at, 900.0, 3),
        Fault("lowered", "t-07", at, -60.0, end_s=at + 7200.0),
    )


def windows_of(block: Block, simulator: FleetSimulator) -> list[tuple[str, Window]]:
    """Return what the trucks would send, all windows while awake and one in ten minutes asleep."""
    found = []
    for step, end_s in enumerate(block.edges_s[1:].tolist()):
        for truck, name in enumerate(simulator.vehicles):
            if block.vehicle["ignition"][step, truck] < 0.5 and end_s % 600.0 >= WINDOW_S:
                continue
            own = {channel: float(values[step, truck]) for channel, values in block.vehicle.items()}
            axles = {
                int(simulator.axles.position[row]): {
                    channel: float(values[step, row]) for channel, values in block.axle.items()
                }
                for row in np.flatnonzero(simulator.axles.truck == truck)
            }
            found.append((name, Window(float(end_s), own, axles)))
    return found


def recorded(spec: FleetSpec) -> list[Decoded]:
    """Return the day's frames as the office decodes them, in order of time."""
    simulator = FleetSimulator(spec, seed=SEED, anchor_s=BEGIN_S + DAY_S / 2, begin_s=BEGIN_S, faults=faults())
    decoder, waiting, seq = Decoder(), {}, dict.fromkeys(simulator.vehicles, 0)
    frames: list[Decoded] = []
    for hour in range(round(DAY_S / 3600.0)):
        edges = BEGIN_S + 3600.0 * hour + WINDOW_S * np.arange(round(3600.0 / WINDOW_S) + 1)
        for name, window in windows_of(simulator.advance(edges), simulator):
            held = waiting.setdefault(name, [])
            held.append(window)
            if len(held) == WINDOWS_A_FRAME:
                seq[name] += 1
                payload = encode_frame(Frame(spec.fleet, name, "s", seq[name], tuple(held)))
                frames.append(decoder.decode(payload))
                waiting[name] = []
    return frames


def live(spec: FleetSpec, folder: Path, frames: list[Decoded]) -> tuple[list[tuple[object, ...]], list[bytes]]:
    """Commit the frames a few at a time, in batches of changing size, and return symptoms and detector memory."""
    store = Store(folder)
    committer = Committer(spec, store)
    rng = np.random.default_rng(1)
    begin = 0
    while begin < len(frames):
        end = begin + int(rng.integers(1, 160))
        committer.commit(committer.gather(frames[begin:end]), Bundle())
        begin = end
    return outcome(store, committer)


def offline(spec: FleetSpec, folder: Path, frames: list[Decoded]) -> tuple[list[tuple[object, ...]], list[bytes]]:
    """Write what the frames held as one table, load it, and return symptoms and detector memory."""
    folder.mkdir()
    keys = [(time_s, frame.vehicle, position) for frame in frames for time_s, position in frame.rows]
    values = np.concatenate([frame.values for frame in frames])
    order = sorted(range(len(keys)), key=lambda place: keys[place])
    columns = {
        "time_ms": pa.array([round(keys[place][0] * 1000.0) for place in order], pa.int64()),
        "vehicle": pa.array([keys[place][1] for place in order]),
        "axle": pa.array([keys[place][2] for place in order], pa.int32()),
    }
    for number, name in enumerate(NAMES):
        if not CHANNELS[number].derived:
            columns[name] = pa.array(values[order, number], from_pandas=True)
    pq.write_table(pa.table(columns), folder / "day.parquet")
    store = Store(folder / "data")
    committer = Committer(spec, store)
    loader = Loader(committer)
    for _ in loader.load(read_table(folder / "day.parquet")):
        pass
    return outcome(store, committer)


def outcome(store: Store, committer: Committer) -> tuple[list[tuple[object, ...]], list[bytes]]:
    """Return the stored symptoms, in order, and the kernel's memory of every axle."""
    with store.reader() as connection:
        found = advisories.symptoms(connection, limit=100_000)
    memory = committer.kernel.state_blobs(np.arange(len(committer.kernel.table)))
    store.close()
    rows = [
        (one.time_ms, one.vehicle, one.position, one.code, one.channel, one.level, one.since_ms, repr(one.value))
        for one in found
    ]
    return sorted(rows), memory


@pytest.mark.acceptance
def test_a_day_sent_as_frames_and_the_same_day_as_a_table_give_identical_symptoms(tmp_path):
    spec = fleet()
    frames = recorded(spec)
    assert len(frames) > 5_000
    symptoms, memory = live(spec, tmp_path / "live", frames)
    again, memory_again = offline(spec, tmp_path / "offline", frames)
    codes = {row[3] for row in symptoms}
    assert {"height-low", "height-high", "sensor-silent"} <= codes
    assert symptoms == again
    assert memory == memory_again
