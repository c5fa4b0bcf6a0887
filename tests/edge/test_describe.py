"""`axlewright describe`: the live path's own numbers, and a bearing's defect by name."""

import json
import threading

import numpy as np
import pytest

from axlewright_edge.clock import ManualClock, SystemClock
from axlewright_edge.describing import Subject, describe, waveform_of
from axlewright_edge.features import machine_features, waveform_features
from axlewright_edge.sources.combined import CombinedSource
from axlewright_edge.sources.recording import RecordingSource
from axlewright_edge.sources.recording_settings import RecordingSettings, WaveformForm
from axlewright_edge.sources.replay import read_table
from axlewright_edge.sources.waveform_form import read_recording
from axlewright_edge.sources.window_maker import WindowMaker
from axlewright_models.command_line import main
from axlewright_models.vibration.from_spec import geometry_of, train_of
from axlewright_simulators.demo_fleet import demo_fleet
from axlewright_simulators.parameters import axle_rows
from axlewright_simulators.waveform import Conditions, Drive, Flaw, record

VEHICLE = demo_fleet().vehicle("hv-101")
BEARING = VEHICLE.axle(2).bearing
SUBJECT = Subject(train_of(VEHICLE, 2), 1.36, geometry_of(BEARING), 2)
KNOWN = (
    "--rate", "6400", "--turns", "2", "--gear-ratio", "1.36", "--teeth", "41/14",
    "--bearing", f"{BEARING.rolling_elements},{BEARING.element_diameter_mm},{BEARING.pitch_diameter_mm},15",
)  # fmt: skip


def drive(tmp_path, name, flaw=None, seed=7):
    told = record(
        axle_rows([VEHICLE], seed=1), 0, Drive.sweep(20.0, 23.0, 20.0, gear_ratio=1.36), seed=seed,
        conditions=Conditions(flaw=flaw), bearing=geometry_of(BEARING),
        revolutions_per_m=VEHICLE.tyre.revolutions_per_km / 1000.0,
    )  # fmt: skip
    path = tmp_path / name
    np.save(path, np.stack([told.samples[0].astype(np.float32).astype(np.float64), told.turns]))
    return path


def live_windows(path, begin_s=5000.0):
    """What the truck makes of the same file: source, pieces, windows, features."""
    clock = ManualClock(1.8e9)
    settings = RecordingSettings(file=str(path), axle=2, rate_hz=6400.0, turns=2, speed=0.0)
    source, maker = RecordingSource(settings, clock), WindowMaker(VEHICLE, {}, {})
    source.open()
    first_s = None
    while not source.finished:
        block = source.read(0.0)
        first_s = block.pieces[0].elapsed_s if first_s is None else first_s
        maker.add(0, block)
    for begin in (0.0, 10.0):
        (waveform,) = maker.make(first_s + begin, first_s + begin + 10.0).waveforms
        yield waveform_features(type(waveform)(**{**waveform.__dict__, "gear_ratio": 1.36}), VEHICLE)


def test_a_file_gives_the_live_paths_channels_to_the_last_bit(tmp_path):
    path = drive(tmp_path, "run.npy", Flaw("inner-race", 3.0))
    recorded = read_recording(path, WaveformForm(rate_hz=6400.0, turns=2))
    told = [window.channels for window in describe(recorded, SUBJECT)]
    assert told == list(live_windows(path))
    assert "vib/envelope/inner-race" in told[0]


@pytest.mark.parametrize("race", ["outer-race", "inner-race"])
def test_a_bearings_defect_is_named(tmp_path, capsys, race):
    path = drive(tmp_path, "run.npy", Flaw(race, 4.0))
    assert main(["describe", str(path), *KNOWN]) == 0
    assert f"Bearing: {race} in 2 of 2 windows" in capsys.readouterr().out


def test_a_sound_bearing_is_not(tmp_path, capsys):
    assert main(["describe", str(drive(tmp_path, "run.npy")), *KNOWN]) == 0
    assert "Bearing: no defect stands out" in capsys.readouterr().out


def test_json_holds_every_window(tmp_path, capsys):
    assert main(["describe", str(drive(tmp_path, "run.npy")), *KNOWN, "--json", "--window", "5"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert [window["begin_s"] for window in document["windows"]] == [0.0, 5.0, 10.0, 15.0]
    assert document["windows"][0]["channels"]["vib/order/mesh-1"] == pytest.approx(1.1, abs=0.4)


def test_a_table_of_it_can_be_replayed(tmp_path, capsys):
    table = tmp_path / "windows.csv"
    begin = ("--vehicle", "hv-101", "--axle", "2", "--begin", "2026-05-04T06:00:00Z")
    assert main(["describe", str(drive(tmp_path, "run.npy")), *KNOWN, "--table", str(table), *begin]) == 0
    windows = [window for _, window in read_table(table)]
    assert [round(window.time_s - windows[0].time_s) for window in windows] == [0, 10]
    assert windows[0].axles[2]["vib/order/mesh-1"] > 0.5
    assert windows[0].vehicle["shaft-speed"] > 1000.0
    assert table.read_text(encoding="utf-8").startswith("time,vehicle,axle,shaft-speed,vib/rms")


def test_the_picture_is_an_svg_with_the_lines_marked(tmp_path):
    picture = tmp_path / "run.svg"
    assert main(["describe", str(drive(tmp_path, "run.npy")), *KNOWN, "--picture", str(picture)]) == 0
    text = picture.read_text(encoding="utf-8")
    assert text.startswith("<svg") and all(name in text for name in ("mesh-1", "driveshaft-2", "outer-race"))


def test_without_the_trucks_teeth_only_what_is_known_is_told(tmp_path, capsys):
    path = drive(tmp_path, "run.npy")
    assert main(["describe", str(path), "--rate", "6400", "--turns", "2", "--json"]) == 0
    channels = json.loads(capsys.readouterr().out)["windows"][0]["channels"]
    assert "vib/order/driveshaft-2" in channels
    assert not any(name.startswith(("vib/order/wheel", "vib/order/mesh", "vib/order/engine")) for name in channels)


def test_an_assumed_tyre_is_said_and_a_given_one_is_taken(tmp_path, capsys):
    path = drive(tmp_path, "run.npy")
    words = ["describe", str(path), "--rate", "6400", "--channels", "1", "--teeth", "41/14"]
    shaft_hz = {}
    for more in ([], ["--revolutions-per-km", "360"]):
        assert main([*words, "--speed", "80", *more, "--json"]) == 0
        document = json.loads(capsys.readouterr().out)
        shaft_hz[document["windows"][0]["shaft_hz"]] = document["assumed"]
    assumed, given = shaft_hz.items()
    assert given[0] / assumed[0] == pytest.approx(360.0 / 313.0)
    assert assumed[1] == ["the tyres turn 313 times a km (--revolutions-per-km); shaft speed and orders follow from it"]
    assert given[1] == []
    assert main([*words, "--speed", "80"]) == 0
    assert "Assumed: the tyres turn 313 times a km (--revolutions-per-km)" in capsys.readouterr().out
    # Where the shaft's own speed is told, nothing hangs on the tyres.
    assert main([*words, "--shaft-speed", "1500"]) == 0
    assert "Assumed" not in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--turns", "2"], 'does not say its rate; give --rate, or a column "time_s"'),
        (["--rate", "6400", "--turns", "2", "--speed", "80"], "--turns and --speed are both given; keep one"),
        (["--rate", "6400", "--pulses-per-turn", "2"], "--pulses-per-turn: is given without --tacho"),
        (["--rate", "6400", "--speed", "80", "--teeth", "41/12", "--revolutions-per-km", "3"], "100 to 1000 turns"),
        (["--rate", "6400", "--speed", "80", "--channels", "1"], "name truck and axle, or teeth"),
        (["--rate", "6400", "--turns", "2", "--teeth", "41"], "give ring and pinion gear, such as 41/12"),
        (["--rate", "6400", "--turns", "2", "--teeth", "12/41"], "more teeth than its pinion; is it 41/12?"),
        (["--rate", "6400", "--turns", "2", "--bearing", "17,x"], "give elements, their and the pitch diameter"),
        (["--rate", "6400", "--turns", "2", "--window", "0.1"], "use 1 to 600"),
        (["--rate", "6400", "--turns", "2", "--fleet-file", "f.toml"], "needs --vehicle and --axle"),
        (["--rate", "6400", "--turns", "2", "--table", "t.csv"], "--table needs --vehicle, --axle and --begin"),
    ],
)
def test_mistakes_are_told_with_their_remedy(tmp_path, capsys, arguments, message):
    np.save(tmp_path / "run.npy", np.zeros((2, 12_800)))
    assert main(["describe", str(tmp_path / "run.npy"), *arguments]) != 0
    assert message in capsys.readouterr().err


@pytest.mark.parametrize("option", ["--picture", "--table"])
def test_a_result_that_cannot_be_written_is_told_in_one_line(tmp_path, capsys, option):
    np.save(tmp_path / "run.npy", np.zeros((2, 12_800)).T)
    place = tmp_path / "none" / "result"
    words = [
        "--rate",
        "6400",
        "--shaft-speed",
        "1500",
        "--vehicle",
        "t-1",
        "--axle",
        "2",
        "--begin",
        "2026-01-01T00:00",
    ]
    assert main(["describe", str(tmp_path / "run.npy"), *words, option, str(place)]) == 1
    assert f"{place}: cannot be written (No such file or directory); name a file in a folder" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("run.csv", "a,b\n", "holds column names and no sample below them"),
        ("run.csv", "time_ms,vehicle,axle,lube\n1,t-1,2,80\n", "is a table of windows"),
        ("run.csv", "", "is empty; give one line of column names or of numbers"),
        ("run.parquet", "hello", "cannot be read"),
        ("run.npy", "hello", "is no NPY file: it does not begin as one; write it with numpy.save"),
        ("run.npy", "", "is no NPY file"),
    ],
)
def test_a_recording_without_samples_is_told_and_nothing_else(tmp_path, capsys, name, content, message):
    (tmp_path / name).write_text(content, encoding="utf-8")
    assert main(["describe", str(tmp_path / name), "--rate", "6400", "--shaft-speed", "1500"]) == 1
    said = capsys.readouterr().err
    assert message in said
    assert "pickle" not in said


def test_windows_of_a_running_source_tell_what_the_file_tells_of_the_same_samples(tmp_path):
    path = drive(tmp_path, "run.npy", Flaw("outer-race", 3.0))
    recorded = read_recording(path, WaveformForm(rate_hz=6400.0, turns=2))
    seen = []

    def features(waveform, vehicle):
        seen.append(waveform)
        return waveform_features(waveform, vehicle)

    clock, wait = SystemClock(), threading.Event().wait
    settings = RecordingSettings(file=str(path), axle=2, rate_hz=6400.0, turns=2)
    source = CombinedSource([RecordingSource(settings, clock)], clock, wait, VEHICLE, 2.0, features=features)
    source.open()
    windows = []
    end_s = clock.elapsed() + 20.0
    while len(windows) < 3 and clock.elapsed() < end_s:
        window = source.read(0.5)
        windows += [window] if window is not None and "vib/order/mesh-1" in window.axles.get(2, {}) else []
    source.close()
    assert len(windows) == 3
    subject = Subject(SUBJECT.train, None, SUBJECT.bearing, 2)
    turns, tolerance = recorded.shaft_turns()
    by_begin = {waveform.turns[0]: waveform for waveform in seen}
    for window in windows:
        told = window.axles[2]
        live = next(one for one in by_begin.values() if waveform_features(one, VEHICLE) == told)
        first = int(np.searchsorted(turns, live.turns[0]))
        last = first + live.samples.shape[1]
        assert np.array_equal(live.samples, recorded.samples[:, first:last])
        same = waveform_of(recorded, subject, turns, tolerance, first, last)
        assert machine_features(same, subject.machine(tolerance)) == told
