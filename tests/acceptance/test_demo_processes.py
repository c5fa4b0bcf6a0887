"""The demonstration's processes: one that dies is started again, and none outlives the demonstration."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import psutil
import pytest

from house import COMMAND, Process, port_answers, wait_for
from ports import free_port

pytestmark = pytest.mark.acceptance


@pytest.fixture
def demo(tmp_path: Path) -> Iterator[Process]:
    """A demonstration without history, its trucks on the road."""
    demo = Process(tmp_path, "demo")
    broker = free_port()
    words = ["demo", "--data", str(tmp_path / "data"), "--history-days", "0"]
    demo.run([*COMMAND, *words, "--page-port", str(free_port()), "--broker-port", str(broker)])
    left: list[psutil.Process] = []
    try:
        wait_for("trucks", lambda: port_answers(broker) and agents(demo), 60)
        left = family(demo)  # a test may kill the demonstration, and then nothing leads to its children any more
        yield demo
    finally:
        left += family(demo)
        demo.stop(45.0)
        for process in left:
            if process.is_running():
                process.kill()


def family(demo: Process) -> list[psutil.Process]:
    """Return all processes under the demonstration."""
    if not demo.running:
        return []
    assert demo.process is not None
    return psutil.Process(demo.process.pid).children(recursive=True)


def agents(demo: Process) -> list[psutil.Process]:
    """Return the process of the trucks, once it runs."""
    return [process for process in family(demo) if "agent" in words_of(process)]


def words_of(process: psutil.Process) -> list[str]:
    """Return a process's command line; none when it has just ended."""
    try:
        return process.cmdline()
    except psutil.NoSuchProcess:  # a zombie's too
        return []


def test_trucks_that_die_are_started_again_and_that_is_said(demo: Process) -> None:
    (old,) = agents(demo)
    old.kill()
    wait_for("new trucks", lambda: [one for one in agents(demo) if one.pid != old.pid], 15)
    assert "the trucks ended (exit code -9); starting it again" in " ".join(demo.text().split())


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells a child that its parent was killed")
def test_no_child_outlives_a_demonstration_that_was_killed(demo: Process) -> None:
    children = family(demo)
    assert len(children) >= 2
    demo.kill()
    _, left = psutil.wait_procs(children, timeout=25)
    assert left == []
