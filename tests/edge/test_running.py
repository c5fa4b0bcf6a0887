"""The agent as a service: watchdog, logs, what it writes and loads, what it says of itself, and its answers."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from axlewright_edge.agent import MOST_COMMANDS_WAITING, Agent
from axlewright_edge.agent_command import Watch
from axlewright_edge.clock import ManualClock, SystemClock
from axlewright_edge.config import AgentSettings, parse_agent
from axlewright_edge.notify import Notifier
from axlewright_edge.self_metrics import SelfMetrics, gateway_cel, resident_bytes
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import Command, SourceHealth

ROOT = Path(__file__).parents[2]
UNIT = ROOT / "edge" / "axlewright-agent@.service"
ENVIRONMENT = {**os.environ, "PYTHONPATH": os.pathsep.join(str(ROOT / room) for room in ("edge", "models"))}


def wait_for(what: str, check: Callable[[], Any], timeout_s: float = 20.0) -> Any:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        if answer := check():
            return answer
        time.sleep(0.02)
    raise AssertionError(f"no {what} within {timeout_s:g} s")


def agent_text(folder: Path, port: int = 1) -> str:
    return (
        f'fleet = "yard"\nvehicle = "t-1"\noutbox.path = "{folder}/state/o.sqlite"\n'
        f'broker.url = "mqtt://127.0.0.1:{port}"\n[source]\nkind = "replay"\nfile = "{folder}/day.csv"\nspeed = 0\n'
    )


@pytest.fixture
def agent_file(tmp_path: Path) -> Path:
    lines = ["time_ms,vehicle,axle,speed,lube"]
    for number in range(30):
        lines += [
            f"{1_700_000_000_000 + number * 10_000},t-1,0,50,",
            f"{1_700_000_000_000 + number * 10_000},t-1,2,,90",
        ]
    (tmp_path / "day.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "agent.toml").write_text(agent_text(tmp_path), encoding="utf-8")
    return tmp_path / "agent.toml"


# --- the service manager ---


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    address = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(address)
        line.settimeout(20.0)
        yield address, line


def test_the_service_manager_hears_ready_and_then_a_ping_as_often_as_it_asked(
    manager: tuple[str, socket.socket], agent_file: Path
) -> None:
    address, line = manager
    process = subprocess.Popen(
        [sys.executable, "-m", "axlewright_models.command_line", "agent", "--config", str(agent_file)],
        stderr=subprocess.DEVNULL,
        env={**ENVIRONMENT, "NOTIFY_SOCKET": address, "WATCHDOG_USEC": "1500000"},
    )
    try:
        assert line.recv(1000).decode() == "READY=1\nSTATUS=1 agents running"
        begun = time.monotonic()
        for _ in range(4):
            assert line.recv(1000) == b"WATCHDOG=1"
        assert time.monotonic() - begun < 4 * 1.5, "slower than the watchdog allows"
    finally:
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 0


def test_an_abstract_socket_is_reached_too() -> None:
    name = f"axlewright-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind("\0" + name)
        assert Notifier({"NOTIFY_SOCKET": "@" + name}).send("READY=1", "STATUS=good")
        assert line.recv(100) == b"READY=1\nSTATUS=good"


def test_a_service_manager_that_has_gone_stops_nothing(tmp_path: Path) -> None:
    assert not Notifier({"NOTIFY_SOCKET": str(tmp_path / "none")}).send("WATCHDOG=1")


def test_the_ping_stops_while_an_agent_does_not_turn(manager: tuple[str, socket.socket]) -> None:
    address, line = manager
    clock = ManualClock(1.8e9)
    agents = [SimpleNamespace(alive=True, settings=SimpleNamespace(vehicle=name)) for name in ("t-1", "t-2")]
    watch = Watch(cast("list[Agent]", agents), Notifier({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "3000000"}), clock)
    watch.look()
    assert (line.recv(100).split(b"\n")[0], line.recv(100)) == (b"READY=1", b"WATCHDOG=1")
    agents[1].alive = False
    clock.advance(1.0)
    watch.look()
    assert line.recv(100) == b"STATUS=stuck: t-2"
    agents[1].alive = True
    clock.advance(1.0)
    watch.look()
    assert line.recv(100) == b"WATCHDOG=1"


class SomeSource:
    can_wait = False
    finished = False

    def __init__(self) -> None:
        self.windows: list[Window] = []
        self.stuck = False
        self.answers = 0

    def open(self, after_s: float | None = None) -> None: ...

    def read(self, timeout_s: float) -> Window | None:
        while self.stuck:
            time.sleep(0.01)
        if self.windows:
            return self.windows.pop(0)
        time.sleep(min(timeout_s, 0.01))
        return None

    def set_window(self, seconds: float) -> None:
        self.answers += 1

    def health(self) -> list[SourceHealth]:
        return [SourceHealth(name="j1939 can0", state="stale", note="speed silent for 8 s")]

    def close(self) -> None: ...


def settings(folder: Path, port: int) -> AgentSettings:
    return parse_agent(agent_text(folder, port))


@pytest.fixture
def source() -> SomeSource:
    return SomeSource()


@pytest.fixture
def agent(broker: Any, office: Any, source: SomeSource, tmp_path: Path) -> Iterator[Agent]:
    made = Agent(settings(tmp_path, broker.port), SystemClock(), source)
    made.start()
    yield made
    source.stuck = False
    made.stop()


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_an_agent_whose_source_hangs_is_not_alive(
    agent: Agent, office: Any, source: SomeSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_edge.agent.LONGEST_TURN_S", 1.0)
    wait_for("status", lambda: office.statuses)
    time.sleep(1.2)
    assert agent.alive
    source.stuck = True
    wait_for("the end of its pulse", lambda: not agent.alive, 3.0)
    source.stuck = False
    wait_for("its pulse again", lambda: agent.alive, 3.0)


def test_the_unit_is_one_that_systemd_accepts(tmp_path: Path) -> None:
    verifier = shutil.which("systemd-analyze")
    if verifier is None:
        pytest.skip("systemd-analyze is not installed")
    # The program of the sample stands where this machine has none.
    text = UNIT.read_text(encoding="utf-8").replace("/opt/axlewright/bin/axlewright", "/bin/true")
    unit = tmp_path / "axlewright-agent@hv-101.service"
    unit.write_text(text, encoding="utf-8")
    done = subprocess.run([verifier, "verify", str(unit)], capture_output=True, text=True, check=False)
    assert (done.returncode, [line for line in done.stderr.splitlines() if unit.name in line]) == (0, [])


@pytest.mark.parametrize(
    "line",
    ["Type=notify", "User=axlewright", "WatchdogSec=120", "Restart=always", "ProtectSystem=strict", "MemoryMax=256M"],
)
def test_the_unit_says(line: str) -> None:
    assert line in UNIT.read_text(encoding="utf-8").splitlines()


# --- logs, files, modules ---


def test_every_line_of_a_json_log_is_an_object(agent_file: Path) -> None:
    words = ["agent", "--config", str(agent_file), "--log-format", "json", "--log-level", "info"]
    process = subprocess.Popen(
        [sys.executable, "-m", "axlewright_models.command_line", *words],
        stderr=subprocess.PIPE,
        text=True,
        env=ENVIRONMENT,
    )
    assert process.stderr is not None
    lines = [process.stderr.readline() for _ in range(2)]
    process.send_signal(signal.SIGTERM)
    lines += process.communicate()[1].splitlines()
    records = [json.loads(line) for line in lines]
    assert {"time", "level", "logger", "message", "thread"} <= set.intersection(*(set(record) for record in records))
    refused = [record for record in records if "Connection refused" in record["message"]]
    assert refused and refused[0]["level"] == "warning" and refused[0]["logger"] == "axlewright_edge.link"


AUDITED = """
import os, sys
written = []

def look(event, arguments):
    if event == "open":
        path, mode, flags = arguments
        if isinstance(path, (str, bytes)) and flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
            written.append(os.fsdecode(path))
    elif event == "sqlite3.connect":
        written.append(os.fsdecode(arguments[0]))
    elif event in ("os.mkdir", "os.rename", "os.remove", "tempfile.mkstemp", "shutil.move"):
        written.append(os.fsdecode(arguments[0]))

sys.dont_write_bytecode = True
sys.addaudithook(look)
from axlewright_models.command_line import main
code = main(sys.argv[1:])
print(sorted(set(written)))
print(sorted({name.split(".")[0] for name in sys.modules if not name.startswith("_")}))
assert "axlewright_edge.sources.j1939.source" not in sys.modules, "a truck without a bus loads what reads one"
raise SystemExit(code)
"""


@pytest.fixture
def audited(broker: Any, office: Any, agent_file: Path, tmp_path: Path) -> tuple[list[str], list[str]]:
    """Return what an agent wrote and loaded while it sent a recording."""
    agent_file.write_text(agent_text(tmp_path, broker.port), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", AUDITED, "agent", "--config", str(agent_file), "--until-sent"],
        capture_output=True,
        text=True,
        env=ENVIRONMENT,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert office.seqs() == list(range(1, 31))
    written, loaded = (json.loads(line.replace("'", '"')) for line in done.stdout.splitlines())
    return written, loaded


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_nothing_is_written_outside_the_folder_of_the_outbox(
    audited: tuple[list[str], list[str]], tmp_path: Path
) -> None:
    written, _ = audited
    assert [path for path in written if not path.startswith(f"{tmp_path}/state")] == []
    assert f"{tmp_path}/state/o.sqlite" in written, "the test saw nothing"


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_an_agent_loads_only_what_it_needs(audited: tuple[list[str], list[str]]) -> None:
    _, loaded = audited
    outside = {name for name in loaded if name not in sys.stdlib_module_names}
    # typing_extensions comes with msgspec and paho where it is installed.
    assert outside - {"typing_extensions", "sitecustomize"} == {
        "axlewright_edge",
        "axlewright_models",
        "cbor2",
        "msgspec",
        "numpy",
        "paho",
    }


# --- what it says of itself ---


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_the_status_tells_what_waits_what_the_agent_costs_and_how_its_sources_are(
    agent: Agent, office: Any, source: SomeSource
) -> None:
    office.silent = True
    source.windows = [Window(time.time() - 100.0 + n, {"speed": 50.0}) for n in range(5)]
    wait_for("frames", lambda: agent.outbox.queued == 5)
    agent.link.say("how are you?")
    status = wait_for("status", lambda: next((s for s in office.statuses if s.note == "how are you?"), None))
    assert status.queued == 5
    assert status.oldest_unsent_s == pytest.approx(100.0, abs=5.0)
    assert 5e6 < status.memory_bytes < 2e9
    assert SourceHealth(name="j1939 can0", state="stale", note="speed silent for 8 s") in status.sources
    assert status.cpu_share is None or status.cpu_share >= 0.0
    office.silent = False


def test_the_share_of_a_core_is_measured_over_the_time_between(monkeypatch: pytest.MonkeyPatch) -> None:
    clock, spent = ManualClock(1.8e9), [0.0]
    monkeypatch.setattr("axlewright_edge.self_metrics.time.process_time", lambda: spent[0])
    metrics = SelfMetrics(clock)
    assert metrics.read().cpu_share is None
    clock.advance(60.0)
    spent[0] = 1.5
    assert metrics.read().cpu_share == pytest.approx(0.025)
    clock.advance(1.0)
    spent[0] = 2.5
    assert metrics.read().cpu_share == pytest.approx(0.025), "a single second says nothing"


def test_resident_memory_is_that_of_the_system(tmp_path: Path) -> None:
    psutil = pytest.importorskip("psutil")
    assert resident_bytes() == pytest.approx(psutil.Process().memory_info().rss, rel=0.1)
    assert resident_bytes(tmp_path / "none") is None


def test_the_hottest_plausible_zone_is_told_and_none_where_there_is_none(tmp_path: Path) -> None:
    for number, text in enumerate(["45000\n", "61500\n", "-274000\n", "gone"]):
        (tmp_path / f"thermal_zone{number}").mkdir()
        (tmp_path / f"thermal_zone{number}" / "temp").write_text(text, encoding="ascii")
    assert gateway_cel(tmp_path) == 61.5
    assert gateway_cel(tmp_path / "none") is None


# --- commands ---


def answers(office: Any) -> list[str]:
    """Return the answers in order; a status that only repeats the last note is not another one."""
    told: list[str] = []
    for status in list(office.statuses):
        if status.note.startswith(("command ", "message not")) and (not told or told[-1] != status.note):
            told.append(status.note)
    return told


@pytest.mark.parametrize("broker", ["embedded", "mosquitto"], indirect=True)
def test_every_command_of_a_flood_gets_exactly_one_answer(agent: Agent, office: Any, source: SomeSource) -> None:
    wait_for("status", lambda: office.statuses)
    source.stuck = True  # nothing can be obeyed meanwhile
    time.sleep(0.1)
    count = MOST_COMMANDS_WAITING + 12
    for number in range(count):
        command = Command(id=f"c-{number}", action="set-window", seconds=30.0)
        office.command("t-1", command)
        if number % 3 == 0:
            office.command("t-1", command)  # QoS 1: it may come twice
    wait_for("refusals", lambda: len(answers(office)) >= 10)
    source.stuck = False
    wait_for("answers", lambda: len(answers(office)) == count)
    time.sleep(0.5)
    told = answers(office)
    assert Counter(note.split(":")[0] for note in told) == {f"command c-{number}": 1 for number in range(count)}
    refused = sum("refused, 20 others wait" in note for note in told)
    assert source.answers == count - refused
    assert MOST_COMMANDS_WAITING <= source.answers <= MOST_COMMANDS_WAITING + 1


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
@pytest.mark.parametrize(
    ("payload", "answer"),
    [
        (b"{not json", "message not understood: not a valid Command"),
        (b"\xff\xfe", "message not understood: not a valid Command"),
        (b'{"id": "c-1", "action": "self-destruct", "seconds": 1}', "command c-1: refused, not a valid Command"),
        (b'{"id": "c-2", "action": "set-window"}', "command c-2: refused, not a valid Command"),
        (b'{"id": "c-3", "action": "set-window", "seconds": -4}', "command c-3: refused, not a valid Command"),
        (b'{"id": "c-4", "action": "set-window", "seconds": "NaN"}', "command c-4: refused, not a valid Command"),
        (b'{"id": "C 5", "action": "set-window", "seconds": 10}', "message not understood: not a valid Command"),
        (b'{"id": "c-6", "seconds": ' + b"9" * 20_000 + b"}", "message not understood: 20026 bytes; at most 16384"),
    ],
)
def test_a_malformed_command_is_refused_by_name_where_it_has_one_and_does_nothing(
    agent: Agent, office: Any, source: SomeSource, payload: bytes, answer: str
) -> None:
    wait_for("status", lambda: office.statuses)
    office.command("t-1", payload)
    assert wait_for("answer", lambda: answers(office))[0].startswith(answer)
    assert source.answers == 0


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_answers_given_while_the_link_was_down_are_told_on_the_next_connection(
    agent: Agent, office: Any, broker: Any, source: SomeSource
) -> None:
    wait_for("connection", lambda: agent.link.connected and office.statuses)
    office.stop()
    broker.stop()
    wait_for("lost connection", lambda: not agent.link.connected)
    for number in range(5):
        agent._take_command(Command(id=f"c-{number}", action="set-window", seconds=20.0))
    wait_for("obeyed", lambda: source.answers == 5)
    broker.start()
    office.start()
    wait_for("answers", lambda: len(answers(office)) >= 5, 30.0)
    assert answers(office) == [f"command c-{number}: window set to 20 s" for number in range(5)]
