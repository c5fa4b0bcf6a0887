"""The wheel, installed into an empty environment, runs the demonstration from anywhere, and holds what it should."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import urllib.request
import venv
import zipfile
from pathlib import Path
from typing import Any

import psutil
import pytest

from house import SERVICES_REQUIRED, Process, wait_for
from ports import free_port

pytestmark = pytest.mark.acceptance

ROOT = Path(__file__).parents[2]
PIP = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
NO_NETWORK = (
    "NewConnectionError",
    "Temporary failure in name resolution",
    "Could not find a version that satisfies",
    "No matching distribution found",
    "Connection refused",
    "Read timed out",
)
ROOMS = ("axlewright_edge", "axlewright_server", "axlewright_models", "axlewright_simulators")


def run(command: list[str], timeout_s: float = 80.0, cwd: Path | None = None) -> str:
    """Run a command that may need the network and return what it printed; without network the test is skipped."""
    done = subprocess.run(command, capture_output=True, text=True, timeout=timeout_s, cwd=cwd, check=False)
    text = done.stdout + done.stderr
    if done.returncode != 0 and any(words in text for words in NO_NETWORK):
        refuse(f"pip reaches no package index: {text[-300:]}")
    assert done.returncode == 0, f"{command}:\n{text[-3000:]}"
    return text


def refuse(reason: str) -> None:
    (pytest.fail if SERVICES_REQUIRED else pytest.skip)(reason)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel."""
    if subprocess.run([*PIP, "--version"], capture_output=True, check=False).returncode != 0:
        refuse("pip is not installed in this environment")
    folder = tmp_path_factory.mktemp("wheel")
    run([*PIP, "wheel", "--quiet", "--no-deps", "--wheel-dir", str(folder), str(ROOT)])
    (found,) = folder.glob("axlewright-*.whl")
    return found


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Install the wheel with the extras of the demonstration into an empty environment; return its `axlewright`."""
    folder = tmp_path_factory.mktemp("empty") / "venv"
    venv.create(folder, with_pip=False)
    programs = folder / ("Scripts" if os.name == "nt" else "bin")
    wanted = f"axlewright[server,simulators] @ {wheel.as_uri()}"
    run([*PIP, "--python", str(programs / "python"), "install", "--quiet", "--no-compile", wanted], 300.0)
    return programs / "axlewright"


def test_the_wheel_holds_its_data_and_nothing_of_this_machine(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        content = {name: archive.read(name) for name in archive.namelist()}
    names = set(content)
    strangers = {name for name in names if not name.startswith((*(f"{room}/" for room in ROOMS), "axlewright-"))}
    assert strangers == set()
    tests = [name for name in names if Path(name).name.lower().startswith("test") or "/tests/" in name]
    assert not tests + [name for name in names if ".pyc" in name]
    assert not [name for name in names if name.startswith("/") or ".." in name]
    here = [str(ROOT).encode(), str(Path.home()).encode() + b"/"]
    assert not [name for name, data in content.items() if any(place in data for place in here)]
    for room in ROOMS:
        assert f"{room}/py.typed" in names
    assert "axlewright_simulators/data/harrow-vale.toml" in names
    assert "axlewright_server/diagnosis/causes.toml" in names
    assert "axlewright_edge/sources/j1939/drive_axle.dbc" in names
    assert any(name.endswith("/licenses/LICENSE") for name in names)


def test_every_tracked_file_of_the_packages_is_in_the_wheel(wheel: Path) -> None:
    try:
        listed = subprocess.run(
            ["git", "ls-files", *(f"{room.removeprefix('axlewright_')}/{room}" for room in ROOMS)],
            capture_output=True, text=True, cwd=ROOT, check=True,
        ).stdout.split()  # fmt: skip
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("this is no git checkout")
    with zipfile.ZipFile(wheel) as archive:
        names = set(archive.namelist())
    expected = {path.split("/", 1)[1] for path in listed if (ROOT / path).exists()}
    assert len(expected) > 100
    assert expected - names == set()
    kinds = {"/templates/": ".html", "/static/": ".css", "/static/vendor/": ".js", "/migrations/": ".py"}
    for part, ending in kinds.items():
        assert [name for name in names if part in name and name.endswith(ending)], f"no {ending} in {part}"
    assert [name for name in names if "/vendor/" in name and "license" in name.lower()], "vendored, without a licence"


def test_the_installed_demo_opens_its_page_and_ends_in_good_order(installed: Path, tmp_path: Path) -> None:
    page, broker = free_port(), free_port()
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    demo = Process(tmp_path, "demo")
    words = ["demo", "--history-days", "1", "--page-port", str(page), "--broker-port", str(broker)]
    demo.run(["env", "-C", str(elsewhere), "-u", "PYTHONPATH", str(installed), *words])
    assert demo.process is not None
    children: list[psutil.Process] = []
    try:
        address = f"http://127.0.0.1:{page}"
        wait_for("page of the demo", lambda: alive(demo) and fetch(f"{address}/readyz") is not None, 75)
        wait_for("truck on the page", lambda: alive(demo) and heard(fetch(f"{address}/api/1/fleet")), 40)
        children = psutil.Process(demo.process.pid).children(recursive=True)
        assert len(children) >= 2, "the office and the trucks are processes of their own"
    finally:
        code = demo.stop(45.0)
    assert code == 0, demo.text()[-3000:]
    _, left = psutil.wait_procs(children, timeout=5)
    assert left == [], "children live on after the demo"
    assert (elsewhere / "demo-data" / "demo.json").exists()


def test_a_busy_port_is_said_plainly(installed: Path, tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        words = ["demo", "--history-days", "0", "--page-port", str(port), "--broker-port", str(free_port())]
        done = subprocess.run(
            [str(installed), *words], capture_output=True, text=True, timeout=60, cwd=tmp_path, check=False
        )
    assert done.returncode == 1
    assert f"port {port} for the page is in use by another program" in done.stderr
    assert "--page-port" in done.stderr
    assert "Traceback" not in done.stderr


def alive(process: Process) -> bool:
    """Return true; fail at once when the process is gone."""
    assert process.running, f"the demo ended:\n{process.text()[-3000:]}"
    return True


def fetch(url: str) -> Any:
    """Return the JSON answer (or text) of an address; None while there is none."""
    try:
        with urllib.request.urlopen(url, timeout=3) as answer:
            body = answer.read()
    except OSError:
        return None
    try:
        return json.loads(body)
    except ValueError:
        return body


def heard(fleet: Any) -> bool:
    """Return whether a truck drives live: its newest window is younger than history can leave it."""
    vehicles = fleet["vehicles"] if isinstance(fleet, dict) else []
    return any(one["link"] == "online" and fleet["time_s"] - (one["seen_s"] or 0.0) < 30.0 for one in vehicles)
