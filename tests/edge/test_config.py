"""The agent file fails whole, at start, with the path of the key."""

from __future__ import annotations

from pathlib import Path

import pytest

from axlewright_edge.agent_command import load_all
from axlewright_edge.config import ReplaySettings, SimulatedSettings, load_agent, parse_agent
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
        (('"replay"', '"can"'), 'agent file: source.kind is \'can\'; use "simulated" or "replay"'),
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


def test_the_two_sources_are_told_apart_by_kind() -> None:
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
