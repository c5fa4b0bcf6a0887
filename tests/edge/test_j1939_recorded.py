"""Recordings of a bus in every form give the same samples as the bus itself did."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import can
import pytest

from axlewright_edge.clock import ManualClock
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.blocks import Sample
from axlewright_edge.sources.j1939 import J1939Settings, J1939Source
from axlewright_edge.sources.j1939.recorded import RecordedFeed
from axlewright_simulators.can_twin import TICK_S, CanTwin
from axlewright_simulators.demo_fleet import demo_fleet

BEGIN_S = 1_700_000_000.0
VEHICLE = "hv-101"


@pytest.fixture(scope="module")
def messages() -> list[can.Message]:
    """Return six seconds of a truck, on a whole millisecond each (TRC and CSV keep no more)."""
    twin = CanTwin(demo_fleet(), VEHICLE, BEGIN_S)
    return [
        can.Message(
            timestamp=BEGIN_S + tick * TICK_S + 0.001 * place,
            arbitration_id=frame.number,
            is_extended_id=frame.extended,
            data=frame.data,
            channel=0,
        )
        for tick in range(60)
        for place, frame in enumerate(twin.tick())
    ]


def candump(stamp: Callable[[float, float], str], extra: str = "", text: bool = False) -> Callable[..., None]:
    def write(path: Path, messages: list[can.Message]) -> None:
        lines, before_s = [], messages[0].timestamp
        for message in messages:
            number = f"{message.arbitration_id:08X}" if message.is_extended_id else f"{message.arbitration_id:03X}"
            octets = " ".join(f"{octet:02X}" for octet in message.data)
            characters = "   '" + "".join(chr(o) if 32 <= o < 127 else "." for o in message.data) + "'" if text else ""
            time = stamp(message.timestamp, before_s)
            lines.append(f" ({time})  can0  {extra}{number}   [{len(message.data)}]  {octets}{characters}")
            before_s = message.timestamp
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")

    return write


def by_python_can(path: Path, messages: list[can.Message]) -> None:
    writer = {".log": can.CanutilsLogWriter, ".asc": can.ASCWriter, ".blf": can.BLFWriter}
    writer |= {".trc": can.TRCWriter, ".csv": can.CSVWriter, ".mf4": can.MF4Writer}
    with writer[path.suffix](str(path)) as log:
        for message in messages:
            log.on_message_received(message)


def absolute(now_s: float, before_s: float) -> str:
    return f"{now_s:.6f}"


def in_words(now_s: float, before_s: float) -> str:
    import datetime

    return datetime.datetime.fromtimestamp(now_s, datetime.UTC).strftime("%Y-%m-%d %H:%M:%S.%f")


FORMS: dict[str, tuple[str, Callable[..., None]]] = {
    "candump -l": ("a.log", by_python_can),
    "candump -t a": ("a.txt", candump(absolute)),
    "candump -t a -x -a": ("b.txt", candump(absolute, extra="RX - -  ", text=True)),
    "candump -t A": ("A.log", candump(in_words)),
    "candump -t d": ("d.txt", candump(lambda now_s, before_s: f"{now_s - before_s:010.6f}")),
    "candump -t z": ("z.txt", candump(lambda now_s, before_s: f"{now_s - BEGIN_S:010.6f}")),
    "ASC": ("a.asc", by_python_can),
    "BLF": ("a.blf", by_python_can),
    "TRC": ("a.trc", by_python_can),
    "CSV": ("a.csv", by_python_can),
    "MF4": ("a.mf4", by_python_can),
}


def samples_of(path: Path) -> list[Sample]:
    fleet = demo_fleet()
    settings = J1939Settings(file=str(path), speed=0.0)
    source = J1939Source(settings, fleet.vehicle(VEHICLE), ManualClock(BEGIN_S))
    source.open()
    samples: list[Sample] = []
    while not source.finished:
        samples += source.read(0.0).values
    health = source.health()
    source.close()
    assert health.state == "ok", health
    assert "frames with 11-bit identifiers ignored" in health.note
    return samples


@pytest.fixture(scope="module")
def heard(messages: list[can.Message], tmp_path_factory: pytest.TempPathFactory) -> list[Sample]:
    path = tmp_path_factory.mktemp("log") / "reference.log"
    by_python_can(path, messages)
    samples = samples_of(path)
    assert len(samples) > 500
    assert {sample.channel for sample in samples} >= {"speed", "torque", "lube", "height/left", "bellows/right"}
    return samples


@pytest.mark.parametrize("form", FORMS)
def test_every_form_gives_the_same_samples_at_the_same_times(
    form: str, messages: list[can.Message], heard: list[Sample], tmp_path: Path
) -> None:
    name, write = FORMS[form]
    if form == "MF4":
        pytest.importorskip("asammdf", reason="MF4 needs asammdf (make comparisons)", exc_type=ImportError)
    path = tmp_path / name
    write(path, messages)
    samples = samples_of(path)
    assert [(s.axle, s.channel, s.value) for s in samples] == [(s.axle, s.channel, s.value) for s in heard]
    # TRC keeps tenths of a millisecond.
    assert [s.elapsed_s for s in samples] == pytest.approx([s.elapsed_s for s in heard], abs=2e-4)


def test_a_recording_is_played_at_the_pace_of_the_clock(messages: list[can.Message], tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    by_python_can(path, messages)
    clock = ManualClock(BEGIN_S)
    feed = RecordedFeed(J1939Settings(file=str(path), speed=2.0), clock, clock.advance)
    feed.open()
    times = []
    while not feed.finished:
        times += [(frame.elapsed_s, clock.elapsed()) for frame in feed.read(0.5)]
    assert clock.elapsed() == pytest.approx(3.0, abs=0.05)
    assert all(-1e-9 <= now_s - at_s <= 0.06 for at_s, now_s in times)


def test_time_that_steps_back_in_a_recording_does_not_step_back_in_the_samples(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    line = "({time:.6f}) can0 18FEF100#FF0069FFFFFFFFFF\n"
    path.write_text("".join(line.format(time=1.7e9 + t) for t in (0, 1, -3600, 2)), encoding="utf-8")
    assert [frame.elapsed_s for frame in drained(path)] == [0.0, 1.0, 1.0, 2.0]


def drained(path: Path) -> list[can.Message]:
    feed = RecordedFeed(J1939Settings(file=str(path), speed=0.0), ManualClock(BEGIN_S))
    feed.open()
    frames = []
    while not feed.finished:
        frames += feed.read(0.0)
    return frames


def test_remote_and_error_frames_of_a_candump_are_left_out(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text(
        " (0.000000)  can0  18FEF100   [8]  remote request\n"
        " (0.100000)  can0  20000080   [8]  00 00 00 00 00 00 00 00   ERRORFRAME\n"
        " (0.200000)  can0  18FEF100   [0]\n"
        " (0.300000)  can0  18FEF100   [2]  FF 00\n",
        encoding="utf-8",
    )
    assert [frame.data for frame in drained(path)] == [b"", b"\xff\x00"]


@pytest.mark.parametrize(
    ("name", "content", "problem"),
    [
        ("missing.log", None, "missing.log: cannot be read"),
        ("missing.blf", None, "missing.blf: cannot be read"),
        ("a.pcap", b"", "the ending must be one of .log, .txt"),
        ("a.blf", b"not a BLF file at all, though long enough to be looked at" * 9, "is damaged or no .blf file"),
        ("a.log", b"(1.0) can0 18FEF100#FF0069FFFFFFFFFF\nrubbish\n", "is damaged or no .log file"),
        ("a.txt", b" (0.0)  can0  18FEF100   [2]  FF 00\n can0  18FEF100   [2]  FF 00\n", "line 2: is not candump's"),
        ("b.txt", b" (0.0)  can0  18FEF100   [4]  FF 00\n", "line 1: 4 bytes are announced, 2 are there"),
        ("c.txt", b" (1.2.3)  can0  18FEF100   [2]  FF 00\n", "line 1: time stamp .* is not understood"),
    ],
)
def test_a_recording_that_cannot_be_read_is_refused_with_file_and_reason(
    name: str, content: bytes | None, problem: str, tmp_path: Path
) -> None:
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(SourceError, match=problem):
        drained(path)


def test_frames_before_the_damage_come_once_and_no_retry_begins_anew(tmp_path: Path) -> None:
    path = tmp_path / "a.txt"
    path.write_text(" (0.0)  can0  18FEF100   [2]  FF 00\n" * 2500 + "rubbish\n", encoding="utf-8")
    feed = RecordedFeed(J1939Settings(file=str(path), speed=0.0), ManualClock(BEGIN_S))
    feed.open()
    assert [len(feed.read(0.0)) for _ in range(2)] == [2000, 500]
    for attempt in (lambda: feed.read(0.0), feed.open):
        with pytest.raises(SourceError, match="line 2501: is not candump's"):
            attempt()
