"""Measure what an agent costs its gateway: two drive axles, three accelerometers at 6.4 kHz, windows of 10 s.

    python tests/benchmarks/edge.py [--seconds 120] [--repeats 10]

Prints the processor time of one window's vibration features beside one scipy.signal.welch of the same samples; the
outbox's rows a second; and of a real agent process, fed by Industrial I/O devices that do not exist (three
accelerometers in buffers, speed, heights and temperatures polled; the devices are driven by another process) and
sending to a real broker: processor seconds an hour, resident memory beside a bare Python that has imported numpy and
paho, and the time from the start of the process to its first frame in the office.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
from iotcore import Broker
from paho.mqtt.enums import CallbackAPIVersion
from scipy.signal import welch

from axlewright_edge.features import Waveform, waveform_features
from axlewright_edge.outbox import Outbox
from axlewright_models.spec import load_fleet
from axlewright_models.wire.frames import Frame, Window, decode_frame
from axlewright_models.wire.messages import Ack, encode_message
from axlewright_models.wire.topics import Topic, TopicKind, subscription

sys.path.insert(0, str(Path(__file__).parent))
from machine import table

ROOT = Path(__file__).parents[2]
RATE_HZ, WINDOW_S = 6400.0, 10.0
SENSORS = ((2, "axle-2-a"), (2, "axle-2-b"), (3, "axle-3-a"))
SHAFT_HZ = 24.0
# As the service unit sets it; the same for the bare process.
ENVIRONMENT = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join(str(ROOT / room) for room in ("edge", "models")),
    "OPENBLAS_NUM_THREADS": "1",
}
FLEET = """
fleet = "yard"
name = "One yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.t-1]
type = "tractor"
"""
DEVICES = """
import sys, time
from pathlib import Path
from axlewright_edge.sources import iio_twin
from axlewright_edge.sources.iio_twin import IioTwin, TwinChannel, TwinDevice, sines

iio_twin.TICK_S = 0.1  # as often as a real driver wakes the agent, which asks for that by the buffer's watermark

shaft_hz = 24.0
devices = [
    TwinDevice(n, "accelerometer", [TwinChannel(
        "in_accel_z", sines(9.81, (0.4, shaft_hz), (0.25, 2 * shaft_hz), (1.0, 12 * shaft_hz), noise=0.5, seed=n),
        0.005, form="le:s16/16>>0")], label, 6400.0)
    for n, label in enumerate(["axle-2-a", "axle-2-b", "axle-3-a"])
]
volts = [TwinChannel(f"in_voltage{n}", sines(2500.0, (60.0, 1.4), noise=5.0, seed=n), 0.125) for n in range(6)]
temps = [TwinChannel(f"in_temp{n}", sines(90_000.0, noise=50.0, seed=n), scaled=True) for n in range(3)]
devices += [TwinDevice(3, "converter", volts, "slow"), TwinDevice(4, "rtd", temps, "lube")]
twin = IioTwin(Path(sys.argv[1]), devices)
twin.start()
print("ready", flush=True)
sys.stdin.read()
twin.stop()
"""
BARE = "import sys, numpy, paho.mqtt.client; print('ready', flush=True); sys.stdin.read()"


def full_window(number: int) -> Window:
    """Return a window with every channel that two axles send."""
    vehicle = {"speed": 80.0 + number % 7, "shaft-speed": 1440.0, "torque": 900.0, "gear": 1.0, "ambient": 14.0}
    lines = {f"vib/order/{name}": 0.1 for name in ("wheel-1", "wheel-2", "driveshaft-1", "driveshaft-2", "mesh-1")}
    axle = {"lube": 90.0 + number % 5, "height/left": 240.0, "height/right": 239.0, "vib/rms": 1.1, **lines}
    return Window(1.8e9 + WINDOW_S * number, vehicle, {2: axle, 3: axle})


def features_beside_welch(repeats: int) -> list[tuple[str, ...]]:
    """Return the processor time of one window of three sensors, and of Welch's spectrum of the same samples."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "fleet.toml").write_text(FLEET, encoding="utf-8")
        vehicle = load_fleet(Path(folder) / "fleet.toml").vehicle("t-1")
    rng, count = np.random.default_rng(1), int(RATE_HZ * WINDOW_S)
    times = np.arange(count) / RATE_HZ
    turns = SHAFT_HZ * times
    samples = (rng.standard_normal((3, count)) + 2.0 * np.sin(4.0 * np.pi * turns)).astype(np.float32)
    waveforms = [Waveform(2, RATE_HZ, samples[:2], 0.0, turns), Waveform(3, RATE_HZ, samples[2:], 0.0, turns)]
    work = {
        "scipy.signal.welch, 4096 a segment": lambda: welch(samples, RATE_HZ, nperseg=4096),
        "all features of one window, 3 sensors": lambda: [waveform_features(one, vehicle) for one in waveforms],
    }
    spent: dict[str, list[float]] = {name: [] for name in work}
    for _ in range(repeats + 1):
        for name, part in work.items():
            begin = time.process_time()
            part()
            spent[name].append(time.process_time() - begin)
    middle = {name: statistics.median(figures[1:]) for name, figures in spent.items()}  # the first round warms caches
    welch_s, features_s = middle.values()
    return [
        ("Welch of the window, processor time", f"{1000 * welch_s:.1f} ms", ""),
        (
            "features of the window, processor time",
            f"{1000 * features_s:.1f} ms",
            f"{features_s / welch_s:.1f} x Welch",
        ),
        ("  of one core", f"{100 * features_s / WINDOW_S:.2f} %", f"{360 * features_s:.0f} s an hour"),
    ]


def outbox_rows() -> list[tuple[str, ...]]:
    """Return how many windows a second go to disk, each synced by itself and 200 in one commit, and come back."""
    rates: list[tuple[str, ...]] = []
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as folder, Outbox(Path(folder) / "o.sqlite", "yard/t-1") as outbox:
        for name, batch, rounds in (("one a commit, each synced", 1, 200), ("200 a commit", 200, 20)):
            begin = time.perf_counter()
            for number in range(rounds):
                outbox.put([full_window(number * batch + n) for n in range(batch)])
            rates.append((f"outbox, {name}", f"{batch * rounds / (time.perf_counter() - begin):.0f} rows/s", ""))
        begin, after, read = time.perf_counter(), 0, 0
        while entries := outbox.entries(after, 200):
            after, read = entries[-1].seq, read + len(entries)
        rates.append(("outbox, read back", f"{read / (time.perf_counter() - begin):.0f} rows/s", ""))
    return rates


class Office:
    """Acknowledges every frame."""

    def __init__(self, port: int) -> None:
        self.frames: list[tuple[float, Frame]] = []
        self._ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="office")
        self._client.on_connect = lambda client, *_: client.subscribe(subscription(TopicKind.READINGS), 1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        if not self._ready.wait(10):
            raise RuntimeError("the broker did not answer")

    def _on_message(self, client: mqtt.Client, _: object, message: mqtt.MQTTMessage) -> None:
        topic = Topic.parse(message.topic)
        frame = decode_frame(message.payload, topic, time.time())
        self.frames.append((time.perf_counter(), frame))
        ack = encode_message(Ack(stream=frame.stream, seq=frame.seq))
        client.publish(Topic(topic.fleet, topic.vehicle, TopicKind.ACK).text, ack, qos=1)

    def wait(self, count: int, timeout_s: float) -> None:
        """Wait until so many frames have come."""
        deadline = time.perf_counter() + timeout_s
        while len(self.frames) < count:
            if time.perf_counter() > deadline:
                raise RuntimeError(f"{len(self.frames)} of {count} frames within {timeout_s:g} s")
            time.sleep(0.01)

    def stop(self) -> None:
        """Hang up."""
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def office() -> Iterator[tuple[Office, int]]:
    """Run a broker and an office."""
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    broker = Broker(port=port, listen="127.0.0.1")
    broker.start()
    one = Office(port)
    try:
        yield one, port
    finally:
        one.stop()
        broker.stop()


@contextmanager
def process(*words: str) -> Iterator[subprocess.Popen[str]]:
    """Run a Python process until the block ends."""
    running = subprocess.Popen(
        [sys.executable, *words], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=ENVIRONMENT
    )
    try:
        yield running
    finally:
        running.terminate()
        running.communicate(timeout=30)


def ready(running: subprocess.Popen[str]) -> None:
    """Wait for the process's word."""
    assert running.stdout is not None
    if running.stdout.readline().strip() != "ready":
        raise RuntimeError("a process did not start")


def cpu_s(pid: int) -> float:
    """Return the processor time of a process, all its threads, user and system. [s]"""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def memory_mb(pid: int) -> float:
    """Return the resident memory of a process. [MB]"""
    pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def bare_memory_mb() -> float:
    """Return the memory of a Python that has only imported numpy and paho. [MB]"""
    with process("-c", BARE) as running:
        ready(running)
        return memory_mb(running.pid)


def agent_file(folder: Path, port: int, source: str) -> Path:
    """Write an agent file and return it."""
    file = folder / "agent.toml"
    head = f'fleet = "yard"\nvehicle = "t-1"\noutbox.path = "outbox.sqlite"\nbroker.url = "mqtt://127.0.0.1:{port}"\n'
    file.write_text(head + source, encoding="utf-8")
    return file


def sensors(folder: Path) -> str:
    """Return the source table of the agent file."""
    yard = f'root = "{folder}/yard/devices"\ndevice_folder = "{folder}/yard/dev"\n'
    lines = ['[source]\nkind = "sensors"\nfleet_file = "fleet.toml"\n']
    for axle, label in SENSORS:
        channel = f'{{attribute = "in_accel_z", channel = "acceleration", axle = {axle}, sensor = "{label}"}}'
        lines.append(f'[[source.iio]]\ndevice = "{label}"\nmode = "buffered"\nchannels = [{channel}]\n{yard}')
    slow = [("in_voltage0", "speed", 0, 0.032), ("in_voltage1", "shaft-speed", 0, 60.0 * SHAFT_HZ / 2500.0)]
    slow += [
        (f"in_voltage{n}", f"height/{side}", axle, 0.1)
        for n, (axle, side) in enumerate([(2, "left"), (2, "right"), (3, "left"), (3, "right")], start=2)
    ]
    warm = [("in_temp0", "lube", 2, 1.0), ("in_temp1", "lube", 3, 1.0), ("in_temp2", "ambient", 0, 0.2)]
    for device, every_s, channels in (("slow", 0.1, slow), ("lube", 1.0, warm)):
        told = ",".join(
            f'{{attribute="{name}",channel="{channel}",axle={axle},factor={factor}}}'
            for name, channel, axle, factor in channels
        )
        lines.append(f'[[source.iio]]\ndevice = "{device}"\nevery_s = {every_s}\nchannels = [{told}]\n{yard}')
    return "\n".join(lines)


def whole_agent(seconds: float) -> list[tuple[str, ...]]:
    """Return processor time and memory of an agent with real windows, and the bare process's memory."""
    bare_mb = bare_memory_mb()
    with tempfile.TemporaryDirectory() as name, office() as (room, port):
        folder = Path(name)
        (folder / "fleet.toml").write_text(FLEET, encoding="utf-8")
        file = agent_file(folder, port, sensors(folder))
        with process("-c", DEVICES, str(folder / "yard")) as devices:
            ready(devices)
            with process("-m", "axlewright_models.command_line", "agent", "--config", str(file)) as agent:
                room.wait(2, 60.0)  # the first window is short, and the second warms caches
                begin, spent = time.perf_counter(), cpu_s(agent.pid)
                time.sleep(seconds)
                lasted, used, held_mb = time.perf_counter() - begin, cpu_s(agent.pid) - spent, memory_mb(agent.pid)
        last = room.frames[-1][1].windows[0]
        lines = sum(channel.startswith("vib/order/") for channel in last.axles.get(2, {}))
    share = used / lasted
    return [
        ("agent process, processor time", f"{3600 * share:.0f} s an hour", f"{100 * share:.2f} % of one core"),
        ("  resident memory", f"{held_mb:.1f} MB", f"{held_mb / bare_mb:.2f} x bare"),
        ("  bare Python with numpy and paho", f"{bare_mb:.1f} MB", ""),
        ("  frames, order lines in the last", f"{len(room.frames)}", f"{lines} lines on axle 2"),
    ]


def start_time(repeats: int) -> list[tuple[str, ...]]:
    """Return the time from the start of the process to the first frame in the office; its source is a recording."""
    spent: list[float] = []
    with tempfile.TemporaryDirectory() as name, office() as (room, port):
        folder = Path(name)
        (folder / "day.csv").write_text("time_ms,vehicle,axle,lube\n1800000000000,t-1,2,90\n", encoding="utf-8")
        file = agent_file(folder, port, '[source]\nkind = "replay"\nfile = "day.csv"\nspeed = 0\n')
        for number in range(repeats):
            begin = time.perf_counter()
            with process("-m", "axlewright_models.command_line", "agent", "--config", str(file), "--until-sent"):
                room.wait(number + 1, 60.0)
                spent.append(room.frames[-1][0] - begin)
            for left in folder.glob("outbox.sqlite*"):
                left.unlink()
    return [
        ("start of the process to its first frame", f"{statistics.median(spent):.2f} s", f"best {min(spent):.2f} s")
    ]


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=60.0, help="how long the agent process is watched")
    parser.add_argument("--repeats", type=int, default=10, help="how often each window is computed")
    options = parser.parse_args()
    rows = features_beside_welch(max(1, options.repeats)) + outbox_rows() + whole_agent(options.seconds)
    rows += start_time(min(5, max(1, options.repeats)))
    print(
        table("An agent: 2 axles, 3 accelerometers at 6.4 kHz, windows of 10 s", ("what", "measured", "that is"), rows)
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
