"""Tables of recorded readings: what they mean, and where a wrong one is wrong."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
import pytest
from pyarrow import parquet

from axlewright_edge.clock import ManualClock
from axlewright_edge.errors import SourceError, TableError
from axlewright_edge.sources.replay import ReplaySource, read_table
from axlewright_models.wire.frames import Window

HEADER = "time,vehicle,axle,speed,height-mode,lube,height/left\n"
DAY = (
    HEADER
    + "2026-05-04T06:00:00Z,t-1,0,80.5,lowered,,\n"
    + "2026-05-04T06:00:00Z,t-1,2,,,91.5,240\n"
    + "2026-05-04T06:00:00Z,t-2,0,12,,,\n"
    + "2026-05-04T06:00:10Z,t-1,0,81,normal,,\n"
    + "2026-05-04T06:00:10Z,t-1,3,,,92,\n"
    + "2026-05-04T06:00:10Z,t-2,2,,,,\n"
)
SIX_S = 1777874400.0  # 2026-05-04T06:00:00Z by date(1)
WINDOWS = [
    ("t-1", Window(SIX_S, {"speed": 80.5, "height-mode": 1.0}, {2: {"lube": 91.5, "height/left": 240.0}})),
    ("t-2", Window(SIX_S, {"speed": 12.0}, {})),
    ("t-1", Window(SIX_S + 10.0, {"speed": 81.0, "height-mode": 0.0}, {3: {"lube": 92.0}})),
]


def write(folder: Path, text: str) -> Path:
    path = folder / "day.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_rows_of_one_vehicle_and_time_become_one_window(tmp_path: Path) -> None:
    assert list(read_table(write(tmp_path, DAY))) == WINDOWS


def test_parquet_gives_the_same_windows_as_csv(tmp_path: Path) -> None:
    nothing = [None] * 6
    table = pa.table(
        {
            "time_ms": pa.array([int(SIX_S * 1000) + shift for shift in (0, 0, 0, 10_000, 10_000, 10_000)], pa.int64()),
            "vehicle": ["t-1", "t-1", "t-2", "t-1", "t-1", "t-2"],
            "axle": pa.array([0, 2, 0, 0, 3, 2], pa.int16()),
            "speed": pa.array([80.5, None, 12.0, 81.0, None, float("nan")], pa.float32()),
            "height-mode": [1.0, None, None, 0.0, None, None],
            "lube": [None, 91.5, None, None, 92.0, None],
            "height/left": [None, 240.0, *nothing[2:]],
        }
    )
    parquet.write_table(table, tmp_path / "day.parquet")
    assert list(read_table(tmp_path / "day.parquet")) == WINDOWS


def test_parquet_takes_time_as_a_timestamp_too(tmp_path: Path) -> None:
    times = pa.array([int(SIX_S * 1e6)], pa.timestamp("us", tz="UTC"))
    table = pa.table({"time": times, "vehicle": ["t-1"], "axle": [0], "speed": [50.0]})
    parquet.write_table(table, tmp_path / "day.parquet")
    assert list(read_table(tmp_path / "day.parquet")) == [("t-1", Window(SIX_S, {"speed": 50.0}, {}))]


def test_only_the_vehicles_asked_for_are_read(tmp_path: Path) -> None:
    assert [vehicle for vehicle, _ in read_table(write(tmp_path, DAY), {"t-2"})] == ["t-2"]


def test_milliseconds_and_a_mark_in_front_are_read(tmp_path: Path) -> None:
    path = write(tmp_path, f"\ufefftime_ms,vehicle,axle,speed\n{int(SIX_S)}250,t-1,0,1\n")
    assert next(read_table(path)) == ("t-1", Window(SIX_S + 0.25, {"speed": 1.0}, {}))


def test_a_name_in_no_channel_table_is_kept_and_one_the_office_computes_is_not(tmp_path: Path) -> None:
    path = write(tmp_path, "time,vehicle,axle,hub/wear,lube/expected\n2026-05-04T06:00:00Z,t-1,2,0.5,90\n")
    assert next(read_table(path))[1].axles == {2: {"hub/wear": 0.5}}


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("", "day.csv: is empty; line 1 must name the columns"),
        ("time,vehicle,speed\n", "day.csv:1: column 'axle' is missing; the columns are time, vehicle, speed"),
        ("vehicle,axle,speed\n", 'day.csv:1: needs a column "time" (ISO 8601, UTC) or "time_ms"'),
        ("time,vehicle,axle,speed,speed\n", "day.csv:1: column 'speed' is there twice"),
        ("time,vehicle,axle,road speed\n", "day.csv:1: column 'road speed' cannot be a channel"),
        (DAY.replace("91.5", "hot"), "day.csv:3: lube: 'hot' is no number"),
        (
            DAY.replace("lowered", "kneeling"),
            "day.csv:2: height-mode: 'kneeling' is no number or one of normal, lowered",
        ),
        (DAY.replace("91.5", "inf"), "day.csv:3: lube: 'inf' is not finite"),
        (DAY.replace("t-2,0,12", "Truck 2,0,12"), "day.csv:4: vehicle: 'Truck 2' is no vehicle"),
        (DAY.replace("t-1,2,,", "t-1,two,,"), "day.csv:3: axle: 'two' is no whole number"),
        (DAY.replace("t-1,2,,", "t-1,-2,,"), "day.csv:3: axle: is -2; use 0 for the vehicle itself"),
        (
            DAY.replace("t-1,2,,", "t-1,2,80,"),
            "day.csv:3: speed: belongs to the vehicle; move it to the row with axle 0",
        ),
        (DAY.replace("80.5,lowered,", "80.5,lowered,90"), "day.csv:2: lube: belongs to an axle"),
        (DAY.replace("t-2,0,12", "t-1,0,12"), "day.csv:4: axle: vehicle t-1, axle 0 is there twice at this time"),
        (DAY.replace("06:00:10Z,t-1,3", "05:00:00Z,t-1,3"), "day.csv:6: time: lies 3610 s before the row above"),
        (DAY.replace("06:00:10Z,t-1,3", "06:00:10,t-1,3"), "day.csv:6: time: '2026-05-04T06:00:10' has no time zone"),
        (
            DAY.replace("06:00:10Z,t-1,3", "06:00:10+02:00,t-1,3"),
            "day.csv:6: time: '2026-05-04T06:00:10+02:00' is not in",
        ),
        (DAY.replace("2026-05-04T06:00:10Z,t-1,3", "noon,t-1,3"), "day.csv:6: time: 'noon' is no ISO 8601 time"),
        (DAY.replace(",t-2,0,12,,,", ",t-2,0,12,"), "day.csv:4: has 5 cells, line 1 names 7 columns"),
        (DAY + '"2026-05-04\n', "day.csv:8: is no CSV"),
    ],
)
def test_a_wrong_table_is_wrong_at_a_line_and_a_column(text: str, problem: str, tmp_path: Path) -> None:
    assert text != DAY
    with pytest.raises(TableError) as raised:
        list(read_table(write(tmp_path, text)))
    assert problem in str(raised.value)


def test_other_kinds_of_file_are_refused(tmp_path: Path) -> None:
    with pytest.raises(TableError, match=r"a table is a file \.csv or \.parquet"):
        list(read_table(tmp_path / "day.xlsx"))
    (tmp_path / "day.parquet").write_bytes(b"not parquet")
    with pytest.raises(TableError, match=r"day\.parquet: cannot be read"):
        list(read_table(tmp_path / "day.parquet"))


def replay(path: Path, speed: float, clock: ManualClock) -> ReplaySource:
    return ReplaySource(path, "t-1", speed, clock, clock.advance)


def test_a_replay_in_real_time_takes_as_long_as_the_drive(tmp_path: Path) -> None:
    clock = ManualClock(1.8e9)
    source = replay(write(tmp_path, DAY), 1.0, clock)
    source.open()
    assert source.read(0.5) == WINDOWS[0][1]
    reads = 0
    while (window := source.read(0.5)) is None:
        reads += 1
    assert window == WINDOWS[2][1]
    assert clock.elapsed() == pytest.approx(10.0)
    assert source.finished and reads == 19


@pytest.mark.parametrize(("speed", "seconds"), [(10.0, 1.0), (0.0, 0.0)])
def test_a_replay_may_be_faster(speed: float, seconds: float, tmp_path: Path) -> None:
    clock = ManualClock(1.8e9)
    source = replay(write(tmp_path, DAY), speed, clock)
    source.open()
    while not source.finished:
        source.read(5.0)
    assert clock.elapsed() == pytest.approx(seconds)


def test_a_replay_goes_on_after_what_was_stored(tmp_path: Path) -> None:
    source = replay(write(tmp_path, DAY), 0.0, ManualClock(1.8e9))
    source.open(after_s=SIX_S)
    assert source.read(1.0) == WINDOWS[2][1]
    source.open(after_s=SIX_S + 10.0)
    assert source.finished


def test_a_replay_refuses_another_window_and_a_truck_it_does_not_hold(tmp_path: Path) -> None:
    path = write(tmp_path, DAY)
    with pytest.raises(SourceError, match="a replay keeps the windows"):
        replay(path, 1.0, ManualClock(1.8e9)).set_window(30.0)
    with pytest.raises(SourceError, match=r"day\.csv: holds no row of vehicle t-9"):
        ReplaySource(path, "t-9", 1.0, ManualClock(1.8e9), print).open()
