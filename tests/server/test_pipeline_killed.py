"""A pipeline killed at any moment leaves readings, memory, symptoms and marks that belong together."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from axlewright_models.signals import INDEX
from axlewright_models.spec import parse_fleet
from axlewright_server.kernel import Kernel, Rows, Symptom
from axlewright_server.store import Store, advisories, readings, records

FLEET = """
fleet = "yard"
name = "One yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.t-1]
type = "tractor"
[vehicles.t-2]
type = "tractor"
"""
BEGIN_S = 1_750_000_000.0

# Sends every frame from where the acks stand, for ever, and prints each ack. The lube of t-1 heats beyond every limit.
CHILD = f"""
import json, sys
from axlewright_models.spec import parse_fleet
from axlewright_models.wire.frames import Frame, Window, encode_frame
from axlewright_server.hub import Hub
from axlewright_server.ingest import Inbox, Message
from axlewright_server.pipeline import Pipeline
from axlewright_server.publisher import Publisher
from axlewright_server.settings import IngestSettings
from axlewright_server.store import Store

class Link:
    def publish(self, topic, payload, retain=False):
        if topic.endswith("/ack"):
            print(topic.split("/")[3], json.loads(payload)["seq"], flush=True)
        return self
    def is_published(self):
        return True

store, inbox = Store(sys.argv[1]), Inbox()
settings = IngestSettings(batch_wait_s=0.0)
pipeline = Pipeline(
    parse_fleet('''{FLEET}'''), store, inbox, Hub(), Publisher("yard", Link()), settings,
    clock=lambda: {BEGIN_S} + 86400.0,
)
seq = int(sys.argv[2])
while True:
    for vehicle in ("t-1", "t-2"):
        for number in range(max(1, seq), seq + 5):  # overlaps with what was sent: repeats are dropped
            lube = min(40.0 + 2.0 * number, 180.0) if vehicle == "t-1" else 60.0
            window = Window({BEGIN_S} + 30.0 * number, {{"speed": 80.0}}, {{2: {{"lube": lube}}, 3: {{"lube": 60.0}}}})
            frame = Frame("yard", vehicle, "s", number, (window,))
            inbox.put(Message(f"axlewright/1/yard/{{vehicle}}/readings", encode_frame(frame), 0.0))
    pipeline.turn(wait_s=0.0)
    seq += 4
"""


def run_and_kill(folder: Path, seq: int, after_acks: int) -> dict[str, int]:
    """Let a child work, kill it after so many acks and return the last ack of each truck."""
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(folder), str(seq)], stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    acks: dict[str, int] = {}
    for _ in range(after_acks):
        vehicle, number = child.stdout.readline().split()
        acks[vehicle] = int(number)
    child.kill()
    rest = child.stdout.read().splitlines()
    acks.update((line.split()[0], int(line.split()[1])) for line in rest if len(line.split()) == 2)
    child.wait(10)
    child.stdout.close()
    return acks


def offline(folder: Path) -> tuple[list[bytes], list[Symptom], dict[str, int]]:
    """Return memory and symptoms of a kernel that is shown what the store holds, and the rows per truck."""
    kernel = Kernel(parse_fleet(FLEET))
    symptoms, counts = [], {}
    store = Store(folder)
    with store.reader() as connection:
        for number, vehicle in enumerate(kernel.table.vehicles):
            counts[vehicle] = 0
            for part in readings.export(connection, vehicle, 0, 2**52):
                owner = np.full(len(part.time_ms), number)
                values = part.values[:, : len(INDEX)]
                symptoms += kernel.run(Rows(owner, part.time_ms / 1000.0, part.position, values)).symptoms
                counts[vehicle] += int((part.position == 2).sum())
    store.close()
    return [kernel.state_blob(row) for row in range(len(kernel.table))], symptoms, counts


@pytest.mark.parametrize("kills", [(7, 12, 4)])
def test_whatever_the_moment_of_the_kill_everything_belongs_to_the_same_commit(
    tmp_path: Path, kills: tuple[int, ...]
) -> None:
    acks = {"t-1": 0, "t-2": 0}
    for after in kills:
        acks = acks | run_and_kill(tmp_path, min(acks.values()), after)
        memory, symptoms, counts = offline(tmp_path)
        store = Store(tmp_path)
        with store.reader() as connection:
            marks = {mark.vehicle: mark.seq for mark in records.high_waters(connection)}
            blobs = records.states(connection)
            stored = advisories.symptoms(connection)
        table = Kernel(parse_fleet(FLEET)).table
        kept = [blobs[store.axle_ids[table.vehicle_id(row), int(table.position[row])]] for row in range(len(table))]
        store.close()
        assert marks == counts, "every frame below the mark is stored, once, and none above it"
        assert all(marks[vehicle] >= seq for vehicle, seq in acks.items()), "nothing was acknowledged before its commit"
        assert kept == memory
        assert sorted((one.time_ms, one.code, one.level) for one in stored) == sorted(
            (round(one.time_s * 1000), one.code, one.level) for one in symptoms
        )
    assert stored, "the heat was found"
