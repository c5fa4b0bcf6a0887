"""The agent file fails whole, at start, with the path of the key."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from axlewright_edge.agent_command import load_all
from axlewright_edge.config import ReplaySettings, SensorsSettings, SimulatedSettings, load_agent, parse_agent
from axlewright_edge.errors import ConfigurationError

GOOD = """
fleet = "yard"
vehicle = "t-1"
outbox.path = "outbox.sqlite"
[source]
kind = "replay"
file = "day.csv"
"""
SIMULATED = GOOD.replace('kind = "replay"\nfile = "day.csv"', 'kind = "simulated"\nfleet_file = "fleet.toml"')


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (("fleet =", "flet ="), "agent file: Object contains unknown field `flet`"),
        (('vehicle = "t-1"', ""), "agent file: Object missing required field `vehicle`"),
        (('"t-1"', '"Truck 1"'), "agent file: vehicle: Expected `str` matching regex"),
        (('"replay"', '"can"'), 'agent file: source.kind is \'can\'; use "simulated", "replay" or "sensors"'),
        (('file = "day.csv"', ""), "agent file: source: Object missing required field `file`"),
        (
            ('file = "day.csv"', 'file = "day.csv"\nspeed = "fast"'),
            "agent file: source.speed: Expected `float`, got `str`",
        ),
        (("[source]", "window_s = 0.2\n[source]"), "agent file: window_s: Expected `float` >= 1.0"),
        (("[source]", "broker.in_flight = 500\n[source]"), "agent file: broker.in_flight: Expected `int` <= 100"),
        (("[source]", "outbox.max_frames = 3\n[source]"), "agent file: outbox.max_frames: Expected `int` >= 10"),
        (("[source]", "outbox.keep_one_in = 1\n[source]"), "agent file: outbox.keep_one_in: Expected `int` >= 2"),
        (('outbox.path = "outbox.sqlite"', "outbox.max_frames = 100"), "agent file: outbox.path is missing"),
        (
            ("[source]", 'broker.url = "http://a"\n[source]'),
            "agent file: broker.url: 'http://a' does not begin with mqtt://",
        ),
        (("[source]", 'broker.url = "mqtt://me:secret@a"\n[source]'), "agent file: broker.url: the URL holds a user"),
        (
            ("[source]", 'broker.url = "mqtt://a:99999"\n[source]'),
            "agent file: broker.url: 'mqtt://a:99999': Port out of",
        ),
        (("[source]", 'broker.url = "mqtt://a:0"\n[source]'), "agent file: broker.url: 'mqtt://a:0': port is 0"),
        (("[source]", 'broker.password = "x"\n[source]'), "agent file: broker.user is missing"),
        (
            ("[source]", 'broker.key_file = "k.pem"\n[source]'),
            "broker.certificate_file and broker.key_file go together",
        ),
        (
            ("[source]", 'broker.authority_file = "a.pem"\n[source]'),
            "broker.url has no TLS though certificates are given",
        ),
        (("[source]", "[source"), "agent file: not valid TOML"),
    ],
)
def test_a_wrong_key_is_named_with_its_problem(change: tuple[str, str], problem: str) -> None:
    assert change[0] in GOOD
    with pytest.raises(ConfigurationError) as raised:
        parse_agent(GOOD.replace(*change, 1))
    assert problem in str(raised.value)


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ("speed_up = 60", "source.speed_up is 60 but source.begin is missing"),
        ("speed_up = 0", "source.speed_up: Expected `float` > 0.0"),
        ("begin = 2026-05-04T06:00:00", "source.begin has no time zone"),
        ("speed = 2", "source: Object contains unknown field `speed`"),
    ],
)
def test_a_wrong_key_of_a_simulated_truck_is_named(line: str, problem: str) -> None:
    with pytest.raises(ConfigurationError) as raised:
        parse_agent(f"{SIMULATED}\n{line}\n")
    assert problem in str(raised.value)


def test_the_sources_are_told_apart_by_kind() -> None:
    assert isinstance(parse_agent(GOOD).source, ReplaySettings)
    source = parse_agent(SIMULATED + "speed_up = 60\nbegin = 2026-05-04T06:00:00Z\n").source
    assert isinstance(source, SimulatedSettings)
    assert source.begin is not None and source.begin.timestamp() == 1777874400.0  # date -u -d 2026-05-04T06:00 +%s


def test_relative_paths_are_taken_from_the_files_own_folder(tmp_path: Path) -> None:
    file = tmp_path / "agent.toml"
    file.write_text(GOOD, encoding="utf-8")
    agent = load_agent(file)
    assert agent.outbox.path == str(tmp_path / "outbox.sqlite")
    assert isinstance(agent.source, ReplaySettings) and agent.source.file == str(tmp_path / "day.csv")


def test_a_file_that_is_not_there_is_said() -> None:
    with pytest.raises(ConfigurationError, match=r"no-such\.toml: cannot be read"):
        load_agent("no-such.toml")


@pytest.mark.parametrize(
    ("second", "problem"),
    [
        (GOOD.replace("outbox.sqlite", "other.sqlite"), "vehicle: yard/t-1 is also in"),
        (GOOD.replace("t-1", "t-2"), "outbox.sqlite is also in"),
    ],
)
def test_two_agents_that_would_disturb_each_other_are_refused(second: str, problem: str, tmp_path: Path) -> None:
    for name, text in (("a.toml", GOOD), ("b.toml", second)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(ConfigurationError, match=problem):
        load_all([str(tmp_path / "a.toml"), str(tmp_path / "b.toml")])


SENSORS = GOOD.replace('kind = "replay"\nfile = "day.csv"', 'kind = "sensors"\nfleet_file = "fleet.toml"')
DEVICE = """
[[source.iio]]
device = "pinion"
mode = "buffered"
rate_hz = 6400.0
[[source.iio.channels]]
attribute = "in_accel_z"
channel = "acceleration"
axle = 2
"""


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (SENSORS, "source: names no sensor; add a table [source.j1939], [[source.iio]] or [[source.recording]]"),
        (
            SENSORS + DEVICE.replace("buffered", "streamed"),
            "agent file: source.iio[0].mode: is 'streamed'; use one of 'buffered', 'polled'",
        ),
        (SENSORS + DEVICE.replace("buffered", "polled"), 'acceleration needs mode = "buffered"'),
        (SENSORS + DEVICE.replace("axle = 2", ""), "source.iio[0].channels[0].axle: is missing"),
        (
            SENSORS + DEVICE.replace('"acceleration"', '"oil"'),
            "source.iio[0].channels[0].channel: 'oil' is no channel; use one of acceleration, tacho, speed",
        ),
        (
            SENSORS + DEVICE.replace('"acceleration"', '"ambient"'),
            "source.iio[0].channels[0].axle: is 2; ambient belongs to the whole vehicle",
        ),
        (SENSORS + DEVICE.replace("acceleration", "tacho"), "source.iio[0].channels[0].threshold: goes with a tacho"),
        (SENSORS + DEVICE + "table = [[1.0, 2.0]]", "source.iio[0].channels[0].table: one point"),
        (SENSORS + DEVICE + "table = [[2.0, 2.0], [1.0, 3.0]]", "device values must rise"),
        (SENSORS + DEVICE + "table = [[1.0, 2.0], [2.0, 3.0]]\nfactor = 2.0", "factor and shift are given as well"),
        (
            SENSORS + DEVICE.replace("attribute", "atribute"),
            "source.iio[0].channels[0]: Object contains unknown field `atribute`; did you mean attribute?",
        ),
        (
            SENSORS + DEVICE + DEVICE.replace("6400", "3200"),
            "source.iio[1].rate_hz: is 3200, but another accelerometer of axle 2 has 6400",
        ),
        (SENSORS + "stale_after_s = {oil = 3.0}" + DEVICE, "source.stale_after_s.oil: is no channel; use one of speed"),
        (
            SENSORS.replace("[source]", "window_s = 90\n[source]") + DEVICE,
            "window_s is 90; with accelerometers a window has at most 60 s",
        ),
        (SENSORS + "overlap = 0.95" + DEVICE, "source.overlap: Expected `float` <= 0.9"),
        (SENSORS + '[source.j1939]\ninterface = "canbus"', "source.j1939.interface: is 'canbus'; use one of"),
        (
            SENSORS + '[[source.recording]]\nfile = "a.mp3"\naxle = 2',
            "source.recording[0].file: 'a.mp3' ends in none of .wav",
        ),
    ],
)
def test_a_wrong_key_of_a_sensor_is_named_with_its_place(text: str, problem: str) -> None:
    with pytest.raises(ConfigurationError) as raised:
        parse_agent(text)
    assert problem in str(raised.value)


def test_paths_of_sensors_are_taken_from_the_files_own_folder_too(tmp_path: Path) -> None:
    text = SENSORS + '[source.j1939]\nfile = "drive.log"\n' + DEVICE.replace("mode", 'root = "devices"\nmode')
    source = parse_agent(text, folder=tmp_path).source
    assert isinstance(source, SensorsSettings) and source.j1939 is not None
    assert (source.fleet_file, source.j1939.file) == (str(tmp_path / "fleet.toml"), str(tmp_path / "drive.log"))
    assert (source.iio[0].root, source.iio[0].device_folder) == (str(tmp_path / "devices"), "/dev")


def test_the_sensors_of_the_sample_are_understood_when_they_are_uncommented() -> None:
    sample = (Path(__file__).parents[2] / "edge" / "agent.toml").read_text(encoding="utf-8")
    lines = sample.split("# The truck's own sensors instead", 1)[1].splitlines()[1:]
    # Of the four ways to say how a shaft turns only one may stay.
    kept = [
        line.removeprefix("#").strip() for line in lines if not re.match(r"# (turns|shaft_speed|road_speed) =", line)
    ]
    source = parse_agent(GOOD.split("[source]")[0] + "\n".join(kept)).source
    assert isinstance(source, SensorsSettings)
    assert (len(source.iio), len(source.recording), source.j1939 is not None) == (2, 1, True)
