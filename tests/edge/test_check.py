"""`axlewright check`: what is wrong with a file, and what the sensors say right now."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from axlewright_edge.check_command import CHECK
from axlewright_edge.sources.iio_twin import IioTwin, TwinChannel, TwinDevice, sines

FLEET = """
fleet = "yard"
name = "One yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.t-1]
type = "tractor"
"""
AGENT = """
fleet = "yard"
vehicle = "t-1"
outbox.path = "outbox.sqlite"
[source]
kind = "sensors"
fleet_file = "fleet.toml"
[[source.iio]]
device = "lube"
every_s = 0.1
root = "devices"
device_folder = "dev"
[[source.iio.channels]]
attribute = "in_temp0"
channel = "lube"
axle = 2
[[source.iio]]
device = "pinion"
mode = "buffered"
root = "devices"
device_folder = "dev"
[[source.iio.channels]]
attribute = "in_accel_z"
channel = "acceleration"
axle = 2
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "fleet.toml").write_text(FLEET, encoding="utf-8")
    (tmp_path / "agent.toml").write_text(AGENT, encoding="utf-8")
    return tmp_path


@contextlib.contextmanager
def sensors(folder: Path, lube_millidegrees: float = 91_500.0) -> Iterator[IioTwin]:
    shake = TwinChannel("in_accel_z", sines(9.81, (2.0, 25.0)), 0.01, form="le:s16/16>>0")
    lube = TwinChannel("in_temp0", sines(lube_millidegrees), scaled=True)
    twin = IioTwin(folder, [TwinDevice(0, "rtd", [lube], "lube"), TwinDevice(1, "chip", [shake], "pinion", 1600.0)])
    twin.start()
    try:
        yield twin
    finally:
        twin.stop()


def check(*words: object) -> int:
    return CHECK.run(CHECK.parser().parse_args([str(word) for word in words]))


@pytest.fixture(autouse=True)
def wide(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "200")


def test_a_good_agent_with_sensors_is_told_part_by_part(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert check(folder / "agent.toml") == 0
    told = capsys.readouterr().out
    for words in ("device lube", "polled: in_temp0 is axle 2 lube", "buffered: in_accel_z is axle 2 acceleration"):
        assert words in told


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (("buffered", "bufered"), "agent.toml: source.iio[1].mode: is 'bufered'; use one of 'buffered', 'polled'"),
        (("every_s", "evry_s"), "source.iio[0]: Object contains unknown field `evry_s`; did you mean every_s?"),
        (("fleet.toml", "flet.toml"), "flet.toml is no file; correct the path"),
        (('vehicle = "t-1"', 'vehicle = "t-9"'), "source.vehicle: fleet 'yard' has no vehicle 't-9'"),
        (
            ('channel = "lube"\naxle = 2', 'channel = "lube"\naxle = 7'),
            "source.iio[0].channels[0].axle: 7 is no axle of t-1; by ",
        ),
        (('kind = "sensors"', 'kind = "sensor"'), 'use "simulated", "replay" or "sensors"'),
        (
            ("[[source.iio]]", '[[source.recording]]\nfile = "a.wav"\naxle = 2\n[[source.iio]]'),
            "source.recording[0].file: ",
        ),
    ],
)
def test_a_wrong_file_is_told_with_key_and_remedy(
    change: tuple[str, str], problem: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = folder / "agent.toml"
    file.write_text(AGENT.replace(*change, 1), encoding="utf-8")
    assert check(file) == 1
    assert problem in capsys.readouterr().out


def test_live_values_are_shown_with_unit_age_and_verdict(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with sensors(folder):
        assert check(folder / "agent.toml", "--live", "2.5") == 0
    told = capsys.readouterr().out
    lines = {line.split("│")[3].strip(): line for line in told.splitlines() if line.count("│") >= 7}
    lube = [cell.strip() for cell in lines["lube"].split("│")[1:-1]]
    assert lube[:5] == ["iio lube", "axle 2", "lube", "91.5", "Cel"]
    assert float(lube[5]) < 1.0 and lube[6] == "good"
    # A sine of 2 m/s2: its rms is 2 / sqrt(2).
    shake = re.search(r"(\S+) rms about (\S+), (\S+) Hz", lines["pinion in_accel_z"])
    assert shake is not None
    assert [float(number) for number in shake.groups()] == pytest.approx([1.414, 9.81, 1600.0], rel=0.01)
    assert "vib/rms" in lines
    assert "iio pinion" in told and "ok" in told
    assert not (folder / "outbox.sqlite").exists()


def test_an_implausible_value_is_marked(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with sensors(folder, lube_millidegrees=850_000.0):
        check(folder / "agent.toml", "--live", "1")
    assert "implausible, not -60 to 210" in capsys.readouterr().out


def test_a_source_that_is_not_there_fails_the_check(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with sensors(folder) as twin:
        twin.unplug("iio:device0")
        assert check(folder / "agent.toml", "--live", "1") == 1
    told = capsys.readouterr().out
    assert "iio lube: failed" in told and "no device is called 'lube'" in told
    assert "source.iio[0].channels[0]: axle 2 lube: was silent" in told


def test_a_named_channel_that_is_silent_fails_the_check(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with sensors(folder) as twin:
        twin.silence("iio:device1")
        assert check(folder / "agent.toml", "--live", "1") == 1
    told = capsys.readouterr().out
    assert "source.iio[1].channels[0]: pinion in_accel_z: was silent" in told
    assert "good:" not in told


@pytest.mark.parametrize("seconds", ["0", "-5", "1e9"])
def test_a_senseless_time_is_refused(seconds: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        check(folder / "agent.toml", "--live", seconds)


def test_a_simulated_truck_is_shown_and_its_state_left_alone(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    state = folder / "state.json"
    text = (
        AGENT.split("[source]")[0]
        + '[source]\nkind = "simulated"\nfleet_file = "fleet.toml"\nstate_file = "state.json"'
    )
    (folder / "agent.toml").write_text(text, encoding="utf-8")
    assert check(folder / "agent.toml", "--live", "2") == 0
    told = capsys.readouterr().out
    assert "lube" in told and "axle 3" in told
    assert not state.exists()
