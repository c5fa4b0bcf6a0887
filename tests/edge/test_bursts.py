"""Bursts: asked for or of the truck's own accord, kept on disk, sent after the readings, whole at the other end."""

import random
import subprocess
import sys
import threading
import time

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from tests.edge.conftest import wait_for

from axlewright_edge.agent import Agent
from axlewright_edge.burst_box import BurstBox
from axlewright_edge.burst_flow import BurstFlow
from axlewright_edge.burst_settings import BurstSettings
from axlewright_edge.bursts import Bursts
from axlewright_edge.clock import ManualClock, SystemClock
from axlewright_edge.config import parse_agent
from axlewright_edge.errors import OutboxError
from axlewright_edge.features import Waveform
from axlewright_edge.frame_flow import FrameFlow
from axlewright_edge.in_flight import Patience
from axlewright_edge.outbox import Outbox
from axlewright_models.wire.bursts import join
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import Command, decode_burst_piece
from axlewright_models.wire.topics import TopicKind, subscription

RATE = 1600.0


class WaveformSource:
    """A source that holds a minute of noise of axles 2 and 3."""

    can_wait = False
    finished = False

    def __init__(self, clock):
        self._clock = clock
        self._samples = np.random.default_rng(1).standard_normal((2, 96_000)).astype(np.float32)

    def waveform_axles(self):
        return [2, 3]

    def waveform(self, axle, seconds):
        size = round(seconds * RATE)
        begin_s = self._clock.elapsed() - seconds
        return Waveform(axle, RATE, self._samples[:, -size:], begin_s, 20.0 * np.arange(size) / RATE)

    def open(self, after_s=None): ...

    def read(self, timeout_s): ...

    def set_window(self, seconds): ...

    def close(self): ...


@pytest.fixture
def clock():
    return ManualClock(1.8e9)


@pytest.fixture
def notes():
    return []


@pytest.fixture
def bursts(tmp_path, clock, notes):
    made = Bursts(BurstSettings(trigger=True), tmp_path / "b.sqlite", WaveformSource(clock), clock, notes.append)
    yield made
    made.close()


def ask(identifier="c-1", **others):
    return Command(id=identifier, action="capture-burst", **({"seconds": 4.0, "axle": 2} | others))


def sent(box):
    return [decode_burst_piece(payload) for _, _, payload in box.pieces(0, 1000)]


class TestCommand:
    def test_a_burst_is_recorded_and_kept(self, bursts):
        assert bursts.answer(ask()).startswith("4.0 s of axle 2 recorded, 2 pieces")
        told = join(sent(bursts.box))
        assert (told.samples.shape, told.begin_s, told.reason) == ((2, 6400), 1.8e9 - 4.0, "asked for by the office")
        assert told.turns[-1] == pytest.approx(20.0 * 6399 / RATE)

    @pytest.mark.parametrize(
        ("others", "answer"),
        [
            ({"axle": 4}, "refused, axle 4 has no accelerometer; 2 and 3 can be recorded"),
            ({"axle": None}, "refused, no axle is named; 2 and 3 can be recorded"),
            ({"seconds": 600.0}, "refused, a burst is 0.5 to 60 s, not 600"),
            ({"seconds": 0.1}, "refused, a burst is 0.5 to 60 s, not 0.1"),
            ({"sample_rate_hz": 6400.0}, "refused, axle 2 is recorded at 1600 Hz; ask for that, or for no rate"),
        ],
    )
    def test_what_cannot_be_is_refused_with_its_reason(self, bursts, others, answer):
        assert bursts.answer(ask(**others)) == answer
        assert bursts.box.waiting == 0

    def test_before_the_clock_is_set_none_is_recorded_that_nobody_could_date(self, bursts, clock):
        clock.set(100.0)
        assert bursts.answer(ask()).startswith("refused, the truck's clock is not set yet")
        assert bursts.box.waiting == 0
        clock.set(1.8e9)
        assert "recorded" in bursts.answer(ask())
        assert join(sent(bursts.box)).begin_s == 1.8e9 - 4.0

    def test_one_that_comes_twice_is_obeyed_once_even_after_a_restart(self, bursts, tmp_path, clock):
        bursts.answer(ask())
        assert bursts.answer(ask()).startswith("done before")
        waiting = bursts.box.waiting
        bursts.close()
        again = Bursts(BurstSettings(), tmp_path / "b.sqlite", WaveformSource(clock), clock, print)
        assert again.answer(ask()).startswith("done before")
        assert again.box.waiting == waiting
        again.close()

    def test_a_full_box_refuses_and_keeps_what_it_has(self, tmp_path, clock):
        small = Bursts(BurstSettings(max_bytes=64 * 1024), tmp_path / "s.sqlite", WaveformSource(clock), clock, print)
        assert "recorded" in small.answer(ask("c-1"))
        assert small.answer(ask("c-2", seconds=60.0)).startswith("refused, no room")
        assert not small.box.known("c-2")
        assert len(sent(small.box)) == 2
        small.close()


class TestTrigger:
    def window(self, kurtosis, quality=0.0):
        return Window(1.8e9, {}, {2: {"vib/kurtosis": kurtosis, "vib/rms": 1.0, "vib/quality": quality}})

    def test_a_window_that_stands_out_is_recorded(self, bursts, notes):
        for _ in range(40):
            bursts.watch(self.window(3.0))
        assert bursts.box.waiting == 0
        bursts.watch(self.window(12.0))
        assert join(sent(bursts.box)).reason == "vib/kurtosis 12, 4.0 times the usual"
        assert notes[0].startswith("burst local-2-1800000000: 10.0 s of axle 2 recorded")

    def test_neither_a_doubtful_window_nor_one_without_a_past_is(self, bursts):
        for _ in range(20):
            bursts.watch(self.window(3.0))
        bursts.watch(self.window(12.0))
        for _ in range(40):
            bursts.watch(self.window(3.0))
        bursts.watch(self.window(12.0, quality=8.0))
        assert bursts.box.waiting == 0

    def test_no_more_than_so_many_a_day(self, bursts, clock):
        for _ in range(200):
            bursts.watch(self.window(3.0))
        for _ in range(9):
            clock.advance(60.0)
            bursts.watch(self.window(12.0))
        assert bursts.box.made_since("local-", 0.0) == 4
        clock.advance(86_400.0)
        bursts.watch(self.window(12.0))
        assert bursts.box.made_since("local-", 0.0) == 5

    def test_none_before_the_clock_is_set(self, bursts, clock):
        for _ in range(40):
            bursts.watch(self.window(3.0))
        clock.set(100.0)
        bursts.watch(self.window(12.0))
        assert bursts.box.waiting == 0
        clock.set(1.8e9)
        bursts.watch(self.window(12.0))
        assert bursts.box.waiting > 0

    def test_off_unless_the_file_says_so(self, tmp_path, clock):
        quiet = Bursts(BurstSettings(), tmp_path / "q.sqlite", WaveformSource(clock), clock, print)
        for kurtosis in [3.0] * 40 + [12.0]:
            quiet.watch(self.window(kurtosis))
        assert not (tmp_path / "q.sqlite").exists()


class TestFlow:
    def publisher(self):
        log = []

        def publish(name, payload):
            log.append(payload)
            return len(log)

        return log, publish

    def test_a_piece_leaves_the_disk_only_when_it_is_confirmed(self, tmp_path):
        box = BurstBox(tmp_path / "b.sqlite", 10_000)
        box.put("c-1", [b"a", b"b", b"c"], 1.8e9)
        flow, (log, publish) = BurstFlow(box), self.publisher()
        flow.pump(publish, 0.0)
        assert log == [b"a", b"b"]
        assert flow.confirmed(1, True, 0.0)
        flow.pump(publish, 0.0)
        assert (log, box.waiting) == ([b"a", b"b", b"c"], 2)
        flow.disconnected()
        flow.pump(publish, 1.0)
        assert log[3:] == [b"b", b"c"]
        assert not flow.confirmed(99, True, 1.0)
        box.close()

    def test_what_nobody_takes_is_sent_again_later(self, tmp_path):
        box = BurstBox(tmp_path / "b.sqlite", 10_000)
        box.put("c-1", [b"a"], 1.8e9)
        flow, (log, publish) = BurstFlow(box), self.publisher()
        flow.pump(publish, 0.0)
        flow.confirmed(1, False, 0.0)
        flow.pump(publish, 30.0)
        assert log == [b"a"]
        flow.pump(publish, 61.0)
        assert log == [b"a", b"a"]
        flow.confirmed(2, True, 61.0)
        assert box.waiting == 0
        box.close()

    def test_a_piece_that_the_broker_cannot_take_ends_its_burst_and_no_other(self, tmp_path):
        box, said = BurstBox(tmp_path / "b.sqlite", 100_000), []
        box.put("c-1", [b"a", bytes(9000)], 1.8e9)
        box.put("c-2", [b"b"], 1.8e9)
        flow, (log, publish) = BurstFlow(box, said.append), self.publisher()
        flow.broker_limit(4096)
        flow.pump(publish, 0.0)
        assert log == [b"a", b"b"]
        assert said == ["burst c-1 given up: a piece has 9000 bytes, the broker takes fewer"]
        flow.confirmed(1, True, 0.0)
        flow.confirmed(2, True, 0.0)
        assert (box.waiting, box.waiting_bytes) == (0, 0)
        box.close()

    def test_a_damaged_file_is_moved_aside(self, tmp_path):
        box = BurstBox(tmp_path / "b.sqlite", 1_000_000)
        box.put("c-1", [bytes(8000) for _ in range(20)], 1.8e9)
        box.close()
        data = bytearray((tmp_path / "b.sqlite").read_bytes())
        data[100:8192] = b"\xff" * 8092
        (tmp_path / "b.sqlite").write_bytes(data)
        again = BurstBox(tmp_path / "b.sqlite", 1_000_000)
        again.put("c-2", [b"a"], 1.8e9)
        assert [name for _, name, _ in again.pieces(0, 10)] == ["c-2"]
        assert len(list(tmp_path.glob("b.sqlite*damaged*"))) >= 1
        again.close()

    def test_damage_that_the_first_page_does_not_show_is_moved_aside_too(self, tmp_path):
        box = BurstBox(tmp_path / "b.sqlite", 1_000_000)
        box.put("c-1", [bytes(8000) for _ in range(20)], 1.8e9)
        box.close()
        data = bytearray((tmp_path / "b.sqlite").read_bytes())
        data[8192:] = b"\xff" * (len(data) - 8192)  # the table of the pieces
        (tmp_path / "b.sqlite").write_bytes(data)
        again = BurstBox(tmp_path / "b.sqlite", 1_000_000)
        again.put("c-2", [b"a"], 1.8e9)
        assert [name for _, name, _ in again.pieces(0, 10)] == ["c-2"]
        again.close()

    def test_a_file_that_is_damaged_while_it_is_open_holds_up_later_bursts_once(self, tmp_path):
        box = BurstBox(tmp_path / "b.sqlite", 1_000_000)
        box.put("c-1", [bytes(8000) for _ in range(20)], 1.8e9)
        box.close()
        box = BurstBox(tmp_path / "b.sqlite", 1_000_000)
        data = bytearray((tmp_path / "b.sqlite").read_bytes())
        with (tmp_path / "b.sqlite").open("r+b") as file:
            file.seek(4096)
            file.write(b"\xff" * (len(data) - 4096))
        with pytest.raises(OutboxError):
            while True:  # until SQLite reads a page anew
                box.pieces(0, 1000)
                box.put(f"c-{box.waiting + 2}", [bytes(8000) for _ in range(4)], 1.8e9)
        box.put("c-last", [b"a"], 1.8e9)
        assert [name for _, name, _ in box.pieces(0, 10)] == ["c-last"]
        box.close()

    def test_the_count_of_what_waits_is_right_however_threads_meet(self, tmp_path):
        box = BurstBox(tmp_path / "b.sqlite", 10_000_000)
        usual = sys.getswitchinterval()
        sys.setswitchinterval(1e-6)
        try:
            makers = [threading.Thread(target=self.fill_and_free, args=(box, name)) for name in ("a", "b")]
            for maker in makers:
                maker.start()
            for maker in makers:
                maker.join()
        finally:
            sys.setswitchinterval(usual)
        assert (box.waiting, box.waiting_bytes) == (0, 0)
        box.close()

    @staticmethod
    def fill_and_free(box, name):
        for count in range(40):
            box.put(f"{name}-{count}", [b"x" * 10] * 5, 1.8e9)
            for number, whose, _ in box.pieces(0, 1000):
                if whose.startswith(name):
                    box.free(number)

    def test_a_refusing_disk_is_told(self, tmp_path):
        box = BurstBox(tmp_path / "b.sqlite", 10_000)
        box.put("c-1", [b"a"], 1.8e9)
        with pytest.raises(OutboxError, match="UNIQUE"):
            box.put("c-1", [b"a"], 1.8e9)
        assert box.waiting == 1
        box.close()


def test_a_burst_travels_from_the_command_to_the_office(broker, office, tmp_path):
    text = f"""
        fleet = "yard"
        vehicle = "t-1"
        broker.url = "mqtt://127.0.0.1:{broker.port}"
        outbox.path = "{tmp_path}/outbox.sqlite"
        source = {{kind = "replay", file = "day.csv"}}
    """
    pieces = []
    listener = mqtt.Client(CallbackAPIVersion.VERSION2)
    listener.on_message = lambda client, data, message: pieces.append(decode_burst_piece(message.payload))
    listener.connect("127.0.0.1", broker.port)
    listener.subscribe(subscription(TopicKind.BURST), qos=1)
    listener.loop_start()
    clock = SystemClock()
    agent = Agent(parse_agent(text), clock, WaveformSource(clock))
    agent.start()
    try:
        wait_for("agent", lambda: office.statuses)
        office.command("t-1", ask())
        wait_for("pieces", lambda: len({piece.piece for piece in pieces}) == 2)
        wait_for("an empty box", lambda: agent.bursts.box.waiting == 0)
        assert join(list({piece.piece: piece for piece in pieces}.values())).samples.shape == (2, 6400)
        assert any(status.note.startswith("command c-1: 4.0 s of axle 2 recorded") for status in office.statuses)
    finally:
        agent.stop()
        listener.loop_stop()
        listener.disconnect()


def test_an_end_when_all_is_sent_waits_for_bursts_too(tmp_path):
    text = f"""
        fleet = "yard"
        vehicle = "t-1"
        broker.url = "mqtt://127.0.0.1:9"
        outbox.path = "{tmp_path}/outbox.sqlite"
        source = {{kind = "replay", file = "day.csv"}}
    """
    clock = SystemClock()
    agent = Agent(parse_agent(text), clock, WaveformSource(clock))
    agent._reading = False
    assert agent.all_sent
    agent.bursts.box.put("c-1", [b"a"], clock.now())
    assert not agent.all_sent
    agent.bursts.box.free(1)
    assert agent.all_sent
    agent.stop()


def test_readings_go_before_bursts(tmp_path):
    outbox = Outbox(tmp_path / "o.sqlite", "yard/t-1")
    flow = FrameFlow("yard", "t-1", outbox, Patience(frames=1), print)
    assert flow.caught_up
    outbox.put([Window(1.8e9 + second, {"speed": 80.0}) for second in (0.0, 10.0)])
    flow.pump(lambda payload: 1, 0.0)
    assert not flow.caught_up  # the second frame waits for room
    flow.acked(1, 1.0)
    flow.pump(lambda payload: 2, 1.0)
    assert flow.caught_up
    outbox.close()


KILLED = """
import sys
from pathlib import Path
from axlewright_edge.burst_box import BurstBox
box = BurstBox(Path(sys.argv[1]), 10**9)
number = int(sys.argv[2])
while True:
    box.put(f"c-{number}", [bytes([number % 256]) * 3000 for _ in range(5)], float(number))
    print(number, flush=True)
    number += 1
"""


def test_killed_at_any_moment_it_holds_every_burst_whole_that_it_had_promised(tmp_path):
    chance, promised = random.Random(6), 0
    for _ in range(5):
        child = subprocess.Popen(
            [sys.executable, "-c", KILLED, str(tmp_path / "b.sqlite"), str(promised + 1)],
            stdout=subprocess.PIPE,
            text=True,
        )
        assert child.stdout is not None
        for _ in range(chance.randrange(3, 9)):
            promised = int(child.stdout.readline())
        time.sleep(chance.uniform(0.0, 0.01))
        child.kill()
        rest = child.stdout.read().split()
        child.stdout.close()
        child.wait(10)
        promised = int(rest[-1]) if rest else promised
        box = BurstBox(tmp_path / "b.sqlite", 10**9)
        names = [name for _, name, _ in box.pieces(0, 100_000)]
        whole = {name for name in names if names.count(name) == 5}
        assert set(names) == whole
        assert whole >= {f"c-{number}" for number in range(1, promised + 1)}
        promised = max(int(name.removeprefix("c-")) for name in whole)
        box.close()
