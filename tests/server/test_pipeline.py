"""The pipeline: one transaction per batch, acks only after it, nothing twice, nothing lost, whatever fails."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from axlewright_models.signals import INDEX
from axlewright_models.spec import FleetSpec, parse_fleet
from axlewright_models.wire.frames import Frame, Window, encode_frame
from axlewright_models.wire.messages import AdvisoryMessage, Status, encode_message
from axlewright_server.advisories import AdvisoryError, acknowledge, close, raise_advisory
from axlewright_server.hub import Hub
from axlewright_server.ingest import Inbox, Message
from axlewright_server.kernel import Derived, Kernel, Rows, StepResult
from axlewright_server.pipeline import Pipeline, Writer
from axlewright_server.publisher import Publisher
from axlewright_server.settings import IngestSettings
from axlewright_server.store import Store, advisories, readings, records

NOW_S = 1_750_000_000.0
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


class Clock:
    def __init__(self) -> None:
        self.now_s = NOW_S

    def __call__(self) -> float:
        return self.now_s


class Sent:
    def is_published(self) -> bool:
        return True


class Link:
    """Stands for the broker; away when `there` is False."""

    def __init__(self) -> None:
        self.there = True
        self.sent: list[tuple[str, bytes, bool]] = []

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> Sent | None:
        if not self.there:
            return None
        self.sent.append((topic, payload, retain))
        return Sent()

    def acks(self) -> list[tuple[str, str, int]]:
        found = [
            (topic.split("/")[3], json.loads(payload)) for topic, payload, _ in self.sent if topic.endswith("/ack")
        ]
        return [(vehicle, ack["stream"], ack["seq"]) for vehicle, ack in found]


class House:
    """An office without broker and threads: the test turns the handle."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock, self.link = Clock(), Link()
        self.spec: FleetSpec = parse_fleet(FLEET)
        self.open()

    def open(self) -> None:
        self.store = Store(self.folder)
        self.inbox = Inbox()
        publisher = Publisher("yard", self.link, monotonic=self.clock)
        settings = IngestSettings(batch_wait_s=0.0)
        self.pipeline = Pipeline(self.spec, self.store, self.inbox, Hub(), publisher, settings, clock=self.clock)
        self.publisher = publisher

    def restart(self) -> None:
        self.store.close()
        self.link.sent.clear()
        self.open()

    def send(self, *frames: Frame) -> None:
        for frame in frames:
            self.message(f"axlewright/1/yard/{frame.vehicle}/readings", encode_frame(frame))

    def message(self, topic: str, payload: bytes) -> None:
        self.inbox.put(Message(topic, payload, self.clock()))

    def turn(self) -> None:
        self.pipeline.turn(wait_s=0.0)

    def lube(self, vehicle: str, position: int) -> list[float]:
        with self.store.reader() as connection:
            parts = list(readings.export(connection, vehicle, 0, round(2 * NOW_S * 1000)))
        return [
            float(value)
            for part in parts
            for value in part.values[part.position == position][:, part.names.index("lube")]
        ]

    def quarantine(self) -> list[records.Quarantined]:
        with self.store.reader() as connection:
            return records.quarantine(connection)


@pytest.fixture
def house(tmp_path: Path) -> Iterator[House]:
    house = House(tmp_path)
    yield house
    house.store.close()


def frame(seq: int, vehicle: str = "t-1", stream: str = "s", after: int | None = None, ago_s: float = 3600.0) -> Frame:
    axles = {2: {"lube": 60.0 + seq, "height/left": 240.0}, 3: {"lube": 50.0 + seq}}
    window = Window(NOW_S - ago_s + 10.0 * seq, {"speed": 80.0}, axles)
    return Frame("yard", vehicle, stream, seq, (window,), after=after)


def test_frames_are_stored_and_then_acknowledged(house: House) -> None:
    house.send(frame(1), frame(2), frame(1, "t-2"))
    house.turn()
    assert house.lube("t-1", 2) == [61.0, 62.0]
    assert house.lube("t-1", 3) == [51.0, 52.0]
    assert sorted(house.link.acks()) == [("t-1", "s", 2), ("t-2", "s", 1)]


def test_a_gap_is_acknowledged_up_to_the_gap_and_filled_by_the_resend(house: House) -> None:
    house.send(frame(1), frame(3))
    house.turn()
    assert house.link.acks() == [("t-1", "s", 1)]
    house.clock.now_s += 1.0
    house.send(frame(2), frame(3))
    house.turn()
    assert house.link.acks()[-1] == ("t-1", "s", 3)
    assert house.lube("t-1", 2) == [61.0, 62.0, 63.0]


def test_a_frame_sent_again_is_stored_once_and_acknowledged_again(house: House) -> None:
    for _ in range(2):
        house.send(frame(1))
        house.turn()
        house.clock.now_s += 1.0
    assert house.lube("t-1", 2) == [61.0]
    assert house.link.acks() == [("t-1", "s", 1)] * 2


def test_after_a_restart_marks_and_memory_are_as_committed(house: House) -> None:
    house.send(*(frame(seq) for seq in range(1, 20)))
    house.turn()
    kernel = house.pipeline.kernel
    blobs = [kernel.state_blob(row) for row in range(len(kernel.table))]
    house.restart()
    kernel = house.pipeline.kernel
    assert [kernel.state_blob(row) for row in range(len(kernel.table))] == blobs
    house.send(frame(19), frame(20))
    house.turn()
    assert house.link.acks() == [("t-1", "s", 20)]
    assert house.lube("t-1", 2) == [60.0 + seq for seq in range(1, 21)]


def test_when_the_data_file_fails_nothing_is_acknowledged_and_the_resend_is_taken(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    house.send(frame(1))
    house.turn()
    house.link.sent.clear()
    monkeypatch.setattr("axlewright_server.pipeline._PAUSE_S", 0.0)

    def full(*_arguments: Any) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(records, "write_high_waters", full)
        house.send(frame(2), frame(1, "t-2"))
        house.turn()
    assert house.link.acks() == []
    assert "database or disk is full" in house.pipeline.trouble
    assert house.lube("t-1", 2) == [61.0]
    house.clock.now_s += 1.0
    house.send(frame(2), frame(1, "t-2"))
    house.turn()
    assert sorted(house.link.acks()) == [("t-1", "s", 2), ("t-2", "s", 1)]
    assert house.lube("t-1", 2) == [61.0, 62.0]
    assert house.lube("t-2", 2) == [61.0]  # its axle was numbered anew after the roll-back
    assert house.pipeline.trouble == ""


def test_a_frame_that_breaks_the_kernel_is_put_aside_and_the_others_are_kept(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_server.pipeline._PAUSE_S", 0.0)
    real = Kernel.run

    def run(kernel: Kernel, rows: Rows) -> StepResult:
        if (rows.values[:, INDEX["lube"]] == 62.0).any():
            raise ZeroDivisionError("a fault in a detector")
        return real(kernel, rows)

    monkeypatch.setattr(Kernel, "run", run)
    house.send(frame(1), frame(2), frame(3), frame(1, "t-2"))
    house.turn()
    assert house.lube("t-1", 2) == [61.0, 63.0]
    assert house.lube("t-2", 2) == [61.0]
    assert sorted(house.link.acks()) == [("t-1", "s", 3), ("t-2", "s", 1)]
    (kept,) = house.quarantine()
    assert kept.kind == "internal"
    assert "a fault in a detector" in kept.reason
    assert kept.payload == encode_frame(frame(2))


def test_what_the_kernel_computes_is_stored_beside_the_reading_it_belongs_to(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    def run(kernel: Kernel, rows: Rows) -> StepResult:
        axles = np.array([kernel.table.row("t-2", 3), kernel.table.row("t-1", 2)])
        times = np.array([NOW_S - 3600.0 + 20.0, NOW_S - 3600.0 + 10.0])
        values = np.array([[71.0], [72.0]], np.float32)
        return StepResult(derived=[Derived(axles, times, (INDEX["lube/expected"],), values)])

    monkeypatch.setattr(Kernel, "run", run)
    house.send(frame(1), frame(2), frame(1, "t-2"), frame(2, "t-2"))
    house.turn()
    found = {}
    with house.store.reader() as connection:
        for vehicle in ("t-1", "t-2"):
            for part in readings.export(connection, vehicle, 0, round(2 * NOW_S * 1000)):
                expected = part.values[:, part.names.index("lube/expected")]
                for row in np.flatnonzero(~np.isnan(expected)):
                    key = (vehicle, int(part.position[row]), part.time_ms[row] / 1000.0 - NOW_S + 3600.0)
                    found[key] = float(expected[row])
    assert found == {("t-2", 3, 20.0): 71.0, ("t-1", 2, 10.0): 72.0}


def test_a_truck_cannot_write_into_a_channel_that_is_computed_or_belongs_elsewhere(house: House) -> None:
    window = Window(NOW_S, {}, {2: {"lube": 60.0, "lube/expected": 99.0, "speed": 5.0}})
    house.send(Frame("yard", "t-1", "s", 1, (window,)))
    house.turn()
    with house.store.reader() as connection:
        (row,) = readings.latest(connection, "t-1")
    assert row.values == {"lube": 60.0, "speed (as sent)": 5.0}  # an axle has no speed of its own


@pytest.mark.parametrize(
    ("message", "kind", "reason"),
    [
        (("axlewright/1/yard/t-1/readings", b"\xff"), "unreadable", "not CBOR"),
        (("axlewright/1/yard/t-9/readings", b""), "unknown-vehicle", "'t-9' is not in the fleet file; add it there"),
        (("axlewright/1/court/t-1/readings", b""), "unknown-fleet", "'court' is not this office's"),
        (("axlewright/1/yard/T 1/readings", b""), "topic", "use 1 to 64 of a-z"),
        (("axlewright/1/yard/t-1/command", b""), "topic", "'command' is not for it"),
        (("axlewright/1/yard/t-1/status", b"{}"), "status", "not a valid Status"),
    ],
)
def test_what_cannot_be_taken_is_kept_aside_with_the_reason(
    house: House, message: tuple[str, bytes], kind: str, reason: str
) -> None:
    house.message(*message)
    house.turn()
    (kept,) = house.quarantine()
    assert (kept.kind, kept.topic, kept.payload) == (kind, *message)
    assert reason in kept.reason
    assert house.pipeline.figures().quarantined == {kind: 1}


@pytest.mark.parametrize(("ago_s", "reason"), [(-700.0, "in the future"), (401 * 86400.0, "days in the past")])
def test_a_wrong_time_is_put_aside_and_uses_up_its_number(house: House, ago_s: float, reason: str) -> None:
    house.send(frame(1, ago_s=ago_s), frame(2))
    house.turn()
    (kept,) = house.quarantine()
    assert kept.kind == "time"
    assert reason in kept.reason
    assert house.link.acks() == [("t-1", "s", 2)]
    assert house.lube("t-1", 2) == [62.0]


def test_a_bad_frame_sent_again_after_its_ack_was_lost_is_not_kept_twice(house: House) -> None:
    for _ in range(3):
        house.send(frame(1, ago_s=-7000.0))
        house.turn()
    assert len(house.quarantine()) == 1


def test_a_frame_without_a_legible_number_brings_the_truck_the_ack_of_its_last_stream(house: House) -> None:
    house.message("axlewright/1/yard/t-1/readings", b"\xff")
    house.turn()
    assert house.link.acks() == []  # nothing is known of it yet
    house.send(frame(1))
    house.turn()
    house.clock.now_s += 1.0
    house.message("axlewright/1/yard/t-1/readings", b"\xff")
    house.turn()
    assert house.link.acks() == [("t-1", "s", 1)] * 2


def test_a_status_is_kept_and_not_acknowledged_as_if_it_were_a_frame(house: House) -> None:
    status = Status(online=True, version="0", stream="new", queued=3, clock="set", time_s=NOW_S)
    house.message("axlewright/1/yard/t-1/status", encode_message(status))
    house.turn()
    assert house.link.acks() == []
    with house.store.reader() as connection:
        assert records.statuses(connection)["t-1"].status == status


def test_acks_that_could_not_be_sent_are_sent_when_the_truck_is_heard_again(house: House) -> None:
    house.link.there = False
    house.send(frame(1))
    house.turn()
    house.link.there = True
    house.clock.now_s += 1.0
    house.send(frame(1))
    house.turn()
    assert house.link.acks() == [("t-1", "s", 1)]


def test_readings_too_late_to_judge_are_stored_and_counted(house: House) -> None:
    for number, ago_s in ((1, 3600.0), (2, 7200.0)):  # the truck's clock was set back between
        house.send(frame(number, ago_s=ago_s))
        house.turn()
    assert house.pipeline.figures().out_of_order_rows == 2  # of both drive axles
    assert house.lube("t-1", 2) == [62.0, 61.0]


def message() -> AdvisoryMessage:
    return AdvisoryMessage(
        id="a-1",
        fleet="yard",
        vehicle="t-1",
        axle=2,
        cause="dragging-brake",
        title="Brake drags",
        state="unacknowledged",
        urgency="within-a-day",
        confidence=0.8,
        since_s=NOW_S - 100.0,
        updated_s=NOW_S - 50.0,
        summary="",
    )


def raised(house: House) -> None:
    """Let the next batch raise an advisory, whatever the readings say."""

    def put(writer: Writer) -> None:
        row = writer.kernel.table.row("t-1", 2)
        assert row is not None
        change = raise_advisory(message(), row, (), ())
        writer.kernel.load_advisories([change[0]])
        advisories.write_changes(writer.store, [change])
        writer.changes.append(change)

    house.pipeline.request(put)
    house.turn()


def test_a_persons_change_is_committed_logged_and_published(house: House) -> None:
    raised(house)
    house.link.sent.clear()
    future = house.pipeline.request(
        lambda writer: writer.change_advisory("a-1", lambda advisory: acknowledge(advisory, "planner", NOW_S))
    )
    house.turn()
    assert future.result(0).state == "acknowledged"
    ((topic, payload, retain),) = house.link.sent
    assert (topic, retain) == ("axlewright/1/yard/t-1/advisory/a-1", True)
    assert json.loads(payload)["state"] == "acknowledged"
    with house.store.reader() as connection:
        (last, first) = advisories.changes(connection, "a-1")
    assert (first.action, last.action, last.who) == ("raised", "acknowledged", "planner")
    house.restart()
    assert house.pipeline.kernel.advisories["a-1"].state == "acknowledged"


def test_a_change_that_does_not_fit_is_refused_and_changes_nothing(house: House) -> None:
    raised(house)
    future = house.pipeline.request(
        lambda writer: writer.change_advisory("no-such", lambda advisory: acknowledge(advisory, "planner", NOW_S))
    )
    house.turn()
    with pytest.raises(AdvisoryError, match="no open advisory 'no-such'"):
        future.result(0)
    assert house.pipeline.kernel.advisories["a-1"].state == "unacknowledged"


def test_a_change_whose_commit_fails_is_forgotten_by_the_kernel_too(house: House) -> None:
    raised(house)

    def act(writer: Writer) -> None:
        writer.change_advisory("a-1", lambda advisory: acknowledge(advisory, "planner", NOW_S))
        raise sqlite3.OperationalError("disk I/O error")

    future = house.pipeline.request(act)
    house.turn()
    with pytest.raises(sqlite3.OperationalError):
        future.result(0)
    assert house.pipeline.kernel.advisories["a-1"].state == "unacknowledged"


def test_a_closed_advisory_is_told_once_and_then_taken_back_from_the_broker(house: House) -> None:
    raised(house)
    house.link.sent.clear()
    house.pipeline.request(
        lambda writer: writer.change_advisory("a-1", lambda advisory: close(advisory, "planner", NOW_S, "repaired"))
    )
    house.turn()
    told, taken_back = house.link.sent
    assert (json.loads(told[1])["state"], told[2]) == ("closed", False)
    assert taken_back[1:] == (b"", True)


def test_every_new_connection_brings_the_open_advisories_again(house: House) -> None:
    house.link.there = False
    raised(house)
    house.link.there = True
    for _ in range(2):  # the second time for a broker that has forgotten them
        house.link.sent.clear()
        house.publisher.connected()
        house.turn()
        assert [topic for topic, _, _ in house.link.sent] == ["axlewright/1/yard/t-1/advisory/a-1"]


def test_a_shelved_advisory_comes_back_when_its_time_has_run_out(house: House) -> None:
    from axlewright_server.advisories import shelve

    raised(house)
    house.pipeline.request(
        lambda writer: writer.change_advisory(
            "a-1", lambda advisory: shelve(advisory, "planner", NOW_S, NOW_S + 60.0, "in the shop")
        )
    )
    house.turn()
    house.clock.now_s += 61.0
    house.turn()
    with house.store.reader() as connection:
        stored = advisories.advisory(connection, "a-1")
    assert stored is not None
    assert stored.state == "unacknowledged"


def test_quarantine_is_bounded(house: House, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(records, "MOST_QUARANTINED", 5)
    for _ in range(8):
        house.message("axlewright/1/yard/t-1/readings", b"\xff")
    house.turn()
    assert len(house.quarantine()) == 5
    assert house.pipeline.figures().quarantined == {"unreadable": 8}


def test_live_batches_and_one_offline_run_come_to_the_same_memory(house: House) -> None:
    frames = [frame(seq, vehicle) for seq in range(1, 40) for vehicle in ("t-1", "t-2")]
    for begin in range(0, len(frames), 7):
        house.send(*frames[begin : begin + 7])
        house.turn()
    offline = Kernel(house.spec)
    table = offline.table
    with house.store.reader() as connection:
        for number, vehicle in enumerate(table.vehicles):
            for part in readings.export(connection, vehicle, 0, round(2 * NOW_S * 1000)):
                owner = np.full(len(part.time_ms), number)
                offline.run(Rows(owner, part.time_ms / 1000.0, part.position, part.values[:, : len(INDEX)]))
    live = house.pipeline.kernel
    assert_array_equal(
        [offline.state_blob(row) for row in range(len(table))], [live.state_blob(row) for row in range(len(table))]
    )


def test_a_change_that_the_store_refuses_is_forgotten_by_the_kernel_too(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    raised(house)

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patched:
        patched.setattr("axlewright_server.pipeline.advisories.write_changes", full)
        future = house.pipeline.request(
            lambda writer: writer.change_advisory("a-1", lambda advisory: acknowledge(advisory, "planner", NOW_S))
        )
        house.turn()
    with pytest.raises(sqlite3.OperationalError):
        future.result(0)
    assert house.pipeline.kernel.advisories["a-1"].state == "unacknowledged"
