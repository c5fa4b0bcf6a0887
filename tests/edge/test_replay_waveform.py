"""`axlewright replay` of raw waveforms: the windows of `describe --table`, at any speed, and plain errors."""

from __future__ import annotations

import signal
import threading
import time
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from numpy.typing import NDArray
from pyarrow import parquet
from scipy.io import savemat

from axlewright_edge.clock import SystemClock
from axlewright_edge.commands import REPLAY
from axlewright_edge.config import BrokerSettings
from axlewright_edge.describe_options import begin_of, form_of, subject_of
from axlewright_edge.replay_readings import TableReadings, WaveformReadings, is_table
from axlewright_edge.replaying import Replay, Shift
from axlewright_models.command_line import main
from axlewright_models.wire.frames import Window

RATE_HZ = 2000.0
BEGIN = "2026-05-04T06:00:00Z"
BEGIN_S = 1777874400.0
FLEET = """
fleet = "yard"
name = "One yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.t-1]
type = "tractor"
"""
TRUCK = ("--vehicle", "t-1", "--axle", "2")
TEETH = ("--teeth", "41/12", "--bearing", "17,14,90,15")


@pytest.fixture(autouse=True)
def signals_as_before() -> Any:
    before = [(number, signal.getsignal(number)) for number in (signal.SIGTERM, signal.SIGINT)]
    yield
    for number, handler in before:
        signal.signal(number, handler)


def samples(seconds: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return acceleration with a line twice and twelve times a turn, and the turns: the shaft speeds up a little."""
    times = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    turns = 24.0 * times + 0.05 * times**2
    noise = np.random.default_rng(5).normal(0.0, 0.4, times.size)
    return noise + 1.5 * np.sin(4.0 * np.pi * turns) + np.sin(24.0 * np.pi * turns), turns


def record(path: Path, seconds: float = 5.0) -> tuple[str, ...]:
    """Write a recording of the file's kind; return the options that tell how to read it."""
    acceleration, turns = samples(seconds)
    shaft_rpm = 60.0 * np.gradient(turns) * RATE_HZ
    if path.suffix == ".npy":
        np.save(path, np.stack([acceleration, turns]))
        return ("--rate", "2000", "--turns", "2")
    if path.suffix == ".mat":
        savemat(path, {"acceleration": acceleration, "turns": turns})
        return ("--rate", "2000", "--turns", "turns")
    if path.suffix == ".wav":
        with wave.open(str(path), "wb") as file:
            file.setparams((1, 2, int(RATE_HZ), 0, "NONE", ""))
            file.writeframes((acceleration * 3000.0).astype("<i2").tobytes())
        return ("--scale", "10.9", "--road-speed", "80")
    columns = {"time_s": np.arange(turns.size) / RATE_HZ, "acceleration": acceleration}
    if path.suffix == ".parquet":
        parquet.write_table(pa.table(columns | {"shaft": shaft_rpm}), path)
        return ("--shaft-speed", "shaft")
    pulse = np.where(turns % 1.0 < 0.5, 5.0, 0.0)
    rows = np.stack([*columns.values(), pulse], axis=1)
    np.savetxt(path, rows, delimiter=",", header="time_s,acceleration,pulse", comments="")
    return ("--tacho", "pulse")


def described(path: Path, words: tuple[str, ...]) -> list[tuple[str, Window]]:
    """Return the windows of the table that `axlewright describe` makes of a recording."""
    table = path.with_name("windows.csv")
    assert main(["describe", str(path), *TRUCK, *words, "--begin", BEGIN, "--table", str(table)]) == 0
    assert is_table(table)
    return list(TableReadings(table).windows(()))


def readings(path: Path, words: tuple[str, ...], begin: str = BEGIN) -> WaveformReadings:
    options = REPLAY.parser().parse_args([str(path), "--broker", "mqtt://a", *TRUCK, *words])
    form, subject = form_of(options, "--road-speed"), subject_of(options, "t-1")
    return WaveformReadings(path, form, subject, "t-1", begin_of(begin), options.window)


@pytest.mark.parametrize("kind", [".npy", ".csv", ".parquet", ".wav", ".mat"])
def test_a_waveform_gives_the_windows_of_its_table_to_the_last_bit(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"run{kind}"
    words = (*record(path), *TEETH, "--window", "2")
    assert not is_table(path)
    direct = readings(path, words)
    windows = list(direct.windows(()))
    assert windows == described(path, words)
    assert [round(window.time_s - BEGIN_S, 6) for _, window in windows] == [2.0, 4.0, 5.0]
    assert direct.last_s() == windows[-1][1].time_s
    channels = windows[0][1].axles[2]
    assert {"vib/rms", "vib/order/driveshaft-2", "vib/order/mesh-1"} <= channels.keys()
    assert windows[0][1].vehicle["shaft-speed"] > 1000.0
    if kind != ".wav":  # it has a steady speed only, beside the true one
        assert channels["vib/order/driveshaft-2"] == pytest.approx(1.5, rel=0.05)  # as it was written, in m/s2


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_the_office_gets_the_values_of_the_table_in_one_step(
    broker: Any, office: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "fleet.toml").write_text(FLEET, encoding="utf-8")
    path = tmp_path / "run.csv"
    words = (*record(path, 8.0), "--fleet-file", str(tmp_path / "fleet.toml"), *TEETH[2:], "--window", "2")
    link = ("--broker", f"mqtt://127.0.0.1:{broker.port}")
    assert main(["replay", str(path), *link, *TRUCK, *words, "--begin", BEGIN]) == 0
    shown = capsys.readouterr()
    assert "4 of 4 frames of 1 trucks committed by the office" in shown.out
    assert "4 frames committed" in shown.err  # the bar
    got = [window for frame in office.committed for window in frame.windows]
    expected = [window for _, window in described(path, words)]
    assert {frame.fleet for frame in office.committed} == {"yard"}
    assert [window.time_s for window in got] == pytest.approx([window.time_s for window in expected], abs=1e-3)
    for mine, its in zip(got, expected, strict=True):
        assert (mine.vehicle, mine.axles) == (its.vehicle, its.axles)


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_waveform_without_a_date_ends_now_and_one_without_a_shaft_is_told(
    broker: Any, office: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    np.save(tmp_path / "run.npy", samples(4.0)[0])
    words = ["--rate", "2000", *TRUCK, "--fleet", "yard", "--window", "2"]
    assert main(["replay", str(tmp_path / "run.npy"), "--broker", f"mqtt://127.0.0.1:{broker.port}", *words]) == 0
    times = [frame.windows[0].time_s for frame in office.committed]
    assert 0.0 <= time.time() - times[-1] < 60.0
    assert times[1] - times[0] == pytest.approx(2.0, abs=2e-3)
    assert "How the shaft turned is not known: no orders. Give --shaft-speed, --road-speed" in capsys.readouterr().out


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
@pytest.mark.parametrize(
    ("seconds", "speed", "least_s", "most_s"),
    [(3.0, 1.0, 2.0, 60.0), (30.0, 20.0, 1.45, 29.0), (30.0, 0.0, 0.0, 29.0)],
    ids=["real", "twenty times", "full"],
)
def test_a_waveform_is_sent_at_any_speed(
    broker: Any, office: Any, tmp_path: Path, seconds: float, speed: float, least_s: float, most_s: float
) -> None:
    path = tmp_path / "run.npy"
    made = readings(path, (*record(path, seconds), "--window", "1"))
    settings = BrokerSettings(url=f"mqtt://127.0.0.1:{broker.port}")
    shares: list[float] = []
    begun_s = time.monotonic()
    replay = Replay("yard", settings, tmp_path / "outboxes", SystemClock(), threading.Event())
    assert replay.send(made, speed=speed, progress=shares.append)
    assert least_s <= time.monotonic() - begun_s < most_s
    assert office.seqs("t-1") == list(range(1, round(seconds) + 1))
    assert shares == sorted(shares) and shares[-1] == 1.0


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_stopped_replay_of_a_waveform_goes_on_where_it_was(broker: Any, office: Any, tmp_path: Path) -> None:
    path = tmp_path / "run.npy"
    made = readings(path, (*record(path, 20.0), "--window", "1"))
    settings, stop = BrokerSettings(url=f"mqtt://127.0.0.1:{broker.port}"), threading.Event()

    def stop_soon(share: float) -> None:
        if len(office.seqs("t-1")) >= 3:
            stop.set()

    first = Replay("yard", settings, tmp_path / "outboxes", SystemClock(), stop)
    assert not first.send(made, speed=10.0, shift=Shift.END_NOW, progress=stop_soon)
    assert 3 <= len(office.seqs("t-1")) < 20
    second = Replay("yard", settings, tmp_path / "outboxes", SystemClock(), threading.Event())
    assert second.send(made, shift=Shift.END_NOW)
    assert office.seqs("t-1") == list(range(1, 21))
    times = [frame.windows[0].time_s for frame in office.committed]
    assert times == pytest.approx([times[0] + number for number in range(20)], abs=2e-3)


TABLE = "time,vehicle,axle,speed\n2026-05-04T06:00:00Z,t-1,0,80\n"
RAW = "time_s,acceleration\n" + "".join(f"{place / 100:.2f},{place % 3}\n" for place in range(200))


@pytest.mark.parametrize(
    ("name", "text", "words", "problem"),
    [
        ("day.csv", TABLE, ["--fleet", "yard", "--rate", "6400", "--tacho", "2"], "is a table of windows (it has"),
        ("day.csv", TABLE, ["--fleet", "yard", "--rate", "6400", "--tacho", "2"], "--rate, --tacho cannot apply"),
        ("day.csv", TABLE, [], "--fleet is missing"),
        ("day.csv", TABLE.replace("axle", "wheel"), ["--fleet", "yard"], "column 'axle' is missing"),
        ("day.csv", "", ["--fleet", "yard"], "is empty; line 1 must name the columns"),
        ("run.csv", RAW, ["--fleet", "yard"], "run.csv: is a raw waveform (a table of windows has the columns time"),
        ("run.csv", RAW, ["--fleet", "yard", "--axle", "2"], "say with one --vehicle and --axle whose it is"),
        ("run.csv", RAW, ["--fleet", "yard", *TRUCK, "--vehicle", "t-2"], "say with one --vehicle and --axle"),
        ("run.csv", RAW, ["--fleet", "yard", "--vehicle", "T 1", "--axle", "2"], "--vehicle is 'T 1'"),
        ("run.csv", RAW, ["--fleet", "yard", "--vehicle", "t-1", "--axle", "0"], "--axle is 0; use 1 to 99"),
        ("run.csv", RAW, ["--fleet", "yard", *TRUCK, "--times", "recorded"], "--times recorded needs --begin"),
        ("run.csv", RAW, ["--fleet", "yard", *TRUCK, "--begin", "noon"], "--begin is 'noon'; give ISO 8601"),
        ("run.csv", RAW, ["--fleet", "yard", *TRUCK, "--road-speed", "80"], "--road-speed alone does not tell"),
        ("run.csv", RAW, ["--fleet", "yard", *TRUCK, "--tacho", "pulse"], "has no column 'pulse'"),
        ("run.csv", RAW, ["--fleet", "yard", *TRUCK, "--window", "0.5"], "a window of 0.5 s; use 1 to 600"),
        ("run.csv", RAW, ["--fleet-file", "none.toml", *TRUCK], "none.toml: cannot be read"),
        ("run.csv", RAW.replace("1.99,1", "1.99,x"), ["--fleet", "yard", *TRUCK], "run.csv:201: could not convert"),
        ("day.xlsx", "x", ["--fleet", "yard"], "a table of windows is a file .csv or .parquet, a raw waveform .wav"),
        ("day.parquet", "not parquet", ["--fleet", "yard"], "day.parquet: cannot be read"),
    ],
)
def test_mistakes_are_told_with_their_remedy(
    name: str, text: str, words: list[str], problem: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    assert main(["replay", str(tmp_path / name), "--broker", "mqtt://127.0.0.1:9", *words]) == 1
    assert problem in capsys.readouterr().err


def test_a_truck_that_is_not_in_the_fleet_file_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "fleet.toml").write_text(FLEET, encoding="utf-8")
    words = [*record(tmp_path / "run.npy"), "--fleet-file", str(tmp_path / "fleet.toml"), "--axle", "2"]
    link = ["--broker", "mqtt://127.0.0.1:9", "--vehicle", "t-9"]
    assert main(["replay", str(tmp_path / "run.npy"), *link, *words]) == 1
    assert "fleet 'yard' has no vehicle 't-9'" in capsys.readouterr().err


def test_a_parquet_table_is_told_from_parquet_samples_by_its_columns(tmp_path: Path) -> None:
    parquet.write_table(pa.table({"time_ms": [1], "vehicle": ["t-1"], "axle": [0]}), tmp_path / "day.parquet")
    parquet.write_table(pa.table({"t": [0.0, 0.1], "acceleration": [0.0, 1.0]}), tmp_path / "run.parquet")
    assert (is_table(tmp_path / "day.parquet"), is_table(tmp_path / "run.parquet")) == (True, False)
