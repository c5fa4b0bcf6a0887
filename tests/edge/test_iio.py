"""Linux Industrial I/O: attributes, scans, times, and devices that are pulled out and plugged in again.

The devices are the twins that ship with the code; what their numbers mean is checked against the kernel's ABI
document (Documentation/ABI/testing/sysfs-bus-iio) by hand-written attributes and bytes.
"""

from __future__ import annotations

import errno
import os
import struct
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal

from axlewright_edge.clock import ManualClock, SystemClock
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.blocks import Block, Piece
from axlewright_edge.sources.iio import IioSource
from axlewright_edge.sources.iio_buffer import Layout, parse_type
from axlewright_edge.sources.iio_settings import IioChannelSettings, IioSettings
from axlewright_edge.sources.iio_tacho import PulseCounter
from axlewright_edge.sources.iio_times import ScanTimes
from axlewright_edge.sources.iio_twin import IioTwin, TwinChannel, TwinDevice, sines

HEIGHT_TABLE = ((500.0, 140.0), (4500.0, 340.0))


def attributes(folder: Path, **texts: str) -> Path:
    """Write a device by hand, as a driver would show it."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        (folder / name).write_text(f"{text}\n", encoding="utf-8")
    return folder


def channel(attribute: str, name: str, **keys: Any) -> IioChannelSettings:
    return IioChannelSettings(attribute=attribute, channel=name, axle=keys.pop("axle", 2), **keys)


def polled(root: Path, device: str, *channels: IioChannelSettings) -> IioSource:
    settings = IioSettings(device=device, channels=channels, root=str(root))
    clock = ManualClock(1.8e9)
    return IioSource(settings, clock, clock.advance)


def values(block: Block) -> dict[str, float]:
    return {sample.channel: sample.value for sample in block.values}


@pytest.mark.parametrize(
    ("texts", "one", "expected"),
    [
        # Scaled by the driver: milli degrees Celsius.
        ({"in_temp0_input": "91250"}, channel("in_temp0", "lube"), 91.25),
        # (raw + offset) * scale, and again milli degrees.
        ({"in_temp_raw": "1820", "in_temp_offset": "-273", "in_temp_scale": "50"}, channel("in_temp", "lube"), 77.35),
        # A scale that all voltages share, in millivolts; two points of a calibration.
        ({"in_voltage3_raw": "20000", "in_voltage_scale": "0.125"}, channel("in_voltage3", "height/left"), 2500.0),
        (
            {"in_voltage3_raw": "20000", "in_voltage_scale": "0.125"},
            channel("in_voltage3", "height/left", table=HEIGHT_TABLE),
            240.0,
        ),
        # The channel's own scale stands before the shared one, and the file's before both.
        (
            {"in_voltage3_raw": "1000", "in_voltage_scale": "9", "in_voltage3_scale": "0.5"},
            channel("in_voltage3", "height/left", factor=0.1, shift=200.0),
            250.0,
        ),
        ({"in_voltage3_raw": "1000"}, channel("in_voltage3", "height/left", scale=0.25, offset=-200.0), 200.0),
        ({"in_pressure0_input": "412.5"}, channel("in_pressure0", "bellows/left"), 412.5),
        # Metres.
        ({"in_distance_input": "0.2415"}, channel("in_distance", "height/left"), 241.5),
    ],
)
def test_a_number_means_what_the_kernels_document_says(
    texts: dict[str, str], one: IioChannelSettings, expected: float, tmp_path: Path
) -> None:
    attributes(tmp_path / "iio:device0", name="chip", **texts)
    source = polled(tmp_path, "chip", one)
    source.open()
    assert values(source.read(0.0)) == {one.channel: pytest.approx(expected)}


def test_a_calibration_of_many_points_is_straight_between_them(tmp_path: Path) -> None:
    table = ((0.0, 100.0), (1000.0, 200.0), (2000.0, 400.0))
    for volts, expected in ((500.0, 150.0), (1500.0, 300.0), (2100.0, 420.0), (-100.0, 90.0)):
        attributes(tmp_path / "iio:device0", in_voltage0_raw=f"{volts:g}", in_voltage0_scale="1")
        source = polled(tmp_path, "iio:device0", channel("in_voltage0", "height/left", table=table))
        source.open()
        assert values(source.read(0.0))["height/left"] == pytest.approx(expected)


def test_a_broken_wire_is_silence_and_is_said(tmp_path: Path) -> None:
    folder = attributes(tmp_path / "iio:device0", name="adc", in_voltage0_raw="0", in_voltage0_scale="1")
    attributes(folder, in_voltage1_raw="2500", in_voltage1_scale="1")
    source = polled(
        tmp_path,
        "adc",
        channel("in_voltage0", "height/left", table=HEIGHT_TABLE),
        channel("in_voltage1", "height/right", table=HEIGHT_TABLE),
    )
    source.open()
    for _ in range(12):
        block = source.read(0.5)
        assert not block.values or values(block) == {"height/right": 240.0}
    assert source.health().state == "stale"
    assert "in_voltage0_raw: reads far outside its table; look for a broken wire" in source.health().note
    attributes(folder, in_voltage0_raw="2500")
    for _ in range(4):
        source.read(0.5)
    assert source.health().state == "ok"


@pytest.mark.parametrize(
    ("texts", "one", "device", "problem"),
    [
        ({}, channel("in_temp0", "lube"), "chip", r"iio:device0/in_temp0_raw: the device has no such attribute"),
        ({"in_temp1_raw": "1"}, channel("in_temp0", "lube"), "chip", r"nor in_temp0_input; it has in_temp1"),
        ({"in_temp0_raw": "1"}, channel("in_temp0", "lube"), "chip", r"in_temp0_scale: the device tells no scale"),
        ({"in_temp0_raw": "1", "in_temp0_scale": "x"}, channel("in_temp0", "lube"), "chip", "holds 'x', no number"),
        ({"in_temp0_input": "1"}, channel("in_temp0", "lube"), "other", r"no device is called 'other' .*device0 chip"),
    ],
)
def test_what_is_wrong_with_a_device_is_named(
    texts: dict[str, str], one: IioChannelSettings, device: str, problem: str, tmp_path: Path
) -> None:
    attributes(tmp_path / "iio:device0", name="chip", **texts)
    with pytest.raises(SourceError, match=problem):
        polled(tmp_path, device, one).open()


def test_two_devices_of_one_name_are_told_apart_by_their_labels(tmp_path: Path) -> None:
    attributes(tmp_path / "iio:device0", name="rtd", label="axle-2", in_temp_input="80000")
    attributes(tmp_path / "iio:device1", name="rtd", label="axle-3", in_temp_input="70000")
    with pytest.raises(SourceError, match="iio:device0, iio:device1 are all called 'rtd'"):
        polled(tmp_path, "rtd", channel("in_temp", "lube")).open()
    source = polled(tmp_path, "axle-3", channel("in_temp", "lube", axle=3))
    source.open()
    assert values(source.read(0.0)) == {"lube": 70.0}


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match=r"none: cannot be listed: No such file"):
        polled(tmp_path / "none", "chip", channel("in_temp", "lube")).open()


@pytest.mark.parametrize("text", ["le:s12/16>", "s12/16", "le:s12/24", "le:s20/16", "le:s16/16X3", "le:f32/32"])
def test_a_form_that_is_not_understood_is_refused(text: str) -> None:
    with pytest.raises(SourceError, match="in_x_type"):
        parse_type(text, "in_x_type")


def test_scans_are_read_as_a_c_program_would_lay_them_out() -> None:
    # A 12-bit number in the upper bits of a 16-bit word, a big-endian 24-bit one in 32 bits, a 64-bit stamp; each
    # aligned to its own size, as the compiler pads: 2 + (2) + 4 = 8, then 8.
    layout = Layout(
        {
            "a": parse_type("le:s12/16>>4", "a"),
            "b": parse_type("be:u24/32>>8", "b"),
            "in_timestamp": parse_type("le:s64/64>>0", "t"),
        }
    )
    packed = struct.pack("<H2x", (-5 & 0xFFF) << 4 | 0xF) + struct.pack(">I", 0xABCDEF << 8 | 0x77)
    packed += struct.pack("<q", 1_700_000_000_123_456_789)
    assert layout.size == len(packed) == 16
    decoded = layout.decode(packed * 2)
    assert_array_equal(decoded["a"], [-5, -5])
    assert_array_equal(decoded["b"], [0xABCDEF] * 2)
    assert_array_equal(decoded["in_timestamp"], [1_700_000_000_123_456_789] * 2)


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["le", "be"]), st.sampled_from("su"), st.sampled_from([8, 16, 32, 64]), st.integers(0, 7)
        ),
        min_size=1,
        max_size=5,
    ),
    st.integers(0, 2**32),
)
def test_any_layout_gives_back_what_was_put_in(forms: list[tuple[str, str, int, int]], seed: int) -> None:
    chance = np.random.default_rng(seed)
    elements = {
        f"e{number}": parse_type(
            f"{end}:{sign}{bits - shift - (sign == 'u' and bits == 64 and shift == 0)}/{bits}>>{shift}", "e"
        )
        for number, (end, sign, bits, shift) in enumerate(forms)
    }
    columns = {
        name: chance.integers(one.lowest, one.highest, 7, endpoint=True, dtype=np.int64)
        for name, one in elements.items()
    }
    layout = Layout(elements)
    decoded = layout.decode(layout.encode(columns))
    for name, numbers in columns.items():
        assert_array_equal(decoded[name], numbers)


def arrivals(times: ScanTimes, rate_hz: float, stamped: bool, lost: range = range(0)) -> tuple[np.ndarray, int]:
    """Feed 100 s of runs of 0.1 s that arrive up to 60 ms late; return the error of each run's time and the losses."""
    chance = np.random.default_rng(8)
    size, errors, missing = round(0.1 * rate_hz), [], 0
    for number in range(1000):
        first_s = number * size / rate_hz
        if number in lost:
            continue
        last_s = first_s + (size - 1) / rate_hz
        arrived_s = last_s + 0.001 + 0.06 * chance.random() ** 4
        # The driver's clock is another one altogether.
        placed = times.place(size, arrived_s, (5e5 + first_s, 5e5 + last_s) if stamped else None)
        errors.append(placed.elapsed_s - first_s)
        missing += placed.missing
    return np.array(errors), missing


@pytest.mark.parametrize("stamped", [True, False])
@pytest.mark.parametrize("rate_error", [0.0, 1e-4])
def test_times_are_right_to_milliseconds_though_transfers_come_late(stamped: bool, rate_error: float) -> None:
    errors, missing = arrivals(ScanTimes(1000.0), 1000.0 * (1.0 + rate_error), stamped)
    assert missing == 0
    assert np.abs(errors[50:]).max() < (0.005 if stamped else 0.02)


@pytest.mark.parametrize("stamped", [True, False])
def test_lost_scans_are_counted(stamped: bool) -> None:
    _, missing = arrivals(ScanTimes(1000.0), 1000.0, stamped, lost=range(500, 510))
    # Without stamps a loss is only known to the jitter of the transfers.
    assert missing == 1000 if stamped else abs(missing - 1000) < 70


def test_the_rate_of_an_oscillator_that_is_off_is_measured_by_the_stamps() -> None:
    times = ScanTimes(1000.0)
    arrivals(times, 1030.0, stamped=True)
    # Runs of 103 scans are made of whole scans: the measure is exact but for the rounding of that.
    assert times.rate_hz == pytest.approx(1030.0, rel=1e-3)


def test_a_driver_clock_that_is_stepped_moves_no_sample() -> None:
    times = ScanTimes(100.0)
    for number in range(100):
        at_s = 0.1 * number
        step_s = 3600.0 if number >= 50 else 0.0
        placed = times.place(10, at_s + 0.1, (at_s + step_s, at_s + 0.09 + step_s))
        assert placed.elapsed_s == pytest.approx(at_s + 0.01, abs=0.001)
        assert placed.missing == 0


RATE_HZ = 1600.0


def accelerometer(**keys: Any) -> TwinDevice:
    shake = sines(9.81, (2.0, 25.3), (0.5, 202.4))
    other = sines(0.0, (1.0, 41.7))
    channels = [
        TwinChannel("in_accel_z", shake, 0.01, form="le:s12/16>>4"),
        TwinChannel("in_accel_x", other, 0.002, offset=-100.0, form="be:s20/32>>0"),
    ]
    return TwinDevice(0, "accelerometer", channels, "pinion", RATE_HZ, **keys)


@pytest.fixture
def plug(tmp_path: Path) -> Iterator[Callable[..., IioTwin]]:
    twins: list[IioTwin] = []

    def _plug(*devices: TwinDevice) -> IioTwin:
        twin = IioTwin(tmp_path, devices)
        twin.start()
        twins.append(twin)
        return twin

    yield _plug
    for twin in twins:
        twin.stop()


def stream(twin: IioTwin, *channels: IioChannelSettings, **keys: Any) -> IioSource:
    one = channel("in_accel_z", "acceleration", sensor="z")
    settings = IioSettings(
        device="pinion",
        mode="buffered",
        channels=channels or (one,),
        root=str(twin.root),
        device_folder=str(twin.device_folder),
        **keys,
    )
    return IioSource(settings, SystemClock())


def gather(source: IioSource, seconds: float) -> list[Piece]:
    found: list[Piece] = []
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        found += source.read(0.1).pieces
    return found


@pytest.mark.parametrize("stamped", [True, False], ids=["with stamps", "without stamps"])
def test_a_device_driven_at_rate_gives_every_sample_once_in_its_unit(
    stamped: bool, plug: Callable[..., IioTwin]
) -> None:
    twin = plug(accelerometer(stamped=stamped))
    source = stream(
        twin, channel("in_accel_z", "acceleration", sensor="z"), channel("in_accel_x", "acceleration", sensor="x")
    )
    source.open()
    begun_s = SystemClock().elapsed()
    found = gather(source, 2.5)
    source.close()
    for name, mean, frequency_hz, amplitude, step in (("z", 9.81, 25.3, 2.0, 0.01), ("x", 0.0, 41.7, 1.0, 0.002)):
        mine = [piece for piece in found if piece.sensor == name]
        samples = np.concatenate([piece.samples for piece in mine]).astype(np.float64)
        assert sum(piece.missing for piece in mine) == 0
        assert samples.size == pytest.approx(2.4 * RATE_HZ, rel=0.1)
        assert begun_s - 0.2 <= mine[0].elapsed_s <= begun_s + 0.5
        # A sine fitted to all samples: were one lost or doubled, its phase would slip by 0.1 to 0.16 rad.
        phase = 2.0 * np.pi * frequency_hz * np.arange(samples.size) / RATE_HZ
        columns = [np.ones_like(phase), np.cos(phase), np.sin(phase)]
        if name == "z":
            columns += [np.cos(8.0 * phase), np.sin(8.0 * phase)]
        fit, *_ = np.linalg.lstsq(np.stack(columns, axis=1), samples, rcond=None)
        assert fit[0] == pytest.approx(mean, abs=0.01)
        assert np.hypot(fit[1], fit[2]) == pytest.approx(amplitude, rel=0.01)
        # What is left is the converter's step: step / sqrt(12).
        assert np.std(samples - np.stack(columns, axis=1) @ fit) == pytest.approx(step / np.sqrt(12.0), rel=0.2)


def test_times_of_pieces_follow_each_other(plug: Callable[..., IioTwin]) -> None:
    source = stream(plug(accelerometer()))
    source.open()
    found = gather(source, 1.0)
    source.close()
    check_times(found)


def check_times(pieces: list[Piece]) -> None:
    """Fail where pieces leave gaps. A reader that the machine has held up learns later how soon scans can come: then
    the times are set back once, and never forward."""
    ends = [piece.elapsed_s + piece.samples.size / piece.rate_hz for piece in pieces]
    steps = np.array([piece.elapsed_s for piece in pieces[1:]]) - ends[:-1]
    assert np.median(np.abs(steps)) < 1e-3
    assert steps.max() < 0.005 and steps.sum() > -0.3


def test_scans_that_a_full_buffer_lost_are_missed_in_the_middle_of_what_is_read_at_once(
    plug: Callable[..., IioTwin],
) -> None:
    twin = plug(accelerometer())
    source = stream(twin)
    source.open()
    gather(source, 0.5)
    twin.silence("iio:device0")
    gather(source, 0.7)
    device = twin._runs["iio:device0"]
    places = np.concatenate([np.arange(100), 600 + np.arange(100)])  # 500 scans are lost
    stamps = round((SystemClock().elapsed() - 0.45) * 1e9) + np.rint(1e9 * places / RATE_HZ).astype(np.int64)
    late = np.array([0, 900_000, 0, 0] * 50)  # one scan in four is stamped late: no loss
    numbers = {"in_accel_z": places % 100, "in_timestamp": stamps + late}
    os.write(device._pipe, device._layout.encode(numbers))
    first, second = gather(source, 0.2)
    source.close()
    assert (first.samples.size, second.samples.size, second.missing) == (100, 100, 500)
    assert second.elapsed_s - first.elapsed_s == pytest.approx(600 / RATE_HZ, abs=0.001)


def test_a_clipped_converter_is_counted(plug: Callable[..., IioTwin]) -> None:
    loud = TwinChannel("in_accel_z", sines(0.0, (40.0, 25.0)), 0.01, form="le:s12/16>>4")
    source = stream(plug(TwinDevice(0, "loud", [loud], "pinion", RATE_HZ)))
    source.open()
    found = gather(source, 0.5)
    source.close()
    # 12 bits of 0.01 m/s2 end at 20.47: a sine of 40 spends 2/3 of its time beyond half of its amplitude.
    share = sum(piece.clipped for piece in found) / sum(piece.samples.size for piece in found)
    assert share == pytest.approx(2.0 / 3.0, abs=0.06)


@pytest.mark.parametrize("size", [7, 64, 1000, 8000])
@pytest.mark.parametrize("pulses_per_turn", [1, 4])
def test_turns_from_pulses_are_those_of_the_shaft_however_the_runs_are_cut(size: int, pulses_per_turn: int) -> None:
    rate_hz = 3200.0
    times = np.arange(0.0, 5.0, 1.0 / rate_hz)
    shaft = 12.0 * times + 1.5 * times**2
    chance = np.random.default_rng(3)
    signal = 1500.0 + 1400.0 * np.sin(2.0 * np.pi * pulses_per_turn * shaft) + 30.0 * chance.standard_normal(times.size)
    counter = PulseCounter(1500.0, pulses_per_turn)
    told = [counter.take(signal[first : first + size], rate_hz) for first in range(0, times.size, size)]
    turns = np.concatenate([run for run, _ in told])
    firsts = [first for run, first in told if run.size]
    assert [first + run.size for run, first in told if run.size][:-1] == firsts[1:], "runs do not follow each other"
    assert turns.size > 0.9 * times.size
    true = shaft[firsts[0] : firsts[0] + turns.size]
    # Where the count begins nobody knows; noise of 30 mV on an edge of 1400 moves a pulse by 0.004 of its spacing.
    assert np.std(turns - true) < 0.008 / pulses_per_turn
    assert np.abs(turns - true - np.mean(turns - true)).max() < 0.03 / pulses_per_turn


def test_a_standing_shaft_gives_no_turns_and_the_count_goes_on_afterwards() -> None:
    rate_hz = 1000.0
    pulse = np.repeat([0.0, 3000.0], 25)
    counter = PulseCounter(1500.0, 1)
    before, _ = counter.take(np.tile(pulse, 20), rate_hz)
    standing, _ = counter.take(np.zeros(3000), rate_hz)
    after, first = counter.take(np.tile(pulse, 20), rate_hz)
    assert standing.size == 0
    # Twenty pulses before; the first one after it is number 20, counted from 0.
    assert after[0] == pytest.approx(20.0, abs=0.05)
    assert first == 4000 + 25
    assert np.all(np.diff(np.concatenate([before, after])) > 0.0)


def test_scans_that_are_lost_break_the_turns_off_instead_of_guessing() -> None:
    pulse = np.repeat([0.0, 3000.0], 25)
    counter = PulseCounter(1500.0, 1)
    counter.take(np.tile(pulse, 20), 1000.0)
    counter.lost(300)
    turns, first = counter.take(np.tile(pulse, 20), 1000.0)
    assert first == 1300 + 25 and turns.size > 800


def test_a_tacho_on_a_converter_tells_the_shafts_turns(plug: Callable[..., IioTwin]) -> None:
    tacho = TwinChannel("in_voltage0", sines(1500.0, (1400.0, 20.0)), 0.5, form="le:u16/16>>0")
    source = stream(
        plug(TwinDevice(0, "adc", [tacho], "pinion", RATE_HZ)),
        channel("in_voltage0", "tacho", axle=0, threshold=1500.0, sensor="shaft"),
    )
    source.open()
    found = gather(source, 1.5)
    source.close()
    turns = np.concatenate([piece.samples for piece in found])
    assert {(piece.quantity, piece.sensor) for piece in found} == {("tacho", "shaft")}
    check_times(found)
    assert (turns[-1] - turns[0]) / (turns.size - 1) * RATE_HZ == pytest.approx(20.0, rel=1e-3)


def test_a_slow_channel_in_a_fast_buffer_becomes_values(plug: Callable[..., IioTwin]) -> None:
    twin = plug(
        TwinDevice(0, "adc", [TwinChannel("in_voltage0", sines(2500.0), 0.5, form="le:u16/16>>0")], "pinion", 400.0)
    )
    source = stream(twin, channel("in_voltage0", "height/left", table=HEIGHT_TABLE))
    source.open()
    found = []
    for _ in range(10):
        found += source.read(0.1).values
    source.close()
    assert {sample.value for sample in found} == {240.0}
    assert len(found) >= 10
    assert np.all(np.diff([sample.elapsed_s for sample in found]) > 0.0)


def test_a_device_that_is_pulled_out_says_so_and_works_again_when_plugged_in(plug: Callable[..., IioTwin]) -> None:
    twin = plug(accelerometer())
    source = stream(twin)
    source.open()
    assert gather(source, 0.3)
    twin.unplug("iio:device0")
    with pytest.raises(SourceError, match="has ended; look at the device's plug and supply"):
        gather(source, 2.0)
    source.close()
    with pytest.raises(SourceError, match="no device is called 'pinion'"):
        source.open()
    twin.plug("iio:device0")
    source.open()
    assert gather(source, 0.5)
    source.close()


def test_a_stream_that_falls_silent_is_said(plug: Callable[..., IioTwin], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("axlewright_edge.sources.iio_stream.SILENT_S", 0.3)
    twin = plug(accelerometer())
    source = stream(twin)
    source.open()
    gather(source, 0.2)
    assert source.health().state == "ok"
    twin.silence("iio:device0")
    gather(source, 0.5)
    assert source.health().state == "stale"
    assert "no scan for" in source.health().note
    source.close()


def test_a_buffer_that_another_program_switched_off_is_opened_anew(
    plug: Callable[..., IioTwin], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_edge.sources.iio_stream.SILENT_S", 0.3)
    monkeypatch.setattr("axlewright_edge.sources.iio_stream.REOPEN_AFTER_S", 0.4)
    twin = plug(accelerometer())
    source = stream(twin)
    source.open()
    assert gather(source, 0.2)
    (twin.root / "iio:device0" / "buffer" / "enable").write_text("0")
    with pytest.raises(SourceError, match=r"no scan for .* is opened anew"):
        gather(source, 3.0)
    source.close()
    source.open()
    assert gather(source, 0.3)
    source.close()


def test_the_buffer_is_set_up_as_asked_and_switched_off_again(plug: Callable[..., IioTwin]) -> None:
    twin = plug(accelerometer(extra={"trigger/current_trigger": "none"}))
    source = stream(twin, rate_hz=800.0, trigger="axle-trigger")
    source.open()
    folder = twin.root / "iio:device0"
    told = {
        name: (folder / name).read_text(encoding="utf-8").strip()
        for name in (
            "sampling_frequency",
            "buffer/enable",
            "buffer/length",
            "trigger/current_trigger",
            "current_timestamp_clock",
            "scan_elements/in_accel_z_en",
            "scan_elements/in_accel_x_en",
            "scan_elements/in_timestamp_en",
        )
    }
    assert list(told.values()) == ["800", "1", "1600", "axle-trigger", "boottime", "1", "0", "1"]
    source.close()
    assert (folder / "buffer" / "enable").read_text(encoding="utf-8").strip() == "0"


def test_a_device_that_a_timer_triggers_is_driven_at_the_timers_rate(plug: Callable[..., IioTwin]) -> None:
    twin = plug(accelerometer(extra={"trigger/current_trigger": "none"}))
    (twin.root / "iio:device0" / "sampling_frequency").unlink()
    attributes(twin.root / "trigger0", name="other", sampling_frequency="10")
    attributes(twin.root / "trigger1", name="timer", sampling_frequency="100")
    source = stream(twin, rate_hz=RATE_HZ, trigger="timer")
    source.open()
    source.close()
    told = [(twin.root / f"trigger{n}" / "sampling_frequency").read_text(encoding="utf-8").strip() for n in (0, 1)]
    assert told == ["10", "1600"]


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        ({"scan_elements/in_accel_z_type": "le:x12/16"}, "in_accel_z_type: 'le:x12/16' is not understood"),
        ({"sampling_frequency": "0"}, "sampling_frequency: is 0; give a rate"),
        ({"in_accel_z_scale": "much"}, "in_accel_z_scale: holds 'much', no number"),
    ],
)
def test_what_is_wrong_with_a_buffer_is_named(
    change: dict[str, str], problem: str, plug: Callable[..., IioTwin]
) -> None:
    twin = plug(accelerometer())
    for name, text in change.items():
        (twin.root / "iio:device0" / name).write_text(text, encoding="utf-8")
    with pytest.raises(SourceError, match=problem):
        stream(twin).open()


def test_a_device_that_another_program_reads_is_left_as_it_is(
    plug: Callable[..., IioTwin], monkeypatch: pytest.MonkeyPatch
) -> None:
    twin = plug(accelerometer())
    enable = twin.root / "iio:device0" / "buffer" / "enable"
    enable.write_text("1", encoding="utf-8")

    def busy(*_: object) -> int:
        raise OSError(errno.EBUSY, "Device or resource busy")

    monkeypatch.setattr("axlewright_edge.sources.iio_stream.os.open", busy)
    with pytest.raises(SourceError, match=r"iio:device0: cannot be opened: .*; another program reads the device"):
        stream(twin).open()
    assert enable.read_text(encoding="utf-8") == "1"


def test_an_element_that_the_device_lacks_is_named_with_those_it_has(plug: Callable[..., IioTwin]) -> None:
    twin = plug(accelerometer())
    with pytest.raises(SourceError, match=r"in_accel_y_en: the device has no such element; it has in_accel_x, in_acc"):
        stream(twin, channel("in_accel_y", "acceleration")).open()


def test_a_missing_buffer_attribute_is_named_with_the_remedy(plug: Callable[..., IioTwin]) -> None:
    twin = plug(accelerometer())
    (twin.root / "iio:device0" / "buffer" / "length").unlink()
    with pytest.raises(
        SourceError, match=r"buffer/length: 3200 cannot be written: No such file .*; look into the fold"
    ):
        stream(twin).open()
