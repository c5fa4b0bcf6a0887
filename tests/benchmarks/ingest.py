"""Measure the whole office chain (broker, decode, detectors, commit, ack) beside its ceiling in the same run.

The ceiling is a bare consumer of the same broker, same protocol, same frames, that only counts: paho as it comes. A
second one counts with the office's own client, to tell what the client library costs. All three take turns, and the
medians are printed, so that other work on the machine meets all of them. Run it as

    python tests/benchmarks/ingest.py [--frames 30000] [--trucks 200] [--rounds 3]

It prints frames per second of each, their ratio, the delay from publish to committed at a third of the chain's
own rate (p50, p99), the office's memory, and what decoding and judging a reading (one axle, one window) cost offline.
mosquitto must be installed.

Every stream is first brought beyond the seq below which CBOR writes it into its head byte (24): a truck in service has
passed it four minutes after its first frame, and those frames are decoded by a slower way.
"""

from __future__ import annotations

import argparse
import json
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

import numpy as np
import paho.mqtt.client as mqtt
import psutil

from axlewright_models.spec import load_fleet
from axlewright_models.wire.frames import Decoder, Frame, Window, encode_frame
from axlewright_models.wire.topics import Topic, TopicKind

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]
from machine import table
from ports import free_port
from publisher import publish_all

from axlewright_server.kernel import Kernel, rows_of

_WARM_UP = 30  # frames of each truck
_BATCH_FRAMES = 500

# 14 channels on each of two axles.
_CHANNELS = {
    "lube": 82.0,
    "height/left": 240.0,
    "height/right": 241.0,
    "bellows/left": 410.0,
    "bellows/right": 412.0,
    "vib/rms": 2.2,
    "vib/kurtosis": 3.1,
    "vib/order/wheel-1": 0.3,
    "vib/order/driveshaft-1": 0.4,
    "vib/order/driveshaft-2": 0.3,
    "vib/order/driveshaft-4": 0.1,
    "vib/order/engine-0.5": 0.1,
    "vib/order/engine-3": 0.5,
    "vib/order/mesh-1": 0.8,
}
_VEHICLE = {"speed": 85.0, "shaft-speed": 1500.0, "torque": 600.0, "ambient": 12.0}


def fleet_file(folder: Path, trucks: int) -> Path:
    """Write a fleet of so many trucks of one type."""
    lines = ['fleet = "bench"', 'name = "Bench"', "[types.tractor]", 'title = "6x4 tractor"']
    lines += [f'[vehicles.t-{number}]\ntype = "tractor"' for number in range(trucks)]
    path = folder / "fleet.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def make_frames(trucks: int, each: int, first: int, begin_s: float) -> list[tuple[str, bytes]]:
    """Return topics and payloads, trucks in turn, `each` of every truck, from seq `first` on."""
    rng = np.random.default_rng(first)
    made = []
    for number in range(trucks * each):
        truck, seq = number % trucks, first + number // trucks
        spread = rng.normal(1.0, 0.01, (2, len(_CHANNELS)))
        axles = {
            axle + 2: {name: value * float(spread[axle, k]) for k, (name, value) in enumerate(_CHANNELS.items())}
            for axle in range(2)
        }
        frame = Frame("bench", f"t-{truck}", "one", seq, (Window(begin_s + 10.0 * seq, _VEHICLE, axles),))
        made.append((Topic("bench", f"t-{truck}", TopicKind.READINGS).text, encode_frame(frame)))
    return made


def start_mosquitto(folder: Path, port: int) -> subprocess.Popen[bytes]:
    """Start mosquitto with the settings that production uses, on loopback."""
    configuration = folder / "mosquitto.conf"
    configuration.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\nmax_inflight_messages 1000\n"
        "max_queued_messages 1000000\npersistence false\nlog_type none\n",
        encoding="utf-8",
    )
    process = subprocess.Popen(["/usr/sbin/mosquitto", "-c", str(configuration)], stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 10
    while time.monotonic() < deadline:
        try:
            socket.create_connection(("127.0.0.1", port), timeout=0.2).close()
            return process
        except OSError:
            time.sleep(0.05)
    process.kill()
    raise RuntimeError("mosquitto did not start")


# Where the bare consumers listen: the office, which runs beside them, hears every fleet but nothing of this root.
_COUNTED = "just-count"

_BARE = """
import sys, threading, time
import paho.mqtt.client as mqtt
from axlewright_server.buffered_client import BufferedClient
port, count, own = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3] == "own"
seen, first, done = 0, 0.0, threading.Event()
def on_message(*_):
    global seen, first
    if not seen: first = time.perf_counter()
    seen += 1
    if seen == count:
        print(time.perf_counter() - first, flush=True); done.set()
client = (BufferedClient if own else mqtt.Client)(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
client.on_message = on_message
if own: client.on_whole_message = on_message
client.on_connect = lambda c, *rest: c.subscribe("just-count/1/+/+/readings", 1)
client.on_subscribe = lambda *rest: print("ready", flush=True)
client.connect("127.0.0.1", port); client.loop_start(); done.wait(600)
client.disconnect(); client.loop_stop()
"""


def ceiling(port: int, frames: list[tuple[str, bytes]], client: str) -> float:
    """Return frames per second of a bare consumer, in a process of its own as the office is."""
    counted = [(topic.replace("axlewright", _COUNTED, 1), payload) for topic, payload in frames]
    command = [sys.executable, "-c", _BARE, str(port), str(len(frames)), client]
    with subprocess.Popen(command, stdout=subprocess.PIPE) as consumer:
        assert consumer.stdout is not None
        consumer.stdout.readline()
        publish_all(port, counted)
        seconds = float(consumer.stdout.readline())
    return len(frames) / seconds


class AckListener:
    """Knows, from the office's acks, when each truck's frames were committed."""

    def __init__(self, port: int) -> None:
        self.seen: dict[str, list[tuple[int, float]]] = {}
        self.condition = threading.Condition()
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
        self.client.on_connect = lambda client, *_: client.subscribe("axlewright/1/+/+/ack", 1)
        self.client.on_message = self._on_message
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        ack = json.loads(message.payload)
        with self.condition:
            self.seen.setdefault(message.topic, []).append((ack["seq"], time.perf_counter()))
            self.condition.notify_all()

    def wait(self, trucks: int, seq: int, timeout_s: float) -> float:
        """Wait until every truck is acknowledged up to `seq`; return the moment."""
        deadline = time.monotonic() + timeout_s
        with self.condition:
            while True:
                last = [acks[-1] for acks in self.seen.values()]
                if len(last) == trucks and all(reached >= seq for reached, _ in last):
                    return max(moment for _, moment in last)
                if not self.condition.wait(max(0.0, deadline - time.monotonic())):
                    raise TimeoutError(f"after {timeout_s} s: {len(last)} of {trucks} trucks acknowledged up to {seq}")

    def stop(self) -> None:
        """Disconnect."""
        self.client.disconnect()
        self.client.loop_stop()


def start_office(folder: Path, fleet: Path, broker_port: int, page_port: int) -> subprocess.Popen[bytes]:
    """Start the office as its own process and wait until it is ready."""
    command = ["serve", "--fleet", str(fleet), "--data", str(folder / "data")]
    command += ["--broker-url", f"mqtt://127.0.0.1:{broker_port}", "--page-port", str(page_port)]
    with (folder / "office.log").open("wb") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "axlewright_models.command_line", *command], stdout=subprocess.DEVNULL, stderr=log
        )
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{page_port}/readyz", timeout=2):
                return process
        except OSError:
            if process.poll() is not None:
                break
            time.sleep(0.1)
    process.kill()
    raise RuntimeError("the office did not start:\n" + (folder / "office.log").read_text(errors="replace"))


class Chain:
    """The office under load: each burst of frames carries on where the last one ended."""

    def __init__(self, port: int, trucks: int, begin_s: float) -> None:
        self.port, self.trucks, self.begin_s, self.next = port, trucks, begin_s, 1
        self.listener = AckListener(port)

    def make(self, each: int) -> list[tuple[str, bytes]]:
        """Return the next frames of every truck."""
        made = make_frames(self.trucks, each, self.next, self.begin_s)
        self.next += each
        return made

    def run(self, frames: list[tuple[str, bytes]]) -> float:
        """Return frames per second, from the first published to the last acknowledged."""
        begin = time.perf_counter()
        publish_all(self.port, frames)
        return len(frames) / (self.listener.wait(self.trucks, self.next - 1, 300) - begin)

    def delays(self, each: int, rate: float) -> tuple[float, float]:
        """Return p50 and p99 of the delay from publish to the ack that covers the frame, at a steady rate. [s]"""
        first = self.next
        made = self.make(each)
        begin = time.perf_counter()
        publish_all(self.port, made, rate_per_s=rate)
        self.listener.wait(self.trucks, self.next - 1, 120)
        found = []
        for truck in range(self.trucks):
            acks = self.listener.seen[f"axlewright/1/bench/t-{truck}/ack"]
            marks = np.array([seq for seq, _ in acks])
            moments = np.array([moment for _, moment in acks])
            for number in range(each):
                sent = begin + (number * self.trucks + truck) / rate
                found.append(moments[np.argmax(marks >= first + number)] - sent)
        return float(np.percentile(found, 50)), float(np.percentile(found, 99))


def offline_costs(fleet: Path, trucks: int, frames: int, begin_s: float) -> tuple[float, float]:
    """Return what decoding and judging cost per reading (one axle, one window), medians of batches. [s]"""
    each = max(_BATCH_FRAMES // trucks, 1)
    kernel, decoder, decode, judge = Kernel(load_fleet(fleet)), Decoder(), [], []
    batches = max(frames // (each * trucks), 5)
    warm_up = -(-_WARM_UP // each)
    for number in range(warm_up + batches):
        made = make_frames(trucks, each, 1 + number * each, begin_s)
        told = [(payload, Topic.parse(topic)) for topic, payload in made]
        begin = time.perf_counter()
        decoded = [decoder.decode(payload, topic) for payload, topic in told]
        middle = time.perf_counter()
        kernel.run(rows_of(kernel.table, decoded))
        end = time.perf_counter()
        if number >= warm_up:
            decode.append((middle - begin) / (2 * len(made)))
            judge.append((end - middle) / (2 * len(made)))
    return float(np.median(decode)), float(np.median(judge))


@dataclass
class Measured:
    """Frames per second of each round, the delays, and the office's counts."""

    plain: list[float] = field(default_factory=list)
    own: list[float] = field(default_factory=list)
    chain: list[float] = field(default_factory=list)
    rate: float = 0.0
    p50_s: float = 0.0
    p99_s: float = 0.0
    memory_mib: float = 0.0
    sent: int = 0
    committed: int = 0
    decode_s: float = 0.0
    judge_s: float = 0.0


def measure(frames: int, trucks: int, rounds: int) -> Measured:
    """Run everything and return what was measured."""
    each = max(frames // trucks, 1)
    found = Measured()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        port, page_port = free_port(), free_port()
        fleet = fleet_file(folder, trucks)
        broker = start_mosquitto(folder, port)
        office = None
        try:
            chain = Chain(port, trucks, time.time() - 40 * 86400.0)
            office = start_office(folder, fleet, port, page_port)
            time.sleep(1.0)
            chain.run(chain.make(_WARM_UP))
            for _ in range(rounds):
                made = chain.make(each)
                wait_idle(office.pid)
                found.plain.append(ceiling(port, made, "paho"))
                found.own.append(ceiling(port, made, "own"))
                found.chain.append(chain.run(made))
            found.rate = median(found.chain) / 3.0
            found.p50_s, found.p99_s = chain.delays(max(5, min(each, int(found.rate * 3) // trucks)), found.rate)
            found.memory_mib = psutil.Process(office.pid).memory_info().rss / 2**20
            found.sent, found.committed = trucks * (chain.next - 1), committed_frames(page_port)
            chain.listener.stop()
        finally:
            for process in (office, broker):
                if process is not None:
                    process.terminate()
                    process.wait(20)
        found.decode_s, found.judge_s = offline_costs(fleet, trucks, frames, time.time() - 40 * 86400.0)
    return found


def wait_idle(pid: int, timeout_s: float = 30.0) -> None:
    """Wait until the office has sealed what its last burst left, or it would take the ceiling's processor."""
    process, deadline = psutil.Process(pid), time.monotonic() + timeout_s
    while process.cpu_percent(0.5) > 10.0 and time.monotonic() < deadline:
        pass


def committed_frames(page_port: int) -> int:
    """Return how many frames the office says it has committed."""
    with urllib.request.urlopen(f"http://127.0.0.1:{page_port}/api/1/intake", timeout=5) as answer:
        return int(json.load(answer)["figures"]["committed"])


def run(frames: int = 30000, trucks: int = 200, rounds: int = 3) -> str:
    """Measure and return the table."""
    return report(measure(frames, trucks, rounds), frames, trucks, rounds)


def report(found: Measured, frames: int, trucks: int, rounds: int) -> str:
    """Return the table."""
    bare = median(found.plain)

    def rates(what: str, values: list[float], memory: str = "") -> tuple[str, ...]:
        spread = f"{min(values):,.0f} to {max(values):,.0f}"
        return what, f"{median(values):,.0f}", spread, f"{median(values) / bare:.2f}", "", memory

    delay = f"{found.p50_s * 1e3:.0f} / {found.p99_s * 1e3:.0f}"
    rows = [
        rates("bare consumer, counts only (ceiling)", found.plain),
        rates("the office's client, counts only", found.own),
        rates("office, published to committed and acked", found.chain, f"{found.memory_mib:.0f}"),
        (f"office at {found.rate:,.0f} frames/s", "", "", "", delay, ""),
    ]
    title = (
        f"Ingest: {rounds} rounds of {frames:,} frames of {trucks} trucks, 14 channels on two axles each, mosquitto; "
        f"{found.committed:,} of {found.sent:,} committed"
    )
    header = ("what", "frames/s", "of all rounds", "ratio", "delay p50/p99 ms", "memory MiB")
    costs = (
        f"offline, per reading (one axle, one window): decode {found.decode_s * 1e6:.1f} us, detectors "
        f"{found.judge_s * 1e6:.1f} us, ratio {found.judge_s / found.decode_s:.2f}"
    )
    return table(title, header, rows) + "\n\n" + costs


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=30000)
    parser.add_argument("--trucks", type=int, default=200)
    parser.add_argument("--rounds", type=int, default=3)
    options = parser.parse_args()
    print(run(options.frames, options.trucks, options.rounds))
