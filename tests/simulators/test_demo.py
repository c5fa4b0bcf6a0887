"""The demonstration's own parts: ports, folders, children, agent files. The whole of it is in tests/acceptance."""

from __future__ import annotations

import signal
import socket
import sys
import time
from pathlib import Path

import pytest
from rich.console import Console

from axlewright_edge.config import SimulatedSettings, load_agent
from axlewright_models.command_line import Command
from axlewright_models.errors import ModelError
from axlewright_models.spec import FleetSpec
from axlewright_simulators import demo, processes
from axlewright_simulators.agents import write_agents
from axlewright_simulators.commands import DEMO, TRUCKS
from axlewright_simulators.convoy import ConvoyOptions, convoy_trucks
from axlewright_simulators.demo import DemoOptions, DemoPaths, Notes, clear_demo, read_notes, run_demo, write_notes
from axlewright_simulators.state import TruckFile, load_truck

NOW_S = 1_780_000_000.0


def child_of(code: str, tmp_path: Path) -> processes.Child:
    child = processes.Child("the child", [], tmp_path / "child.log")
    child._words = [sys.executable, "-c", code]
    return child


@pytest.fixture
def busy_port() -> object:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        yield taken.getsockname()[1]


def test_a_busy_port_is_said_with_the_option_that_mends_it(busy_port: int, tmp_path: Path) -> None:
    options = DemoOptions(tmp_path / "d", busy_port, busy_port, 1.0, 1, fresh=False, history=False)
    with pytest.raises(ModelError, match=rf"port {busy_port} for the page is in use .* with --page-port NUMBER"):
        run_demo(options, Console(quiet=True))
    assert not (tmp_path / "d").exists()


def test_a_free_port_is_let_through(busy_port: int) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        free = probe.getsockname()[1]
    processes.require_free_ports([("page", free, "--page-port")])
    assert not processes.port_is_free(busy_port)


def test_fresh_removes_a_demonstrations_folder_and_nothing_else(tmp_path: Path) -> None:
    mine, other = tmp_path / "demo", tmp_path / "other"
    for folder in (mine, other):
        folder.mkdir()
        (folder / "precious.txt").write_text("keep")
    (mine / "demo.json").write_text("{}")
    clear_demo(DemoPaths(mine))
    assert not mine.exists()
    with pytest.raises(ModelError, match=r"no demonstration's folder .* left as it is"):
        clear_demo(DemoPaths(other))
    assert (other / "precious.txt").read_text() == "keep"


def test_a_preparation_that_was_cut_short_is_begun_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    paths = DemoPaths(tmp_path / "d")
    paths.data.mkdir()
    write_notes(paths, Notes(1, NOW_S, ready=False))
    (paths.data / "half").write_text("half a history")
    begun: list[str] = []
    monkeypatch.setattr(demo, "_begun", lambda *_: begun.append("anew") or [])
    options = DemoOptions(paths.data, 1, 2, 1.0, 7, fresh=False, history=False)
    demo._prepare(paths, options, Console(quiet=True))
    assert begun == ["anew"] and not (paths.data / "half").exists()
    notes = read_notes(paths)
    assert notes is not None and notes.ready and notes.seed == 7


@pytest.mark.parametrize("begin_s", [None, NOW_S])
def test_the_edge_reads_the_agent_files_that_are_written(
    fleet: FleetSpec, tmp_path: Path, begin_s: float | None
) -> None:
    trucks = [TruckFile(vehicle, 3, NOW_S, True, NOW_S) for vehicle in ("hv-101", "hv-201")]
    paths = write_agents(
        tmp_path / 'with "quotes"',
        tmp_path / "fleet.toml",
        fleet.fleet,
        "mqtt://127.0.0.1:1",
        trucks,
        begin_s=begin_s,
        speed_up=1.0 if begin_s is None else 600.0,
        window_s=20.0,
    )
    for path, truck in zip(paths, trucks, strict=True):
        agent = load_agent(path)
        assert (agent.fleet, agent.vehicle, agent.window_s) == ("harrow-vale", truck.vehicle, 20.0)
        assert isinstance(agent.source, SimulatedSettings)
        assert load_truck(agent.source.state_file) == truck
        begin = agent.source.begin
        assert begin_s is None if begin is None else begin.timestamp() == begin_s


def test_a_child_that_dies_is_started_again_until_it_dies_too_often(tmp_path: Path) -> None:
    child = child_of("print('boom'); raise SystemExit(3)", tmp_path)
    child.start()
    said: list[str] = []
    with pytest.raises(ModelError, match=r"the child ended again \(exit code 3(.|\n)*boom"):
        processes.watch([child], said.append, every_s=0.02)
    assert len(said) == processes.RESTARTS


def test_a_child_that_fails_at_its_start_is_quoted(tmp_path: Path) -> None:
    child = child_of("print('no such file')", tmp_path)
    child.start()
    with pytest.raises(ModelError, match=r"ended at its start(.|\n)*no such file"):
        processes.wait_until(lambda: False, child, timeout_s=20.0)


def test_a_child_is_ended_by_sigterm_and_only_a_deaf_one_is_killed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(processes, "GRACE_S", 0.5)
    polite = child_of("import time; time.sleep(60)", tmp_path)
    deaf = child_of(
        "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print('up', flush=True); time.sleep(60)",
        tmp_path,
    )
    for child in (polite, deaf):
        child.start()
    deadline = time.monotonic() + 20.0
    while "up" not in deaf.last_words() and time.monotonic() < deadline:
        time.sleep(0.02)
    for child in (polite, deaf):
        child.stop()
    assert polite.exit_code == -signal.SIGTERM
    assert deaf.exit_code == -signal.SIGKILL


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_and_sigterm_both_end_in_order(number: signal.Signals) -> None:
    before = signal.getsignal(number)
    with pytest.raises(processes.Stopped), processes.stoppable():
        signal.raise_signal(number)
        time.sleep(1.0)
    assert signal.getsignal(number) is before


def convoy(fleet_file: Path, **changes: object) -> ConvoyOptions:
    usual: dict[str, object] = {
        "fleet": fleet_file,
        "broker_url": "mqtt://127.0.0.1:1",
        "count": 3,
        "seed": 1,
        "begin_s": NOW_S - 3600.0,
        "speed_up": 60.0,
        "window_s": 10.0,
        "scenarios": ("dragging-brake=hv-102@+600",),
        "data": None,
    }
    return ConvoyOptions(**{**usual, **changes})  # type: ignore[arg-type]  # a table of mixed values


def test_trucks_are_as_many_as_asked_for_with_their_scenarios(fleet: FleetSpec) -> None:
    trucks, faults = convoy_trucks(convoy(Path("fleet.toml")), fleet, NOW_S)
    assert [truck.vehicle for truck in trucks] == ["hv-101", "hv-102", "hv-103"]
    assert trucks[1].faults == faults and faults[0].onset_s == NOW_S - 3000.0
    assert trucks[0].faults == ()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"count": 99}, "--count is 99, but the fleet 'harrow-vale' has 1 to 14 trucks"),
        ({"count": 0}, "--count is 0"),
        ({"begin_s": NOW_S + 60.0}, "--begin lies in the future"),
        ({"scenarios": ("unbalance=hv-206@+1",)}, "--scenario names hv-206, which --count leaves at home"),
    ],
)
def test_wrong_wishes_are_refused(fleet: FleetSpec, changes: dict[str, object], words: str) -> None:
    with pytest.raises(ModelError, match=words):
        convoy_trucks(convoy(Path("fleet.toml"), **changes), fleet, NOW_S)


@pytest.mark.parametrize("command", [DEMO, TRUCKS])
def test_commands_explain_every_option_and_give_examples(command: Command) -> None:
    text = command.parser().format_help()
    assert "examples:" in text
    readme = (Path(__file__).parents[2] / "simulators" / "README.md").read_text(encoding="utf-8")
    for action in command.parser()._actions:
        assert action.help
    for example in command.examples:
        assert " ".join(example.split()) in " ".join(readme.split())
