"""Source, outbox, link and clock tied together; and what an agent does when told something."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from axlewright_edge.agent import Agent
from axlewright_edge.clock import SystemClock
from axlewright_edge.config import AgentSettings, parse_agent
from axlewright_edge.errors import SourceError
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import Command

ROOT = Path(__file__).parents[2]
ENVIRONMENT = {
    **os.environ,
    "PYTHONPATH": os.pathsep.join(str(ROOT / room) for room in ("edge", "models", "simulators")),
}
ROWS = 300


class ListSource:
    """Hands out what it is given; a driving truck's source for tests."""

    can_wait = False
    finished = False

    def __init__(self) -> None:
        self.windows: list[Window] = []
        self.window_s = 10.0
        self.opened_after: list[float | None] = []
        self.fault: Exception | None = None
        self.closed = False

    def open(self, after_s: float | None = None) -> None:
        self.opened_after.append(after_s)

    def read(self, timeout_s: float) -> Window | None:
        if self.fault is not None:
            raise self.fault
        if self.windows:
            return self.windows.pop(0)
        time.sleep(min(timeout_s, 0.01))
        return None

    def set_window(self, seconds: float) -> None:
        if seconds == 13.0:
            raise SourceError("thirteen is unlucky")
        self.window_s = seconds

    def close(self) -> None:
        self.closed = True


def wait_for(what: str, check: Callable[[], Any], timeout_s: float = 20.0) -> Any:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        if answer := check():
            return answer
        time.sleep(0.02)
    raise AssertionError(f"no {what} within {timeout_s:g} s")


def settings(folder: Path, port: int, extra: str = "") -> AgentSettings:
    return parse_agent(agent_text(folder, port, extra))


def agent_text(folder: Path, port: int, extra: str = "", vehicle: str = "t-1") -> str:
    return f"""
fleet = "yard"
vehicle = "{vehicle}"
outbox.path = "{folder / vehicle}.sqlite"
broker.url = "mqtt://127.0.0.1:{port}"
broker.resend_after_s = 1.0
{extra}
[source]
kind = "replay"
file = "{folder / "day.csv"}"
speed = 0
"""


def write_day(folder: Path, vehicles: tuple[str, ...] = ("t-1",), rows: int = ROWS) -> None:
    lines = ["time_ms,vehicle,axle,speed,lube"]
    for number in range(rows):
        for vehicle in vehicles:
            time_ms = 1_700_000_000_000 + number * 10_000
            lines += [f"{time_ms},{vehicle},0,{number % 90},", f"{time_ms},{vehicle},2,,{80 + number % 20}"]
    (folder / "day.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture
def source() -> ListSource:
    return ListSource()


@pytest.fixture
def agent(broker: Any, office: Any, source: ListSource, tmp_path: Path) -> Iterator[Agent]:
    made = Agent(settings(tmp_path, broker.port), SystemClock(), source)
    made.start()
    yield made
    made.stop()


def note_about(office: Any, command: str) -> str:
    def found() -> str | None:
        return next((s.note for s in office.statuses if s.note.startswith(f"command {command}:")), None)

    return str(wait_for(f"note about {command}", found)).removeprefix(f"command {command}: ")


def test_windows_reach_the_office(agent: Agent, office: Any, source: ListSource) -> None:
    source.windows = [Window(1.7e9 + 10.0 * n, {"speed": 50.0}) for n in range(20)]
    wait_for("frames", lambda: office.seqs() == list(range(1, 21)))


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
@pytest.mark.parametrize(
    ("command", "answer"),
    [
        (Command(id="c-1", action="set-window", seconds=30.0), "window set to 30 s"),
        (Command(id="c-2", action="set-window", seconds=0.5), "refused, a window is 1 to 600 s, not 0.5"),
        (Command(id="c-3", action="set-window", seconds=3600.0), "refused, a window is 1 to 600 s, not 3600"),
        (Command(id="c-4", action="set-window", seconds=13.0), "refused, thirteen is unlucky"),
        (Command(id="c-5", action="capture-burst", seconds=4.0), "refused, capture-burst is not possible"),
        (Command(id="c-6", action="set-window", seconds=20.0, expires_s=1.7e9), "refused, it has expired"),
    ],
)
def test_a_command_is_obeyed_or_refused_and_the_status_says_so(
    agent: Agent, office: Any, source: ListSource, command: Command, answer: str
) -> None:
    wait_for("agent", lambda: office.statuses)
    office.command("t-1", command)
    assert note_about(office, command.id).startswith(answer)
    assert source.window_s == (30.0 if command.id == "c-1" else 10.0)


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_command_that_comes_twice_is_obeyed_once(agent: Agent, office: Any, source: ListSource) -> None:
    wait_for("agent", lambda: office.statuses)
    office.command("t-1", Command(id="c-1", action="set-window", seconds=30.0))
    note_about(office, "c-1")
    source.window_s = 10.0
    office.command("t-1", Command(id="c-1", action="set-window", seconds=30.0))
    office.command("t-1", Command(id="c-2", action="set-window", seconds=13.0))
    note_about(office, "c-2")
    assert source.window_s == 10.0


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_command_that_goes_wrong_is_answered_and_stops_no_reading(
    agent: Agent, office: Any, source: ListSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(command: Command) -> str:
        raise ZeroDivisionError("by accident")

    monkeypatch.setattr(agent.bursts, "answer", broken)
    wait_for("agent", lambda: office.statuses)
    office.command("t-1", Command(id="c-1", action="capture-burst", seconds=4.0))
    assert note_about(office, "c-1").startswith("refused, an error of this program: ZeroDivisionError")
    assert not source.closed


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_trouble_while_a_failed_source_is_waited_for_ends_no_thread(
    agent: Agent, office: Any, source: ListSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_edge.agent.SOURCE_RETRY_S", 2.0)
    turn, turns = agent._turn, []

    def trouble() -> None:
        turns.append(1)
        if source.closed and len(turns) < 40:
            raise OSError("a disk that is away")
        turn()

    monkeypatch.setattr(agent, "_turn", trouble)
    source.fault = SourceError("sensor unplugged")
    wait_for("close", lambda: source.closed)
    source.fault = None
    wait_for("turns", lambda: len(turns) > 3)
    turns += [1] * 40
    source.windows = [Window(1.7e9, {"speed": 50.0})]
    wait_for("frame", lambda: office.seqs() == [1])
    assert agent.alive


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_failing_source_is_told_opened_again_and_goes_on_after_what_is_stored(
    agent: Agent, office: Any, source: ListSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_edge.agent.SOURCE_RETRY_S", 0.2)
    source.windows = [Window(1.7e9, {"speed": 50.0})]
    wait_for("first frame", lambda: office.seqs() == [1])
    source.fault = SourceError("sensor unplugged")
    wait_for("note", lambda: any(s.note == "source: sensor unplugged" for s in office.statuses))
    assert source.closed
    source.fault = None
    source.windows = [Window(1.7e9 + 10.0, {"speed": 51.0})]
    wait_for("second frame", lambda: office.seqs() == [1, 2])
    assert source.opened_after[0] is None and set(source.opened_after[1:]) == {1.7e9}


def run_agent(*files: Path, options: tuple[str, ...] = ()) -> subprocess.Popen[str]:
    words = [word for file in files for word in ("--config", str(file))]
    return subprocess.Popen(
        [sys.executable, "-m", "axlewright_models.command_line", "agent", *words, *options],
        stderr=subprocess.PIPE,
        text=True,
        env=ENVIRONMENT,
    )


def finish(process: subprocess.Popen[str], timeout_s: float = 30.0) -> tuple[int, str]:
    try:
        _, errors = process.communicate(timeout=timeout_s)
    except subprocess.TimeoutExpired:
        process.kill()
        _, errors = process.communicate()
        raise AssertionError(f"the agent did not end:\n{errors[-2000:]}") from None
    return process.returncode, errors


def test_many_agents_in_one_process_send_all_they_have_and_end(broker: Any, office: Any, tmp_path: Path) -> None:
    vehicles = ("t-1", "t-2", "t-3")
    write_day(tmp_path, vehicles, rows=60)
    files = []
    for vehicle in vehicles:
        files.append(tmp_path / f"{vehicle}.toml")
        files[-1].write_text(agent_text(tmp_path, broker.port, vehicle=vehicle), encoding="utf-8")
    code, errors = finish(run_agent(*files, options=("--until-sent",)))
    assert (code, "3 agents running" in errors) == (0, True), errors
    assert [office.seqs(vehicle) for vehicle in vehicles] == [list(range(1, 61))] * 3
    farewells = {s.stream for s in wait_for("goodbyes", lambda: [s for s in office.statuses if not s.online])}
    assert len(farewells) == 3


def test_an_agent_killed_again_and_again_sends_every_window_exactly_once(
    broker: Any, office: Any, tmp_path: Path
) -> None:
    write_day(tmp_path)
    file = tmp_path / "agent.toml"
    file.write_text(agent_text(tmp_path, broker.port), encoding="utf-8")
    for share in (0.1, 0.4, 0.7):
        process = run_agent(file, options=("--until-sent",))
        wait_for("some frames", lambda share=share: len(office.seqs()) >= share * ROWS)
        process.send_signal(signal.SIGKILL)
        process.communicate()
    code, errors = finish(run_agent(file, options=("--until-sent",)))
    assert code == 0, errors
    times = [frame.windows[0].time_s for frame in office.committed]
    assert times == [1.7e9 + 10.0 * number for number in range(ROWS)]
    assert len({frame.stream for frame in office.committed}) == 1


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_sigterm_ends_in_order_and_keeps_what_is_not_acknowledged(broker: Any, office: Any, tmp_path: Path) -> None:
    write_day(tmp_path)
    office.silent = True
    file = tmp_path / "agent.toml"
    file.write_text(agent_text(tmp_path, broker.port), encoding="utf-8")
    process = run_agent(file)
    wait_for("frames", lambda: len(office.received) >= 50)
    process.terminate()
    code, errors = finish(process, 10)
    assert code == 0, errors
    assert not wait_for("goodbye", lambda: [s for s in office.statuses if not s.online])[-1].online
    office.silent = False
    assert finish(run_agent(file, options=("--until-sent",)))[0] == 0
    assert office.seqs() == list(range(1, ROWS + 1))


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_killed_agent_is_declared_offline_by_its_last_will(broker: Any, office: Any, tmp_path: Path) -> None:
    write_day(tmp_path)
    file = tmp_path / "agent.toml"
    file.write_text(agent_text(tmp_path, broker.port), encoding="utf-8")
    process = run_agent(file)
    wait_for("agent", lambda: office.statuses and office.statuses[-1].online)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    wait_for("last will", lambda: not office.statuses[-1].online)


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_wrong_row_ends_the_agent_with_an_error_after_the_good_ones_were_sent(
    broker: Any, office: Any, tmp_path: Path
) -> None:
    write_day(tmp_path, rows=20)
    day = tmp_path / "day.csv"
    day.write_text(day.read_text(encoding="utf-8") + "1700000900000,t-1,0,fast,\n", encoding="utf-8")
    file = tmp_path / "agent.toml"
    file.write_text(agent_text(tmp_path, broker.port), encoding="utf-8")
    code, errors = finish(run_agent(file, options=("--until-sent",)))
    assert code == 1
    assert "day.csv:42: speed: 'fast' is no number" in errors
    # The twentieth window is not sure to be whole: the row that is wrong might have belonged to it.
    assert office.seqs() == list(range(1, 20))


BLOCKED = """
import sys

class Blocker:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {"scipy", "fastapi", "pydantic", "sqlalchemy", "pyarrow", "axlewright_simulators"}:
            raise ModuleNotFoundError(f"{name} is blocked by the test", name=name)
        return None

sys.meta_path.insert(0, Blocker())
from axlewright_models.command_line import main
code = main(sys.argv[1:])
print("blocked modules loaded:", sorted(set(sys.modules) & {"scipy", "fastapi", "pydantic", "sqlalchemy", "pyarrow"}))
raise SystemExit(code)
"""


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_the_agent_replays_a_csv_with_the_heavy_libraries_absent(broker: Any, office: Any, tmp_path: Path) -> None:
    write_day(tmp_path, rows=40)
    file = tmp_path / "agent.toml"
    file.write_text(agent_text(tmp_path, broker.port), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", BLOCKED, "agent", "--config", str(file), "--until-sent"],
        capture_output=True,
        text=True,
        env=ENVIRONMENT,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "blocked modules loaded: []" in done.stdout
    assert office.seqs() == list(range(1, 41))


def test_a_source_whose_library_is_absent_says_what_to_install(tmp_path: Path) -> None:
    (tmp_path / "day.parquet").write_bytes(b"")
    script = BLOCKED.replace(
        "from axlewright_models.command_line import main\ncode = main(sys.argv[1:])",
        "from pathlib import Path\nfrom axlewright_edge.sources.replay import read_table\n"
        "code = 0\ntry:\n    list(read_table(Path(sys.argv[1])))\nexcept Exception as error:\n    print(error)",
    )
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "day.parquet")],
        capture_output=True,
        text=True,
        env=ENVIRONMENT,
        timeout=60,
        check=False,
    )
    assert "Parquet needs pyarrow (pip install pyarrow); or convert the file to CSV" in done.stdout, done.stderr
