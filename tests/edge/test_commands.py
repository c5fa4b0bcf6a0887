"""The commands `replay` and `check`, as a person runs them."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from axlewright_edge.clock import SystemClock
from axlewright_edge.commands import AGENT, CHECK, REPLAY
from axlewright_edge.config import BrokerSettings
from axlewright_edge.errors import SourceError
from axlewright_edge.replay_readings import TableReadings
from axlewright_edge.replaying import Replay, Shift
from axlewright_models.command_line import main

FLEET = """
fleet = "yard"
name = "One yard"
[types.tractor]
title = "6x4 tractor"
[vehicles.t-1]
type = "tractor"
limits.lube_limit_cel = 118.0
"""
AGENT_FILE = """
fleet = "yard"
vehicle = "t-1"
outbox.path = "outbox.sqlite"
broker.user = "t-1"
broker.password = "hush-hush"
[source]
kind = "simulated"
fleet_file = "fleet.toml"
"""


@pytest.fixture(autouse=True)
def signals_as_before() -> Any:
    before = [(number, signal.getsignal(number)) for number in (signal.SIGTERM, signal.SIGINT)]
    yield
    for number, handler in before:
        signal.signal(number, handler)


def write(folder: Path, **files: str) -> None:
    for name, text in files.items():
        (folder / f"{name}.toml").write_text(text, encoding="utf-8")


def write_day(folder: Path, vehicles: tuple[str, ...] = ("t-1", "t-2"), rows: int = 150) -> Path:
    lines = ["time_ms,vehicle,axle,speed,lube"]
    for number in range(rows):
        for vehicle in vehicles:
            time_ms = 1_700_000_000_000 + number * 10_000
            lines += [f"{time_ms},{vehicle},0,{number % 90},", f"{time_ms},{vehicle},2,,{80 + number % 20}"]
    path = folder / "day.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_check_shows_what_it_understood_and_no_password(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    write(tmp_path, fleet=FLEET, agent=AGENT_FILE)
    assert main(["check", str(tmp_path / "fleet.toml"), str(tmp_path / "agent.toml")]) == 0
    shown = capsys.readouterr().out
    assert "2 forward-drive, 3 rear-drive" in shown and "lube_limit_cel 118" in shown
    assert "127.0.0.1, port 18642, not encrypted" in shown and "hush-hush" not in shown
    assert shown.count("good: ") == 2
    assert not (tmp_path / "outbox.sqlite").exists()


@pytest.mark.parametrize(
    ("fleet", "agent", "problem"),
    [
        (
            FLEET.replace("lube_limit_cel", "lube_limit"),
            AGENT_FILE,
            "fleet.toml: vehicles.t-1.limits.lube_limit: unknown",
        ),
        (
            FLEET,
            AGENT_FILE.replace("[source]", "window_s = 0\n[source]"),
            "agent.toml: window_s: Expected `float` >= 1.0",
        ),
        (FLEET, AGENT_FILE.replace('"t-1"', '"t-7"', 1), "source.vehicle: fleet 'yard' has no vehicle 't-7'"),
        (FLEET, AGENT_FILE.replace("fleet.toml", "none.toml"), "none.toml is no file; correct the path"),
        (
            "colour = 3",
            AGENT_FILE,
            "fleet.toml: is neither a fleet file (tables [types.NAME], [vehicles.NAME]) nor an agent",
        ),
        ("= 3", AGENT_FILE, "fleet.toml: not valid TOML"),
    ],
)
def test_check_says_what_is_wrong_where(
    fleet: str, agent: str, problem: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write(tmp_path, fleet=fleet, agent=agent)
    assert main(["check", str(tmp_path / "fleet.toml"), str(tmp_path / "agent.toml")]) == 1
    assert problem in capsys.readouterr().out


def test_replay_sends_every_truck_of_a_table_and_waits_for_the_office(
    broker: Any, office: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    day = write_day(tmp_path)
    assert main(["replay", str(day), "--broker", f"mqtt://127.0.0.1:{broker.port}", "--fleet", "yard"]) == 0
    assert "300 of 300 frames of 2 trucks committed by the office" in capsys.readouterr().out
    assert office.seqs("t-1") == office.seqs("t-2") == list(range(1, 151))
    assert {frame.windows[0].time_s for frame in office.committed} == {1.7e9 + 10.0 * n for n in range(150)}


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_replay_may_send_one_truck_only_with_its_times_moved_to_now(broker: Any, office: Any, tmp_path: Path) -> None:
    day = write_day(tmp_path, rows=30)
    words = ["replay", str(day), "--broker", f"mqtt://127.0.0.1:{broker.port}", "--fleet", "yard"]
    assert main([*words, "--vehicle", "t-2", "--times", "end-now"]) == 0
    assert (office.seqs("t-1"), office.seqs("t-2")) == ([], list(range(1, 31)))
    times = [frame.windows[0].time_s for frame in office.committed]
    assert 0.0 <= time.time() - times[-1] < 60.0
    assert times[-1] - times[0] == pytest.approx(290.0, abs=1e-3)


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_replay_says_what_looks_like_another_unit(
    broker: Any, office: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "day.csv"
    begin = "time_ms,vehicle,axle,lube,height/left,height/right,lube_f"
    rows = [f"{1_700_000_000_000 + 10_000 * n},t-1,2,{360 + n},0.24,240.5,{190 + n}" for n in range(3)]
    path.write_text("\n".join([begin, *rows]) + "\n", encoding="utf-8")
    assert main(["replay", str(path), "--broker", f"mqtt://127.0.0.1:{broker.port}", "--fleet", "yard"]) == 0
    assert office.seqs("t-1") == [1, 2, 3]
    told = [line for line in capsys.readouterr().err.splitlines() if line.startswith("axlewright replay: ")]
    assert [line.removeprefix(f"axlewright replay: {path}: ") for line in told] == [
        "height/left: nothing above 0.24 mm; these look like metres, a table is in mm",
        "lube: 3 of 3 values lie beyond -60 to 210 Cel (they reach from 360 to 362); kept but not judged; "
        "a table is in Cel",
        "lube_f: is in no channel table; it is sent, but nothing judges it",
    ]


def replay(folder: Path, port: int, stop: threading.Event) -> Replay:
    broker = BrokerSettings(url=f"mqtt://127.0.0.1:{port}", resend_after_s=0.5)
    return Replay("yard", broker, folder / "outboxes", SystemClock(), stop)


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_replay_that_was_stopped_goes_on_where_it_was(broker: Any, office: Any, tmp_path: Path) -> None:
    day = write_day(tmp_path, rows=400)
    stop = threading.Event()

    def stop_soon(share: float) -> None:
        if len(office.seqs("t-1")) > 20:
            stop.set()

    assert not replay(tmp_path, broker.port, stop).send(TableReadings(day), shift=Shift.END_NOW, progress=stop_soon)
    assert 20 < len(office.seqs("t-1")) < 400
    assert replay(tmp_path, broker.port, threading.Event()).send(TableReadings(day), shift=Shift.END_NOW)
    assert office.seqs("t-1") == office.seqs("t-2") == list(range(1, 401))
    times = [frame.windows[0].time_s for frame in office.committed if frame.vehicle == "t-1"]
    assert times == pytest.approx([times[0] + 10.0 * number for number in range(400)], abs=1e-3)


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_replay_without_an_office_gives_up_and_says_so(broker: Any, office: Any, tmp_path: Path) -> None:
    office.silent = True
    made = replay(tmp_path, broker.port, threading.Event())
    assert not made.send(TableReadings(write_day(tmp_path, rows=10)), patience_s=0.5)
    assert made.report() == "0 of 20 frames of 2 trucks committed by the office"
    (hint,) = made.hints()
    assert hint.startswith("t-1, t-2: the broker is there, but no office acknowledges: ")
    assert "is its fleet 'yard', and does its fleet file hold these trucks?" in hint


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_replay_names_the_truck_that_the_office_does_not_know(
    broker: Any, office: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_edge.replay_command.SILENCE_S", 0.5)
    office.strangers = {"t-2"}
    words = ["replay", str(write_day(tmp_path, rows=10)), "--broker", f"mqtt://127.0.0.1:{broker.port}"]
    assert main([*words, "--fleet", "yard", "--give-up-after", "2"]) == 1
    said = capsys.readouterr()
    assert "10 of 20 frames of 2 trucks committed" in said.out
    # Early, while it waits, and once more at the end.
    assert said.err.count("t-2: the broker is there, but no office acknowledges: ") == 2
    assert said.err.count("is its fleet 'yard', and does its fleet file hold this truck?") == 2
    assert "t-1" not in said.err


def test_replay_says_why_a_broker_refuses_it(services: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    port, users = services.free_port(), tmp_path / "users"
    tool = services.tool("mosquitto_passwd")
    subprocess.run([tool, "-b", "-c", str(users), "t-1", "right"], check=True, capture_output=True)
    lines = f"listener {port} 127.0.0.1\nallow_anonymous false\npassword_file {users}"
    day = write_day(tmp_path, ("t-1",), rows=5)
    with services.mosquitto(tmp_path, port, lines):
        words = ["replay", str(day), "--fleet", "yard", "--broker", f"mqtt://127.0.0.1:{port}", "--give-up-after", "2"]
        assert main(words) == 1
    assert "t-1: connection refused (Not authorized); does the broker know this user" in capsys.readouterr().err
    assert main([*words[:-1], "1"]) == 1
    assert f"t-1: no connection (127.0.0.1:{port}: " in capsys.readouterr().err


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_table_larger_than_what_may_wait_at_once_is_sent_without_thinning(
    broker: Any, office: Any, tmp_path: Path
) -> None:
    day = write_day(tmp_path, ("t-1",), rows=1700)
    made = replay(tmp_path, broker.port, threading.Event())
    assert made.send(TableReadings(day))
    assert office.seqs("t-1") == list(range(1, 1701))
    with sqlite3.connect(tmp_path / "outboxes" / "t-1.sqlite") as plain:
        assert dict(plain.execute("SELECT key, value FROM meta WHERE key IN ('thinned', 'acked')")) == {
            "thinned": 0,
            "acked": 1700,
        }
    plain.close()


def test_a_replay_of_a_truck_that_is_not_in_the_table_is_refused(tmp_path: Path) -> None:
    made = replay(tmp_path, 9, threading.Event())
    with pytest.raises(SourceError, match=r"day\.csv: holds no row of t-9"):
        made.send(TableReadings(write_day(tmp_path, rows=2)), vehicles={"t-9"})


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (["--fleet", "One Yard"], "--fleet is 'One Yard'"),
        (["--fleet", "yard", "--speed", "-1"], "--speed is -1"),
        (["--fleet", "yard", "--user", "me", "--password-file", "/none"], "broker.password_file: /none cannot be read"),
        (["--fleet", "yard", "--broker", "ftp://a"], "'ftp://a' does not begin with mqtt://"),
    ],
)
def test_wrong_words_of_replay_are_said(
    words: list[str], problem: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    day = write_day(tmp_path, rows=2)
    assert main(["replay", str(day), "--broker", "mqtt://127.0.0.1:9", *words]) == 1
    assert problem in capsys.readouterr().err


@pytest.mark.parametrize("command", [AGENT, CHECK, REPLAY], ids=lambda command: command.name)
def test_help_holds_examples(command: Any, capsys: pytest.CaptureFixture[str]) -> None:
    parse: Callable[[list[str]], Any] = command.parser().parse_args
    with pytest.raises(SystemExit) as ended:
        parse(["--help"])
    assert ended.value.code == 0
    assert f"  axlewright {command.name} " in capsys.readouterr().out
    for example in command.examples:
        parse(example.split()[2:])
