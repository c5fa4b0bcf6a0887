"""The link against real brokers; the test plays the office that acknowledges."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest

from axlewright_edge.clock import SystemClock
from axlewright_edge.config import BrokerSettings
from axlewright_edge.errors import LinkError
from axlewright_edge.link import Link
from axlewright_edge.outbox import Outbox
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import Command


class Bench:
    """A truck's outbox and link, without a source."""

    def __init__(self, folder: Path, port: int, **settings: Any) -> None:
        self.outbox = Outbox(folder / "outbox.sqlite", "yard/t-1")
        self.commands: list[Command] = []
        values = {"resend_after_s": 0.4, "resends": 2, "status_every_s": 5.0, **settings}
        self.settings = BrokerSettings(url=f"mqtt://127.0.0.1:{port}", **values)
        self.link = Link(
            "yard", "t-1", self.settings, self.outbox, SystemClock(), self.commands.append, chance=Random(5)
        )

    def put(self, count: int, start_s: float = 1.7e9) -> None:
        first = self.outbox.last_seq
        self.outbox.put([Window(start_s + 10.0 * (first + n), {"speed": float(n % 90)}) for n in range(count)])

    def close(self) -> None:
        self.link.stop()
        self.outbox.close()


@pytest.fixture
def bench(broker: Any, tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path, broker.port)
    yield made
    made.close()


def wait_for(what: str, check: Any, timeout_s: float = 20.0) -> Any:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        if answer := check():
            return answer
        time.sleep(0.02)
    raise AssertionError(f"no {what} within {timeout_s:g} s")


def test_every_frame_arrives_once_and_in_order_and_then_leaves_the_outbox(bench: Bench, office: Any) -> None:
    bench.put(500)
    bench.link.start()
    wait_for("empty outbox", lambda: bench.outbox.queued == 0)
    assert office.seqs() == list(range(1, 501))
    assert [frame.windows[0].time_s for frame in office.committed[:2]] == [1.7e9, 1.7e9 + 10.0]


def test_an_ack_of_another_stream_frees_nothing(bench: Bench, office: Any) -> None:
    office.acks_as = "somebody-elses"
    bench.put(30)
    bench.link.start()
    wait_for("frames", lambda: len(office.received) >= 30)
    time.sleep(0.3)
    assert bench.outbox.queued == 30


def test_no_more_than_the_window_is_on_its_way_while_the_office_is_silent(bench: Bench, office: Any) -> None:
    office.silent = True
    bench.put(300)
    bench.link.start()
    wait_for("a full window", lambda: len(office.received) >= bench.settings.in_flight)
    time.sleep(0.25)  # shorter than the wait before a resend
    assert {frame.seq for frame in office.received} == set(range(1, bench.settings.in_flight + 1))
    assert bench.outbox.queued == 300


def test_a_silent_office_costs_no_frame_anything_and_gets_all_when_it_speaks_again(bench: Bench, office: Any) -> None:
    office.silent = True
    bench.put(60)
    bench.link.start()
    wait_for("three rounds of resends", lambda: sum(frame.seq == 1 for frame in office.received) >= 3)
    office.silent = False
    wait_for("empty outbox", lambda: bench.outbox.queued == 0)
    assert office.seqs() == list(range(1, 61))
    assert bench.outbox.figures().set_aside == 0


def test_a_frame_that_the_office_never_commits_is_set_aside_and_the_rest_follows(bench: Bench, office: Any) -> None:
    office.never = {7}
    bench.put(20)
    bench.link.start()
    wait_for("empty outbox", lambda: bench.outbox.queued == 0)
    assert office.seqs() == [*range(1, 7), *range(8, 21)]
    resends = sum(frame.seq == 7 for frame in office.received) - 1
    assert resends >= bench.settings.resends
    assert bench.outbox.frames_set_aside() == [(7, "not acknowledged after 2 resends")]
    status = wait_for("status", lambda: next((s for s in office.statuses if s.set_aside == 1), None))
    assert "frame 7 set aside" in status.note


def test_status_tells_the_queue_and_goodbye_is_offline(bench: Bench, office: Any) -> None:
    office.silent = True
    bench.put(25)
    bench.link.start()
    status = wait_for("status", office.last_status)
    assert (status.online, status.stream, status.queued, status.oldest_seq) == (True, bench.outbox.stream, 25, 1)
    assert status.clock == "set"
    bench.link.stop()
    wait_for("goodbye", lambda: not office.last_status().online)


def test_a_broker_that_is_killed_and_comes_back_loses_nothing(bench: Bench, broker: Any, office: Any) -> None:
    bench.put(400)
    bench.link.start()
    wait_for("some frames", lambda: len(office.seqs()) > 20)
    office.silent = True
    broker.stop()
    wait_for("lost connection", lambda: not bench.link.connected)
    broker.start()
    office.silent = False
    wait_for("empty outbox", lambda: bench.outbox.queued == 0, 40)
    assert office.seqs() == list(range(1, 401))


def test_the_link_waits_for_a_broker_that_is_not_there_yet(broker: Any, office: Any, tmp_path: Path) -> None:
    office.stop()
    broker.stop()
    bench = Bench(tmp_path, broker.port)
    try:
        bench.put(5)
        bench.link.start()
        time.sleep(0.3)
        assert not bench.link.connected
        broker.start()
        office.start()
        wait_for("empty outbox", lambda: bench.outbox.queued == 0)
    finally:
        bench.close()


def test_commands_arrive_and_nonsense_is_said_in_the_status(bench: Bench, office: Any) -> None:
    bench.link.start()
    wait_for("connection", lambda: bench.link.connected and office.statuses)
    office.command("t-1", b"{not json")
    note = wait_for("note", lambda: next((s.note for s in office.statuses if s.note), None))
    assert note.startswith("message not understood: not a valid Command")
    office.command("t-1", Command(id="c-1", action="set-window", seconds=30.0))
    wait_for("command", lambda: bench.commands)
    assert bench.commands[0].seconds == 30.0


def test_a_frame_that_cannot_be_told_on_the_wire_is_set_aside_at_once(bench: Bench, office: Any) -> None:
    bench.outbox.put([Window(1.7e9, {"speed": 1.0}), Window(1.7e9 + 10, {"speed": float("inf")})])
    bench.outbox.put([Window(1.7e9 + 20, {"speed": 3.0})])
    bench.link.start()
    wait_for("empty outbox", lambda: bench.outbox.queued == 0)
    assert office.seqs() == [1, 3]
    assert [seq for seq, _ in bench.outbox.frames_set_aside()] == [2]
    assert next(frame for frame in office.committed if frame.seq == 3).after == 1


@pytest.mark.parametrize(
    ("settings", "problem"),
    [
        ({"authority_file": "none.pem"}, "broker.authority_file: none.pem is no file"),
        ({"password_file": "none.txt", "user": "a"}, "broker.password_file: none.txt cannot be read"),
    ],
)
def test_files_that_are_not_there_are_said_before_anything_runs(
    settings: dict[str, str], problem: str, tmp_path: Path
) -> None:
    with Outbox(tmp_path / "o.sqlite", "yard/t-1") as outbox, pytest.raises(LinkError, match=problem):
        Link("yard", "t-1", BrokerSettings(url="mqtts://127.0.0.1:1", **settings), outbox, SystemClock(), print)
