"""Live buses of python-can with a truck on them that is another process."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import can
import pytest

from axlewright_edge.clock import SystemClock
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.blocks import Sample
from axlewright_edge.sources.j1939 import Dm1Settings, J1939Settings, J1939Source, make_j1939
from axlewright_edge.sources.j1939.dm1 import Lamp, Lamps, TroubleCode, decode_dm1, encode_dm1
from axlewright_edge.sources.j1939.live import kernel_filters
from axlewright_edge.sources.j1939.transport import Transport
from axlewright_simulators.can_twin import CanTwin
from axlewright_simulators.demo_fleet import demo_fleet

FLEET = demo_fleet()
VEHICLE = FLEET.vehicle("hv-101")
GROUP = "239.74.163.86"
EXPECTED = {"speed", "engine-speed", "torque", "gear", "ambient", "parked", "odometer", "height-mode", "lube"}


@contextlib.contextmanager
def truck(interface: str, channel: str, seconds: float = 30.0) -> Iterator[subprocess.Popen[bytes]]:
    """Run a simulated truck in a process of its own."""
    options = {"--interface": interface, "--channel": channel, "--seconds": str(seconds), "--begin": "1700000000"}
    process = subprocess.Popen(
        [sys.executable, "-m", "axlewright_simulators.can_twin", *(word for pair in options.items() for word in pair)],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait(10)


@contextlib.contextmanager
def multicast() -> Iterator[tuple[str, str, str]]:
    try:
        with can.Bus(interface="udp_multicast", channel=GROUP) as one:
            one.send(can.Message(arbitration_id=1, data=[1]))
            # The group hears its own member: what is sent comes back over the loopback.
            if one.recv(2.0) is None:
                pytest.skip("multicast does not come back on this machine")
    except (can.CanError, OSError) as error:
        pytest.skip(f"no multicast on this machine: {error}")
    yield "udp_multicast", GROUP, GROUP


@contextlib.contextmanager
def serial_line() -> Iterator[tuple[str, str, str]]:
    """Two pseudo terminals joined by a thread: what two serial adapters on one bus look like."""
    pty = pytest.importorskip("pty", reason="pseudo terminals are a matter of POSIX")
    ends = [pty.openpty() for _ in range(2)]
    masters = [master for master, _ in ends]
    stop = threading.Event()

    def copy() -> None:
        while not stop.is_set():
            for master in select.select(masters, [], [], 0.05)[0]:
                with contextlib.suppress(OSError):
                    os.write(masters[1 - masters.index(master)], os.read(master, 4096))

    thread = threading.Thread(target=copy, daemon=True)
    thread.start()
    try:
        yield "slcan", os.ttyname(ends[0][1]), os.ttyname(ends[1][1])
    finally:
        stop.set()
        thread.join(5.0)
        for pair in ends:
            for descriptor in pair:
                os.close(descriptor)


@contextlib.contextmanager
def kernel_bus() -> Iterator[tuple[str, str, str]]:
    if not hasattr(socket, "AF_CAN") or not Path("/sys/class/net/vcan0").exists():
        pytest.skip("no vcan0 here: `ip link add vcan0 type vcan && ip link set vcan0 up`")
    yield "socketcan", "vcan0", "vcan0"


BUSES: dict[str, Callable[[], contextlib.AbstractContextManager[tuple[str, str, str]]]] = {
    "udp_multicast": multicast,
    "slcan": serial_line,
    "socketcan": kernel_bus,
}


def collect(source: J1939Source, enough: Callable[[list[Sample]], bool], timeout_s: float = 30.0) -> list[Sample]:
    samples: list[Sample] = []
    deadline = time.monotonic() + timeout_s
    while not enough(samples):
        assert time.monotonic() < deadline, f"only {sorted({s.channel for s in samples})}; {source.health()}"
        samples += source.read(0.2).values
    return samples


@pytest.mark.parametrize("kind", BUSES)
def test_a_truck_in_another_process_is_heard_over_a_real_bus(kind: str) -> None:
    with BUSES[kind]() as (interface, channel, other):
        settings = J1939Settings(interface=interface, channel=channel)  # type: ignore[arg-type]  # one of BUSES
        source = make_j1939(settings, VEHICLE, SystemClock())
        source.open()
        try:
            begin_s = time.monotonic()
            with truck(interface, other):
                samples = collect(source, lambda heard: {s.channel for s in heard} >= EXPECTED)
            assert {sample.axle for sample in samples} == {0, 2, 3}
            times = [sample.elapsed_s for sample in samples]
            assert times == sorted(times)
            assert begin_s <= times[0] <= times[-1] <= time.monotonic()
            assert "frames with 11-bit identifiers ignored" in source.health().note
            assert "no torque" not in source.health().note
        finally:
            source.close()
            source.close()


@contextlib.contextmanager
def virtual(name: str, dm1: Dm1Settings | None = None) -> Iterator[tuple[J1939Source, can.BusABC]]:
    settings = J1939Settings(
        interface="virtual", channel=name, listen_only=dm1 is None, dm1=dm1 or Dm1Settings(), reference_torque_nm=2000
    )
    source = make_j1939(settings, VEHICLE, SystemClock())
    with can.Bus(interface="virtual", channel=name) as bus:
        source.open()
        try:
            yield source, bus
        finally:
            source.close()


def test_a_truck_that_dies_goes_stale_and_one_that_comes_back_is_heard_again() -> None:
    with virtual("dies") as (source, bus):
        speed = can.Message(arbitration_id=0x18FEF100, is_extended_id=True, data=bytes.fromhex("FF0069FFFFFFFFFF"))
        bus.send(speed)
        assert [(s.channel, s.value) for s in collect(source, bool)] == [("speed", 105.0)]
        deadline = time.monotonic() + 10.0
        while source.health().state != "stale" and time.monotonic() < deadline:
            assert source.read(0.1).values == ()
        assert "silent: speed" in source.health().note
        bus.send(speed)
        assert collect(source, bool)
        assert source.health().state == "ok"


def test_remote_frames_and_error_frames_are_no_data() -> None:
    with virtual("remote") as (source, bus):
        bus.send(can.Message(arbitration_id=0x18FEF100, is_extended_id=True, is_remote_frame=True, dlc=8))
        bus.send(can.Message(is_error_frame=True, data=[0] * 8))
        bus.send(can.Message(arbitration_id=0x18FEF100, is_extended_id=True, data=bytes.fromhex("FF0069FFFFFFFFFF")))
        assert len(collect(source, bool)) == 1


def test_the_kernels_filters_let_through_what_is_of_concern_and_nothing_else() -> None:
    twin = CanTwin(FLEET, "hv-101", 1.7e9)
    wanted = [frame for _ in range(60) for frame in twin.tick()]
    others = [0x18FEE500, 0x0CFE6CEE, 0x18F00303, 0x18FECA00, 0x18EF2100]
    with (
        can.Bus(interface="virtual", channel="filters") as sender,
        can.Bus(interface="virtual", channel="filters", can_filters=kernel_filters()) as bus,
    ):
        for number in others:
            sender.send(can.Message(arbitration_id=number, is_extended_id=True, data=bytes(8)))
        for frame in wanted:
            sender.send(can.Message(arbitration_id=frame.number, is_extended_id=frame.extended, data=frame.data))
        heard = []
        while (message := bus.recv(0.1)) is not None:
            heard.append((message.arbitration_id, message.is_extended_id))
    # The twin's own wheel speeds and 11-bit frames included: it sends nothing that is of no concern.
    assert heard == [(frame.number, frame.extended) for frame in wanted]


def test_nothing_is_ever_sent_unless_the_settings_allow_it() -> None:
    with virtual("quiet") as (source, bus):
        source.announce(Lamps(red_stop=Lamp.STEADY), [TroubleCode(78, 0)])
        source.read(0.6)
        assert bus.recv(0.2) is None


def test_trouble_codes_go_out_when_allowed_and_their_end_too() -> None:
    with virtual("dm1", Dm1Settings(enabled=True, source_address=200, name=77)) as (source, bus):
        lamps, codes = Lamps(red_stop=Lamp.STEADY), [TroubleCode(77, 0), TroubleCode(78, 0)]
        source.announce(lamps, codes)
        transport, told = Transport(), []
        deadline = time.monotonic() + 15.0
        while len(told) < 3 and time.monotonic() < deadline:
            message = bus.recv(1.0)
            if message is None:
                continue
            group, sender = message.arbitration_id >> 8 & 0x3FFFF, message.arbitration_id & 0xFF
            assert sender == 200
            if group == 65226:
                told.append(bytes(message.data))
            whole = transport.take(group & 0xFF00, sender, 255, bytes(message.data), time.monotonic())
            if whole is not None:
                told.append(whole.data)
                source.announce(Lamps(), [])
        assert told == [encode_dm1(lamps, codes), encode_dm1(Lamps(), []), encode_dm1(Lamps(), [])]
        assert decode_dm1(told[0]) == (lamps, codes)


@pytest.mark.parametrize(
    ("interface", "channel", "problem"),
    [
        ("slcan", "/nowhere/tty", "slcan /nowhere/tty cannot be opened: .*; is it the adapter's serial port"),
        ("udp_multicast", "10.0.0.1", "udp_multicast 10.0.0.1 cannot be opened: .*; is it a multicast address"),
        ("socketcan", "can97", "socketcan can97 cannot be opened: .*; is it up\\? `ip link set can97 up type can"),
    ],
)
def test_a_bus_that_is_not_there_says_what_to_look_at(interface: str, channel: str, problem: str) -> None:
    settings = J1939Settings(interface=interface, channel=channel)  # type: ignore[arg-type]  # of the table above
    source = make_j1939(settings, VEHICLE, SystemClock())
    with pytest.raises(SourceError, match=problem):
        source.open()
    source.close()


def test_a_bus_that_fails_while_it_is_read_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    with virtual("fails") as (source, bus):

        def fail(self: object, timeout: float | None = None) -> None:
            raise can.CanOperationError("the adapter was pulled out")

        monkeypatch.setattr(type(bus), "recv", fail)
        deadline = time.monotonic() + 10.0
        with pytest.raises(SourceError, match="virtual fails: CanOperationError: the adapter was pulled out"):
            while time.monotonic() < deadline:
                source.read(0.1)
        assert source.health().state == "failed"


@pytest.mark.parametrize(("module", "make"), [("cantools", make_j1939), ("can", None)])
def test_a_library_that_is_missing_is_named_with_the_extra_that_brings_it(
    module: str, make: Callable[..., J1939Source] | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = J1939Settings(interface="virtual", channel="none")
    source = None if make else make_j1939(settings, VEHICLE, SystemClock())
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(SourceError, match=rf"needs '{module}'; pip install 'axlewright\[can\]'"):
        if source is None:
            make_j1939(settings, VEHICLE, SystemClock())
        else:
            source.open()
