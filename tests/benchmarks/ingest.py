"""Measure the whole office chain (broker, decode, detectors, commit, ack) beside its ceiling in the same run.

The ceiling is a bare consumer of the same broker, same protocol, same frames, that only counts. Run it as

    python tests/benchmarks/ingest.py [--frames 30000] [--trucks 200]

It prints frames per second of both, their ratio, the delay from publish to committed at a third of the chain's
own rate (p50, p99), and the office's memory. mosquitto must be installed.
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
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
import psutil

from axlewright_models.wire.frames import Frame, Window, encode_frame
from axlewright_models.wire.topics import Topic, TopicKind

sys.path.insert(0, str(Path(__file__).parent))
from machine import table
from publisher import publish_all

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


def free_port() -> int:
    """Return a port that is free now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def fleet_file(folder: Path, trucks: int) -> Path:
    """Write a fleet of so many trucks of one type."""
    lines = ['fleet = "bench"', 'name = "Bench"', "[types.tractor]", 'title = "6x4 tractor"']
    lines += [f'[vehicles.t-{number}]\ntype = "tractor"' for number in range(trucks)]
    path = folder / "fleet.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def make_frames(trucks: int, frames: int, seed: int, begin_s: float) -> list[tuple[str, bytes]]:
    """Return topics and payloads, trucks in turn, each truck's seq from 1."""
    rng = np.random.default_rng(seed)
    made = []
    for number in range(frames):
        truck, seq = number % trucks, number // trucks + 1
        spread = rng.normal(1.0, 0.01, (2, len(_CHANNELS)))
        axles = {
            axle + 2: {name: value * float(spread[axle, k]) for k, (name, value) in enumerate(_CHANNELS.items())}
            for axle in range(2)
        }
        frame = Frame("bench", f"t-{truck}", f"bench-{seed}", seq, (Window(begin_s + 10.0 * seq, _VEHICLE, axles),))
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


_BARE = """
import sys, threading, time
import paho.mqtt.client as mqtt
port, count = int(sys.argv[1]), int(sys.argv[2])
seen, first, done = 0, 0.0, threading.Event()
def on_message(client, userdata, message):
    global seen, first
    if not seen: first = time.perf_counter()
    seen += 1
    if seen == count:
        print(time.perf_counter() - first, flush=True); done.set()
client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
client.on_message = on_message
client.on_connect = lambda c, *rest: c.subscribe("axlewright/1/+/+/readings", 1)
client.on_subscribe = lambda *rest: print("ready", flush=True)
client.connect("127.0.0.1", port); client.loop_start(); done.wait(600)
"""


def ceiling(port: int, frames: list[tuple[str, bytes]]) -> float:
    """Return frames per second of a bare consumer, in a process of its own as the office is."""
    consumer = subprocess.Popen([sys.executable, "-c", _BARE, str(port), str(len(frames))], stdout=subprocess.PIPE)
    assert consumer.stdout is not None
    consumer.stdout.readline()
    publish_all(port, frames)
    seconds = float(consumer.stdout.readline())
    consumer.wait(10)
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
            self.seen.setdefault(f"{message.topic}|{ack['stream']}", []).append((ack["seq"], time.perf_counter()))
            self.condition.notify_all()

    def wait(self, stream: str, trucks: int, seq: int, timeout_s: float) -> float:
        """Wait until every truck is acknowledged up to `seq`; return the moment."""
        deadline = time.monotonic() + timeout_s
        with self.condition:
            while True:
                done = [acks[-1] for key, acks in self.seen.items() if key.endswith(f"|{stream}")]
                if len(done) == trucks and all(last >= seq for last, _ in done):
                    return max(moment for _, moment in done)
                if not self.condition.wait(max(0.0, deadline - time.monotonic())):
                    raise TimeoutError(f"after {timeout_s} s: {len(done)} of {trucks} trucks acknowledged")


def start_office(folder: Path, fleet: Path, broker_port: int, page_port: int) -> subprocess.Popen[bytes]:
    """Start the office as its own process and wait until it is ready."""
    import urllib.request

    command = ["serve", "--fleet", str(fleet), "--data", str(folder / "data")]
    command += ["--broker-url", f"mqtt://127.0.0.1:{broker_port}", "--page-port", str(page_port)]
    process = subprocess.Popen(
        [sys.executable, "-m", "axlewright_models.command_line", *command],
        stdout=subprocess.DEVNULL,
        stderr=(folder / "office.log").open("wb"),
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


def delays(
    port: int, listener: AckListener, trucks: int, frames: int, rate: float, begin_s: float
) -> tuple[float, float]:
    """Return p50 and p99 of the delay from publish to the ack that covers the frame, at a steady rate. [s]"""
    made = make_frames(trucks, frames, seed=2, begin_s=begin_s)
    begin = time.perf_counter()
    publish_all(port, made, rate_per_s=rate)
    listener.wait("bench-2", trucks, frames // trucks, 120)
    found = []
    for truck in range(trucks):
        acks = listener.seen[f"axlewright/1/bench/t-{truck}/ack|bench-2"]
        marks = np.array([seq for seq, _ in acks])
        moments = np.array([moment for _, moment in acks])
        for seq in range(1, frames // trucks + 1):
            sent = begin + ((seq - 1) * trucks + truck) / rate
            found.append(moments[np.argmax(marks >= seq)] - sent)
    return float(np.percentile(found, 50)), float(np.percentile(found, 99))


def run(frames: int = 30000, trucks: int = 200) -> str:
    """Measure and return the table."""
    frames -= frames % trucks
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        port, page_port = free_port(), free_port()
        broker = start_mosquitto(folder, port)
        office = None
        try:
            begin_s = time.time() - 40 * 86400.0
            made = make_frames(trucks, frames, seed=1, begin_s=begin_s)
            bare = ceiling(port, made)
            office = start_office(folder, fleet_file(folder, trucks), port, page_port)
            listener = AckListener(port)
            time.sleep(1.0)
            begin = time.perf_counter()
            publish_all(port, made)
            chain = frames / (listener.wait("bench-1", trucks, frames // trucks, 300) - begin)
            later = begin_s + 20.0 * frames / trucks
            count = max(trucks * 5, int(chain) - int(chain) % trucks)
            p50, p99 = delays(port, listener, trucks, count, chain / 3.0, later)
            memory = psutil.Process(office.pid).memory_info().rss / 2**20
        finally:
            for process in (office, broker):
                if process is not None:
                    process.terminate()
                    process.wait(20)
    rows = [
        ("bare consumer, counts only (ceiling)", f"{bare:,.0f}", "1.00", "", ""),
        ("office, published to committed and acked", f"{chain:,.0f}", f"{chain / bare:.2f}", "", f"{memory:.0f}"),
        (f"office at {chain / 3.0:,.0f} frames/s", "", "", f"{p50 * 1e3:.0f} / {p99 * 1e3:.0f}", ""),
    ]
    title = f"Ingest: {frames:,} frames of {trucks} trucks, 14 channels on two axles each, mosquitto"
    return table(title, ("what", "frames/s", "ratio", "delay p50/p99 ms", "memory MiB"), rows)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--frames", type=int, default=30000)
    parser.add_argument("--trucks", type=int, default=200)
    options = parser.parse_args()
    print(run(options.frames, options.trucks))
