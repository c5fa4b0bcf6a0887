"""What every source keeps to, whatever it reads: one class for sources of windows, one for sources of blocks.

To put a source under the contract, write a function decorated with `@windows("name")` or `@blocks("name")`. It takes an
empty folder, yields a `Case`, and takes down after the yield what it has set up:

- `source`: fresh, not open, with something to read within a second or two;
- `broken`: the same kind of source that cannot be opened (a file or a device that is not there), and `mentions`, which
  its error must name;
- `clock`: the clock that it goes by.
"""

from __future__ import annotations

import contextlib
import math
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

import can
import numpy as np
import pytest

from axlewright_edge.clock import Clock, ManualClock, SystemClock
from axlewright_edge.config import AgentSettings, ReplaySettings, SensorsSettings, SimulatedSettings
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.base import Source
from axlewright_edge.sources.blocks import Block, BlockSource, Piece, Sample
from axlewright_edge.sources.choose import block_sources, combined_source, make_source
from axlewright_edge.sources.combined import CombinedSource
from axlewright_edge.sources.iio import IioSource
from axlewright_edge.sources.iio_settings import IioChannelSettings, IioSettings
from axlewright_edge.sources.iio_twin import IioTwin, yard
from axlewright_edge.sources.j1939 import J1939Settings
from axlewright_edge.sources.recording_settings import RecordingSettings
from axlewright_models.errors import ModelError
from axlewright_models.signals import CHANNELS, INDEX, Scope
from axlewright_models.spec import load_fleet
from axlewright_models.wire.frames import Window
from axlewright_simulators.can_twin import TICK_S, CanTwin
from axlewright_simulators.demo_fleet import demo_fleet

FLEET = """
fleet = "harrow-vale"
name = "One truck of it"
[types.tractor]
title = "6x4 tractor"
driveline.shafts = [{length_mm = 1500.0, angle_deg = 5.0}, {length_mm = 700.0, angle_deg = 4.0}]
[vehicles.hv-101]
type = "tractor"
"""
TABLE = """time,vehicle,axle,speed,lube
2026-05-04T06:00:10Z,hv-101,0,82.5,
2026-05-04T06:00:10Z,hv-101,2,,91.2
2026-05-04T06:00:20Z,hv-101,0,83.5,
2026-05-04T06:00:30Z,hv-101,0,84.5,
"""
Any_ = TypeVar("Any_")
PATIENCE_S = 15.0


@dataclass(frozen=True)
class Case(Generic[Any_]):
    source: Any_
    broken: Any_
    mentions: str
    clock: Clock


Factory = Callable[[Path], Iterator[Case[Any]]]
WINDOWS: dict[str, Factory] = {}
BLOCKS: dict[str, Factory] = {}


def windows(name: str) -> Callable[[Factory], Factory]:
    return lambda factory: WINDOWS.setdefault(name, factory)


def blocks(name: str) -> Callable[[Factory], Factory]:
    return lambda factory: BLOCKS.setdefault(name, factory)


def fleet_file(folder: Path) -> str:
    (folder / "fleet.toml").write_text(FLEET, encoding="utf-8")
    return str(folder / "fleet.toml")


def agent(source: Any) -> AgentSettings:
    return AgentSettings(fleet="harrow-vale", vehicle="hv-101", source=source, outbox=None, window_s=1.0)  # type: ignore[arg-type]  # no source looks at it


@windows("simulated")
def simulated(folder: Path) -> Iterator[Case[Source]]:
    clock = ManualClock(1_780_000_000.0)
    settings = [SimulatedSettings(fleet_file=file) for file in (fleet_file(folder), str(folder / "none.toml"))]
    good, bad = (make_source(agent(one), clock, clock.advance) for one in settings)
    yield Case(good, bad, "none.toml", clock)


@windows("replay")
def replay(folder: Path) -> Iterator[Case[Source]]:
    clock = ManualClock(1_780_000_000.0)
    (folder / "day.csv").write_text(TABLE, encoding="utf-8")
    settings = [ReplaySettings(file=str(folder / name)) for name in ("day.csv", "none.csv")]
    good, bad = (make_source(agent(one), clock, clock.advance) for one in settings)
    yield Case(good, bad, "none.csv", clock)


@windows("combined")
def combined(folder: Path) -> Iterator[Case[Source]]:
    twin = IioTwin(folder, yard())
    twin.start()
    settings = SensorsSettings(
        fleet_file=fleet_file(folder),
        iio=(polled_settings(twin), buffered_settings(twin)),
        recording=(recording_settings(folder),),
        j1939=J1939Settings(file=str(log_file(folder))),
    )
    gone = SensorsSettings(fleet_file=settings.fleet_file, iio=(polled_settings(twin, "none"),))
    clock = SystemClock()
    sources = [combined_source(one, "hv-101", clock, time.sleep, 1.0) for one in (settings, gone)]
    yield Case(*sources, "none", clock)
    twin.stop()


def polled_settings(twin: IioTwin, device: str = "heights") -> IioSettings:
    channel = IioChannelSettings(
        attribute="in_voltage0", channel="height/left", axle=2, table=((500.0, 140.0), (4500.0, 340.0))
    )
    return IioSettings(device=device, channels=(channel,), every_s=0.05, root=str(twin.root))


def buffered_settings(twin: IioTwin, device: str = "axle-2-vibration") -> IioSettings:
    channel = IioChannelSettings(attribute="in_accel_z", channel="acceleration", axle=2)
    folders = {"root": str(twin.root), "device_folder": str(twin.device_folder)}
    return IioSettings(device=device, channels=(channel,), mode="buffered", **folders)


def recording_settings(folder: Path, name: str = "shake.npy") -> RecordingSettings:
    times = np.arange(0.0, 3.0, 1.0 / 1600.0)
    np.save(folder / "shake.npy", np.sin(2.0 * np.pi * 25.0 * times))
    return RecordingSettings(file=str(folder / name), axle=3, rate_hz=1600.0, shaft_speed=1500.0)


def log_file(folder: Path) -> Path:
    """Record three seconds of a simulated truck's bus, as candump -l writes them."""
    twin, lines = CanTwin(demo_fleet(), "hv-101", 1_700_000_000.0), []
    for tick in range(30):
        for place, frame in enumerate(twin.tick()):
            number = f"{frame.number:08X}" if frame.extended else f"{frame.number:03X}"
            lines.append(
                f"({1_700_000_000.0 + tick * TICK_S + 1e-4 * place:.6f}) can0 {number}#{frame.data.hex().upper()}"
            )
    path = folder / "drive.log"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@blocks("iio, polled")
def iio_polled(folder: Path) -> Iterator[Case[BlockSource]]:
    yield from iio(folder, polled_settings)


@blocks("iio, buffered")
def iio_buffered(folder: Path) -> Iterator[Case[BlockSource]]:
    yield from iio(folder, buffered_settings)


def iio(folder: Path, settings: Callable[..., IioSettings]) -> Iterator[Case[BlockSource]]:
    twin, clock = IioTwin(folder, yard()), SystemClock()
    twin.start()
    yield Case(IioSource(settings(twin), clock), IioSource(settings(twin, "none"), clock), "none", clock)
    twin.stop()


def made(folder: Path, **tables: Any) -> BlockSource:
    settings = SensorsSettings(fleet_file=fleet_file(folder), **tables)
    (source,) = block_sources(settings, load_fleet(settings.fleet_file).vehicle("hv-101"), SystemClock())
    return source


@blocks("recording")
def recording(folder: Path) -> Iterator[Case[BlockSource]]:
    good, bad = recording_settings(folder), recording_settings(folder, "none.npy")
    yield Case(made(folder, recording=(good,)), made(folder, recording=(bad,)), "none.npy", SystemClock())


@blocks("j1939, recorded")
def j1939_recorded(folder: Path) -> Iterator[Case[BlockSource]]:
    good, bad = J1939Settings(file=str(log_file(folder))), J1939Settings(file=str(folder / "none.log"))
    yield Case(made(folder, j1939=good), made(folder, j1939=bad), "none.log", SystemClock())


@blocks("j1939, live")
def j1939_live(folder: Path) -> Iterator[Case[BlockSource]]:
    stop = threading.Event()
    good = J1939Settings(interface="virtual", channel=f"contract {folder.name}", listen_only=False)
    bad = J1939Settings(interface="socketcan", channel="none0")

    def drive() -> None:
        twin = CanTwin(demo_fleet(), "hv-101", 1_700_000_000.0)
        with can.Bus(interface="virtual", channel=good.channel) as bus:
            while not stop.wait(TICK_S):
                for frame in twin.tick():
                    bus.send(can.Message(arbitration_id=frame.number, is_extended_id=frame.extended, data=frame.data))

    driver = threading.Thread(target=drive)
    driver.start()
    yield Case(made(folder, j1939=good), made(folder, j1939=bad), "none0", SystemClock())
    stop.set()
    driver.join()


def check_channel(axle: int, name: str, value: float) -> None:
    """Fail where a value is none, is out of its channel's range, or stands in the wrong place."""
    assert math.isfinite(value), f"{name} is {value}"
    if name in INDEX:
        channel = CHANNELS[INDEX[name]]
        assert (axle > 0) == (channel.scope is Scope.AXLE), f"{name} stands at axle {axle}"
        assert channel.low <= value <= channel.high, f"{name} is {value} {channel.unit}"
        assert not channel.derived, f"{name} is computed in the office"


def check_values(values: list[Sample]) -> None:
    last: dict[tuple[int, str], float] = {}
    for sample in values:
        check_channel(sample.axle, sample.channel, sample.value)
        key = sample.axle, sample.channel
        assert sample.elapsed_s >= last.get(key, -math.inf), f"{key} goes back in time"
        last[key] = sample.elapsed_s


def check_pieces(pieces: list[Piece]) -> None:
    ends: dict[str, float] = {}
    for piece in pieces:
        assert piece.quantity in {"acceleration", "tacho"} and piece.sensor
        assert piece.axle > 0 or piece.quantity == "tacho"
        assert piece.samples.ndim == 1 and piece.samples.size > 0 and piece.rate_hz > 0.0
        assert piece.missing >= 0 and 0 <= piece.clipped <= piece.samples.size
        # A piece never begins before the last one has ended, but for what a held-up reader has yet to learn of delays.
        assert piece.elapsed_s > ends.get(piece.sensor, -math.inf) - 0.2
        ends[piece.sensor] = piece.elapsed_s + piece.samples.size / piece.rate_hz


class TestBlocks:
    """Sources of blocks."""

    @pytest.fixture(params=sorted(BLOCKS))
    def case(self, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Case[BlockSource]]:
        with contextlib.contextmanager(BLOCKS[request.param])(tmp_path) as case:
            yield case
            case.source.close()
            case.broken.close()

    def gather(self, case: Case[BlockSource], seconds: float) -> tuple[list[Sample], list[Piece]]:
        values: list[Sample] = []
        pieces: list[Piece] = []
        end_s = time.monotonic() + PATIENCE_S
        until_s = time.monotonic() + seconds
        while (not values and not pieces and time.monotonic() < end_s) or time.monotonic() < until_s:
            block = case.source.read(0.1)
            assert isinstance(block, Block)
            values += block.values
            pieces += block.pieces
        assert values or pieces, "nothing came"
        return values, pieces

    def test_what_it_gives_is_plausible_in_place_and_in_order_and_it_says_that_it_is_well(
        self, case: Case[BlockSource]
    ) -> None:
        opened_s = case.clock.elapsed()
        case.source.open()
        values, pieces = self.gather(case, 1.0)
        check_values(values)
        check_pieces(pieces)
        times = [sample.elapsed_s for sample in values] + [piece.elapsed_s for piece in pieces]
        assert opened_s - 0.5 <= min(times) and max(times) <= case.clock.elapsed() + 0.5
        health = case.source.health()
        assert health.name == case.source.name != ""
        assert health.state == "ok", health.note

    def test_reading_never_waits_longer_than_it_may(self, case: Case[BlockSource]) -> None:
        case.source.open()
        for timeout_s in (0.0, 0.05, 0.0, 0.2):
            begun_s = time.monotonic()
            case.source.read(timeout_s)
            # Generous: the machine may be busy.
            assert time.monotonic() - begun_s < timeout_s + 0.8

    def test_it_is_closed_twice_without_harm_and_can_be_opened_again(self, case: Case[BlockSource]) -> None:
        case.source.close()
        for _ in range(2):
            case.source.open()
            self.gather(case, 0.1)
            case.source.close()
            case.source.close()

    def test_when_closed_it_gives_nothing(self, case: Case[BlockSource]) -> None:
        case.source.open()
        case.source.close()
        with contextlib.suppress(SourceError):
            block = case.source.read(0.05)
            assert not block.values and not block.pieces

    def test_what_cannot_be_opened_is_told_by_a_typed_error_that_names_it(self, case: Case[BlockSource]) -> None:
        for _ in range(2):
            with pytest.raises(SourceError, match=case.mentions):
                case.broken.open()
        case.broken.close()


class TestWindows:
    """Sources of windows."""

    @pytest.fixture(params=sorted(WINDOWS))
    def case(self, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Case[Source]]:
        with contextlib.contextmanager(WINDOWS[request.param])(tmp_path) as case:
            yield case
            case.source.close()
            case.broken.close()

    def gather(self, case: Case[Source], count: int = 2) -> list[Window]:
        found: list[Window] = []
        end_s = time.monotonic() + PATIENCE_S
        while len(found) < count and not case.source.finished and time.monotonic() < end_s:
            window = case.source.read(0.2)
            if window is not None:
                found.append(window)
        assert len(found) >= count, "too few windows came"
        return found

    def test_windows_come_in_order_of_time_and_never_ahead_of_the_clock(self, case: Case[Source]) -> None:
        case.source.open()
        times = [window.time_s for window in self.gather(case, 3)]
        assert np.all(np.diff(times) > 0.0)
        assert times[-1] <= case.clock.now()

    def test_values_are_plausible_in_their_channels_unit_and_place(self, case: Case[Source]) -> None:
        case.source.open()
        told = 0
        for window in self.gather(case):
            for axle, channels in ((0, window.vehicle), *window.axles.items()):
                for name, value in channels.items():
                    check_channel(axle, name, value)
                    told += 1
        assert told > 0

    def test_reading_never_waits_longer_than_it_may(self, case: Case[Source]) -> None:
        case.source.open()
        for timeout_s in (0.0, 0.05, 0.0, 0.2):
            begun_s = time.monotonic()
            case.source.read(timeout_s)
            assert time.monotonic() - begun_s < timeout_s + 0.8

    def test_what_was_handed_out_before_is_not_handed_out_again(self, case: Case[Source]) -> None:
        case.source.open()
        after_s = self.gather(case, 1)[0].time_s
        case.source.close()
        case.source.open(after_s)
        assert self.gather(case, 1)[0].time_s > after_s

    def test_the_window_can_be_changed_or_it_is_said_that_it_cannot(self, case: Case[Source]) -> None:
        case.source.open()
        try:
            case.source.set_window(2.0)
        except SourceError as error:
            assert "2 s" in str(error)
        else:
            times = [window.time_s for window in self.gather(case, 3)]
            assert times[2] - times[1] == pytest.approx(2.0, abs=0.01)

    def test_it_is_closed_twice_without_harm_and_can_be_opened_again(self, case: Case[Source]) -> None:
        case.source.close()
        for _ in range(2):
            case.source.open()
            self.gather(case, 1)
            case.source.close()
            case.source.close()

    def test_trouble_is_told_by_a_typed_error_or_by_the_health_of_the_part(self, case: Case[Source]) -> None:
        if not isinstance(case.broken, CombinedSource):
            with pytest.raises(ModelError, match=case.mentions):
                case.broken.open()
                case.broken.read(0.05)
            return
        case.broken.open()
        end_s = time.monotonic() + PATIENCE_S
        while case.broken.health()[0].state != "failed" and time.monotonic() < end_s:
            case.broken.read(0.05)
        assert case.mentions in case.broken.health()[0].note
