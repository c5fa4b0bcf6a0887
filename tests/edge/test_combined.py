"""Several sources as one: whatever one of them does, the windows of the others come in time and say what is so."""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from axlewright_edge.backoff import Backoff
from axlewright_edge.clock import ManualClock, SystemClock
from axlewright_edge.errors import SourceError
from axlewright_edge.features import Waveform
from axlewright_edge.sources import part as part_module
from axlewright_edge.sources.blocks import Block, Piece, Sample
from axlewright_edge.sources.combined import CombinedSource
from axlewright_edge.sources.iio import IioSource
from axlewright_edge.sources.iio_settings import IioChannelSettings, IioSettings
from axlewright_edge.sources.iio_twin import IioTwin, TwinChannel, TwinDevice, sines
from axlewright_models.errors import ModelError
from axlewright_models.spec import TyreSpec, VehicleSpec
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import SourceHealth

TRUCK = VehicleSpec(id="t-1", type="tractor", tyre=TyreSpec(revolutions_per_km=360.0))
NOW_S = 1_780_000_000.0


class Scripted:
    """A source that gives one value of each channel, and a waveform, for every tenth of a second of the clock."""

    def __init__(
        self, clock: ManualClock, name: str = "bus", rate_hz: float = 0.0, lasts_s: float = 1e9, **channels: float
    ) -> None:
        self.name = name
        self.clock = clock
        self.channels = channels
        self.rate_hz = rate_hz
        self.lasts_s = lasts_s
        self.fails = threading.Event()
        self.hangs = threading.Event()
        self.silent = threading.Event()
        self.opened = self.closed = 0
        self.at_s = 0.0
        self.finished = False

    @property
    def behind(self) -> bool:
        """Whether it is well and has not yet given all that its clock says."""
        well = not (self.fails.is_set() or self.hangs.is_set() or self.finished) and self.opened > self.closed
        return well and self.at_s + 0.1 <= self.clock.elapsed()

    def open(self) -> None:
        self.opened += 1
        if self.fails.is_set():
            raise SourceError(f"{self.name}: unplugged")
        self.at_s = self.clock.elapsed()
        self.ends_s = self.at_s + self.lasts_s
        self.finished = False

    def read(self, timeout_s: float) -> Block:
        if self.fails.is_set():
            raise SourceError(f"{self.name}: unplugged")
        while self.hangs.is_set():
            time.sleep(0.002)
        values: list[Sample] = []
        pieces: list[Piece] = []
        while self.at_s + 0.1 <= min(self.clock.elapsed(), self.ends_s):
            if not self.silent.is_set():
                values += [
                    Sample(2 if name == "lube" else 0, name.replace("_", "-"), value, self.at_s)
                    for name, value in self.channels.items()
                ]
                if self.rate_hz:
                    samples = np.full(round(0.1 * self.rate_hz), self.at_s, dtype=np.float32)
                    pieces.append(Piece(f"{self.name} z", 2, "acceleration", self.at_s, self.rate_hz, samples))
            self.at_s += 0.1
        self.finished = self.at_s + 0.1 > self.ends_s
        if not values and not pieces:
            time.sleep(0.001)
        return Block(values, pieces)

    def health(self) -> SourceHealth:
        return SourceHealth(name=self.name, state="stale" if self.silent.is_set() else "ok")

    def close(self) -> None:
        self.closed += 1


def no_features(waveform: Waveform, vehicle: VehicleSpec) -> Mapping[str, float]:
    return {"vib/rms": float(waveform.samples.size)}


@pytest.fixture(autouse=True)
def quick_retries(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(part_module, "FIRST_RETRY_S", 0.01)
    monkeypatch.setattr(part_module, "LONGEST_RETRY_S", 0.02)
    monkeypatch.setattr(part_module, "CLOSE_WITHIN_S", 0.2)


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(NOW_S)


@pytest.fixture
def combine(clock: ManualClock) -> Iterator[Callable[..., CombinedSource]]:
    made: list[CombinedSource] = []
    scripts: list[Scripted] = []

    def wait(seconds: float) -> None:
        # The threads of the sources get a real moment for every step of the clock, a longer one on a busy machine.
        clock.advance(seconds)
        time.sleep(0.004)
        end_s = time.monotonic() + 0.5
        while any(script.behind for script in scripts) and time.monotonic() < end_s:
            time.sleep(0.002)

    def _combine(*sources: Scripted, window_s: float = 10.0, **keys: Any) -> CombinedSource:
        scripts.extend(sources)
        source = CombinedSource(sources, clock, wait, TRUCK, window_s, **{"features": no_features, **keys})
        made.append(source)
        source.open()
        return source

    yield _combine
    for source in made:
        source.close()


def windows(source: CombinedSource, count: int, timeout_s: float = 200.0) -> list[Window]:
    found: list[Window] = []
    while len(found) < count and timeout_s > 0.0:
        window = source.read(0.5)
        timeout_s -= 0.5
        if window is not None:
            found.append(window)
    assert len(found) == count, "the windows did not come"
    return found


def test_windows_hold_what_all_sources_sent_and_end_on_whole_multiples(
    clock: ManualClock, combine: Callable[..., CombinedSource]
) -> None:
    source = combine(Scripted(clock, speed=80.0), Scripted(clock, "axle", rate_hz=100.0, lube=91.0))
    found = windows(source, 3)
    assert [window.time_s for window in found] == [NOW_S + 10.0, NOW_S + 20.0, NOW_S + 30.0]
    assert found[1].vehicle == {"speed": 80.0}
    assert found[1].axles[2] == {"lube": pytest.approx(91.0), "vib/rms": 1000.0}


def test_a_window_is_handed_out_soon_after_its_end(clock: ManualClock, combine: Callable[..., CombinedSource]) -> None:
    source = combine(Scripted(clock, speed=80.0))
    for _ in range(3):
        (window,) = windows(source, 1)
        assert 0.0 <= clock.now() - window.time_s <= 1.0


@pytest.mark.parametrize("trouble", ["fails", "hangs"])
def test_one_source_in_trouble_holds_up_no_other(
    trouble: str, clock: ManualClock, combine: Callable[..., CombinedSource]
) -> None:
    bus, axle = Scripted(clock, speed=80.0), Scripted(clock, "axle", lube=91.0)
    source = combine(bus, axle)
    windows(source, 1)
    getattr(axle, trouble).set()
    found = windows(source, 5)
    assert [window.vehicle for window in found] == [{"speed": 80.0}] * 5
    # Lube is slow: its last value counts for 30 s, then it is left out.
    assert found[-1].axles == {}
    assert np.diff([window.time_s for window in found]).tolist() == [10.0] * 4
    if trouble == "fails":
        assert source.health()[1] == SourceHealth(name="axle", state="failed", note="axle: unplugged")
    else:
        assert source.health()[1].state == "failed"
        assert source.health()[1].name == "axle" and "has not answered for" in source.health()[1].note
    getattr(axle, trouble).clear()


def test_a_source_that_comes_back_is_read_again(clock: ManualClock, combine: Callable[..., CombinedSource]) -> None:
    axle = Scripted(clock, "axle", lube=91.0)
    axle.fails.set()
    source = combine(Scripted(clock, speed=80.0), axle)
    assert all(window.axles == {} for window in windows(source, 2))
    assert axle.opened >= 2 and axle.opened - axle.closed in (0, 1)
    axle.fails.clear()
    found = windows(source, 2)
    assert found[-1].axles == {2: {"lube": pytest.approx(91.0)}}
    assert source.health()[1].state == "ok"


def test_an_error_that_is_none_of_ours_ends_nothing(clock: ManualClock, combine: Callable[..., CombinedSource]) -> None:
    class Mistaken(Scripted):
        def read(self, timeout_s: float) -> Block:
            raise ZeroDivisionError("a driver's own mistake")

    source = combine(Scripted(clock, speed=80.0), Mistaken(clock, "odd"))
    assert windows(source, 1)[0].vehicle == {"speed": 80.0}
    assert source.health()[1].state == "failed"
    assert "a driver's own mistake" in source.health()[1].note


def test_a_silent_part_goes_stale_and_comes_back(clock: ManualClock, combine: Callable[..., CombinedSource]) -> None:
    bus = Scripted(clock, speed=80.0, gear=2.0)
    source = combine(bus, Scripted(clock, "axle", lube=91.0))
    windows(source, 1)
    bus.silent.set()
    found = windows(source, 2)
    assert found[-1].vehicle == {} and found[-1].axles[2]["lube"] == pytest.approx(91.0)
    assert source.health()[0].state == "stale"
    bus.silent.clear()
    assert windows(source, 2)[-1].vehicle == {"speed": 80.0, "gear": 2.0}


def test_a_truck_that_sleeps_speaks_seldom_and_at_once_when_it_wakes(
    clock: ManualClock, combine: Callable[..., CombinedSource], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_edge.sources.combined.ASLEEP_EVERY_S", 60.0)
    bus, axle = Scripted(clock, parked=1.0, ignition=1.0), Scripted(clock, "axle", lube=20.0)
    source = combine(bus, axle)
    assert windows(source, 2)[-1].vehicle == {"parked": 1.0, "ignition": 1.0}
    # The driver switches off: the bus sleeps, the gateway's own sensors do not.
    bus.silent.set()
    asleep = [window for window in windows(source, 4, 2000.0) if "ignition" not in window.vehicle]
    assert np.diff([window.time_s for window in asleep]).tolist() == [60.0] * (len(asleep) - 1)
    assert asleep[-1].vehicle == {"parked": 1.0} and asleep[-1].axles[2]["lube"] == pytest.approx(20.0)
    bus.silent.clear()
    assert np.diff([window.time_s for window in windows(source, 3)]).tolist() == [10.0, 10.0]


def test_the_length_of_windows_can_be_changed_while_they_come(
    clock: ManualClock, combine: Callable[..., CombinedSource]
) -> None:
    source = combine(Scripted(clock, "axle", rate_hz=100.0, speed=80.0))
    assert windows(source, 2)[-1].time_s == NOW_S + 20.0
    source.set_window(5.0)
    found = windows(source, 2)
    assert [window.time_s for window in found] == [NOW_S + 25.0, NOW_S + 30.0]
    assert found[-1].axles[2]["vib/rms"] == 500.0
    source.set_window(60.0)
    found = windows(source, 2)
    assert [window.time_s for window in found] == [NOW_S + 80.0, NOW_S + 140.0]  # whole minutes
    assert found[-1].axles[2]["vib/rms"] == 6000.0
    with pytest.raises(SourceError, match="with accelerometers a window has at most 60 s"):
        source.set_window(90.0)
    assert np.diff([window.time_s for window in windows(source, 2)]).tolist() == [60.0]


class Seen:
    """Features that remember which stretches of time they were asked for."""

    def __init__(self) -> None:
        self.stretches: list[tuple[float, float]] = []

    def __call__(self, waveform: Waveform, vehicle: VehicleSpec) -> Mapping[str, float]:
        begin_s = waveform.begin_elapsed_s
        self.stretches.append((begin_s, begin_s + waveform.samples.shape[1] / waveform.rate_hz))
        return {"vib/rms": 1.0}

    @property
    def widest_gap_s(self) -> float:
        return max(begin_s - end_s for (_, end_s), (begin_s, _) in itertools.pairwise(self.stretches))


@pytest.mark.parametrize("seconds", [14.0, 24.0, 33.0])
def test_a_new_length_leaves_no_sample_out(
    seconds: float, clock: ManualClock, combine: Callable[..., CombinedSource]
) -> None:
    seen = Seen()
    source = combine(Scripted(clock, "axle", rate_hz=100.0, speed=80.0), features=seen)
    windows(source, 2)
    source.set_window(seconds)
    windows(source, 2)
    assert seen.widest_gap_s <= 0.02


def test_a_step_of_the_clock_leaves_no_sample_out(clock: ManualClock, combine: Callable[..., CombinedSource]) -> None:
    seen = Seen()
    source = combine(Scripted(clock, "axle", rate_hz=100.0, speed=80.0), features=seen)
    for step_s in (-4.0, -4.0, -4.0):
        windows(source, 2)
        clock.set(clock.now() + step_s)
    windows(source, 2)
    assert seen.widest_gap_s <= 0.02


def test_windows_may_overlap(clock: ManualClock, combine: Callable[..., CombinedSource]) -> None:
    source = combine(Scripted(clock, "axle", rate_hz=100.0, speed=80.0), overlap=0.5)
    found = windows(source, 4)
    assert np.diff([window.time_s for window in found]).tolist() == [5.0] * 3
    assert [window.axles[2]["vib/rms"] for window in found[1:]] == [1000.0] * 3


def test_a_clock_that_is_set_while_driving_costs_no_window(
    clock: ManualClock, combine: Callable[..., CombinedSource]
) -> None:
    clock.set(0.0)
    source = combine(Scripted(clock, speed=80.0))
    assert [window.time_s for window in windows(source, 2)] == [10.0, 20.0]
    clock.set(NOW_S + 3.0)
    times = [window.time_s for window in windows(source, 3)]
    # The window under way ends where it would have; the next one is on whole multiples of the true time.
    assert 5.0 <= times[1] - times[0] <= 15.0
    assert times[2] - times[1] == 10.0 and times[1] % 10.0 == 0.0
    assert NOW_S <= times[0] <= NOW_S + 20.0


def test_a_gateway_that_slept_makes_nothing_up(clock: ManualClock, combine: Callable[..., CombinedSource]) -> None:
    source = combine(Scripted(clock, speed=80.0))
    assert windows(source, 2)[-1].time_s == NOW_S + 20.0
    clock.advance(8 * 3600.0)
    found = windows(source, 3)
    assert found[0].time_s >= NOW_S + 8 * 3600.0
    assert np.diff([window.time_s for window in found]).tolist() == [10.0, 10.0]


def test_vibration_that_is_late_is_left_out_and_said(
    clock: ManualClock, combine: Callable[..., CombinedSource]
) -> None:
    release = threading.Event()

    def slow(waveform: Waveform, vehicle: VehicleSpec) -> Mapping[str, float]:
        release.wait(20.0)
        return {"vib/rms": 1.0}

    source = combine(Scripted(clock, "axle", rate_hz=100.0, lube=91.0), features=slow)
    window = windows(source, 1)[0]
    # It has waited, but less than until the next window's end.
    assert window.axles[2] == {"lube": pytest.approx(91.0)}
    assert 5.0 < clock.now() - window.time_s < 10.0
    assert source.health()[-1].name == "vibration" and "1 windows went without" in source.health()[-1].note
    release.set()
    assert "vib/rms" in windows(source, 2)[-1].axles[2]
    assert "vib/rms" not in window.axles[2], "a window that was handed out has changed"


@pytest.mark.parametrize("error", [ModelError("too few"), ZeroDivisionError("odd")])
def test_a_window_without_vibration_is_better_than_none(
    error: Exception, clock: ManualClock, combine: Callable[..., CombinedSource]
) -> None:
    def broken(waveform: Waveform, vehicle: VehicleSpec) -> Mapping[str, float]:
        raise error

    source = combine(Scripted(clock, "axle", rate_hz=100.0, lube=91.0), features=broken)
    assert windows(source, 1)[0].axles[2] == {"lube": pytest.approx(91.0)}


def test_it_is_finished_when_all_recordings_are(clock: ManualClock, combine: Callable[..., CombinedSource]) -> None:
    source = combine(Scripted(clock, lasts_s=25.0, speed=80.0), Scripted(clock, "axle", lasts_s=12.0, lube=91.0))
    windows(source, 2)
    for _ in range(20):
        source.read(0.5)
    assert source.finished
    assert [health.note for health in source.health()] == ["has ended", "has ended"]
    source.open()
    assert not source.finished
    assert windows(source, 1)[0].vehicle == {"speed": 80.0}


def test_what_was_recorded_lately_can_be_had_raw(clock: ManualClock, combine: Callable[..., CombinedSource]) -> None:
    source = combine(Scripted(clock, "axle", rate_hz=100.0), recent_s=30.0)
    source.read(0.0)
    while clock.elapsed() < 60.0:
        source.read(0.5)
    pieces = source.recent(2, 20.0)
    samples = np.concatenate([piece.samples for piece in pieces])
    assert samples.size == pytest.approx(2000, abs=60)
    assert pieces[0].elapsed_s == pytest.approx(clock.elapsed() - 20.0, abs=0.2)
    assert source.recent(3, 20.0) == []


def test_it_can_be_closed_twice_and_opened_again(clock: ManualClock, combine: Callable[..., CombinedSource]) -> None:
    bus = Scripted(clock, speed=80.0)
    source = combine(bus)
    windows(source, 1)
    source.close()
    source.close()
    assert bus.closed == bus.opened == 1
    source.open()
    assert windows(source, 1)[0].vehicle == {"speed": 80.0}


def test_a_source_that_hung_when_it_was_closed_is_never_read_twice_at_a_time(
    clock: ManualClock, combine: Callable[..., CombinedSource]
) -> None:
    bus = Scripted(clock, speed=80.0)
    source = combine(bus)
    windows(source, 1)
    bus.hangs.set()
    clock.advance(1.0)
    time.sleep(0.02)
    source.close()
    source.open()
    time.sleep(0.05)
    assert (bus.opened, bus.closed) == (1, 0)
    bus.hangs.clear()
    assert windows(source, 2)[-1].vehicle == {"speed": 80.0}
    assert (bus.opened, bus.closed) == (2, 1)


def test_retries_wait_longer_and_longer() -> None:
    backoff = Backoff(1.0, 30.0)
    assert sum(backoff.next() for _ in range(10)) > 60.0


def test_no_source_at_all_is_refused(clock: ManualClock) -> None:
    with pytest.raises(SourceError, match="no source is named"):
        CombinedSource([], clock, clock.advance, TRUCK, 10.0)


@pytest.fixture
def axle_sensors(tmp_path: Path) -> Iterator[tuple[IioTwin, list[IioSource], SystemClock]]:
    """An accelerometer at 3.2 kHz, a height sensor and a lube temperature on axle 2, driven in real time."""
    shaft_hz = 24.6  # as at 72 km/h, 360 turns a kilometre, ratio 41 / 12
    shake = sines(9.81, (0.8, shaft_hz), (0.3, 2.0 * shaft_hz))
    devices = [
        TwinDevice(0, "accelerometer", [TwinChannel("in_accel_z", shake, 0.002, form="le:s16/16>>0")], "", 3200.0),
        TwinDevice(1, "adc", [TwinChannel("in_voltage0", sines(2500.0, (100.0, 2.0)), 0.125)]),
        TwinDevice(2, "rtd", [TwinChannel("in_temp0", sines(91_500.0), scaled=True)]),
    ]
    twin = IioTwin(tmp_path, devices)
    twin.start()
    clock = SystemClock()
    channels = {
        "accelerometer": IioChannelSettings(attribute="in_accel_z", channel="acceleration", axle=2),
        "adc": IioChannelSettings(
            attribute="in_voltage0", channel="height/left", axle=2, table=((500.0, 140.0), (4500.0, 340.0))
        ),
        "rtd": IioChannelSettings(attribute="in_temp0", channel="lube", axle=2),
    }
    sources = [
        IioSource(
            IioSettings(
                device=name,
                channels=(channel,),
                mode="buffered" if name == "accelerometer" else "polled",
                every_s=0.02,
                root=str(twin.root),
                device_folder=str(twin.device_folder),
            ),
            clock,
        )
        for name, channel in channels.items()
    ]
    yield twin, sources, clock
    twin.stop()


class Bus:
    """A vehicle bus that tells the road speed of the clock's own time."""

    name = "bus"
    finished = False

    def __init__(self, clock: SystemClock) -> None:
        self._clock = clock

    def open(self) -> None: ...

    def read(self, timeout_s: float) -> Block:
        time.sleep(0.05)
        return Block([Sample(0, "speed", 72.0, self._clock.elapsed())])

    def health(self) -> SourceHealth:
        return SourceHealth(name=self.name, state="ok")

    def close(self) -> None: ...


def test_sensors_and_bus_land_in_one_window_at_the_right_time_and_a_pulled_sensor_comes_back(
    axle_sensors: tuple[IioTwin, list[IioSource], SystemClock],
) -> None:
    twin, sensors, clock = axle_sensors
    source = CombinedSource([*sensors, Bus(clock)], clock, time.sleep, TRUCK, 1.0)
    source.open()
    try:
        window = windows(source, 2)[-1]
        assert window.vehicle == {"speed": 72.0}
        assert 0.0 < clock.now() - window.time_s < 1.5
        axle = window.axles[2]
        assert axle["lube"] == pytest.approx(91.5)
        # 100 mV are 5 mm; a sine's median distance from its middle is its amplitude times sin(45 degrees). A busy
        # machine polls a second's two turns of the sine unevenly.
        assert axle["height/left"] == pytest.approx(240.0, abs=2.5)
        assert axle["height/left-spread"] == pytest.approx(1.4826 * 5.0 * 0.7071, rel=0.35)
        assert axle["vib/rms"] == pytest.approx(np.hypot(0.8, 0.3) / np.sqrt(2.0), rel=0.01)
        assert axle["vib/order/driveshaft-1"] == pytest.approx(0.8, rel=0.05)
        assert axle["vib/order/driveshaft-2"] == pytest.approx(0.3, rel=0.05)
        twin.unplug("iio:device0")
        found = windows(source, 2)
        assert "vib/rms" not in found[-1].axles[2] and found[-1].axles[2]["lube"] == pytest.approx(91.5)
        assert source.health()[0].state == "failed"
        twin.plug("iio:device0")
        found = windows(source, 3)
        assert found[-1].axles[2]["vib/order/driveshaft-1"] == pytest.approx(0.8, rel=0.05)
        assert {health.state for health in source.health()} == {"ok"}
    finally:
        source.close()
