"""Power cuts at any byte, disks that lie, damaged files, full disks: nothing lost that can be kept, nothing twice."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from axlewright_edge.agent import MOST_HELD, Agent, open_outbox
from axlewright_edge.clock import SystemClock
from axlewright_edge.config import AgentSettings, parse_agent
from axlewright_edge.errors import OutboxError
from axlewright_edge.outbox import LEAP_AFTER_POWER_CUT, Outbox
from axlewright_models.wire.frames import Window

OWNER = "yard/t-1"
ROOT = Path(__file__).parents[2]


def window(number: int) -> Window:
    return Window(1.7e9 + 10.0 * number, {"speed": float(number % 90)}, {2: {"lube": float(number)}})


class Sequence:
    """The office in a few lines: commits in order, by `seq` and `after`, whatever is new."""

    def __init__(self) -> None:
        self.last: dict[str, int] = {}
        self.windows: list[Window] = []

    def take(self, outbox: Outbox) -> None:
        """Be sent all that waits, and acknowledge it."""
        for entry in outbox.entries(0, 10_000):
            last = self.last.setdefault(entry.stream, 0)
            if (entry.seq - 1 if entry.after is None else entry.after) <= last < entry.seq:
                self.windows += entry.windows
                self.last[entry.stream] = entry.seq
        outbox.free(self.last.get(outbox.stream, 0))


def image(folder: Path, name: str, wal_bytes: int | None = None) -> Path:
    """Return a copy of the files as a power cut would leave them."""
    target = folder / name
    target.mkdir()
    for file in ("o.sqlite", "o.sqlite-wal"):
        shutil.copyfile(folder / file, target / file)
    if wal_bytes is not None:
        os.truncate(target / "o.sqlite-wal", wal_bytes)
    return target / "o.sqlite"


def test_a_log_cut_off_at_any_byte_gives_back_a_whole_beginning(tmp_path: Path) -> None:
    chance = random.Random(1)
    with Outbox(tmp_path / "o.sqlite", OWNER, boot="a") as outbox:
        size_after = [(tmp_path / "o.sqlite-wal").stat().st_size]
        for number in range(1, 41):
            outbox.put([window(number)])
            size_after.append((tmp_path / "o.sqlite-wal").stat().st_size)
        assert size_after[-1] > size_after[0] > 0
        # Each commit's last byte, one before and one after it, the header's bytes, and anywhere.
        cuts = {end + shift for end in size_after for shift in (-1, 0, 1)} | set(range(0, 64, 7))
        cuts |= {chance.randrange(size_after[-1]) for _ in range(120)}
        for cut in sorted(min(cut, size_after[-1]) for cut in cuts):
            path = image(tmp_path, f"cut-{cut}", cut)
            whole = sum(1 for end in size_after[1:] if end <= cut)
            with Outbox(path, OWNER, boot="b") as after:
                entries = after.entries(0, 1000)
                assert [entry.seq for entry in entries] == list(range(1, whole + 1)), cut
                assert all(entry.windows == (window(entry.seq),) for entry in entries)
            shutil.rmtree(path.parent)


def test_what_was_acknowledged_before_a_lying_disk_forgot_it_hides_nothing_that_comes_after(tmp_path: Path) -> None:
    # The disk said that commits were written, the office had them, and the power cut took them back.
    chance = random.Random(2)
    office, put, now = Sequence(), 0, 1.8e9
    for round_number in range(12):
        with Outbox(tmp_path / "o.sqlite", OWNER, boot=f"boot-{round_number}") as outbox:
            office.take(outbox)
            for _ in range(20):
                put += 1
                outbox.put([Window(now + 10.0 * put)])
                if chance.random() < 0.5:
                    office.take(outbox)
            office.take(outbox)
            size = (tmp_path / "o.sqlite-wal").stat().st_size
            path = image(tmp_path, "torn", chance.randrange(size // 2, size))
        for file in tmp_path.glob("o.sqlite*"):
            file.unlink()
        for file in path.parent.iterdir():
            file.rename(tmp_path / file.name)
        path.parent.rmdir()
    times = [one.time_s for one in office.windows]
    assert times == [now + 10.0 * number for number in range(1, put + 1)], "lost, or told twice"


def test_numbers_leap_after_a_power_cut_and_not_after_an_orderly_end_or_a_killed_process(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.sqlite", OWNER, boot="a") as outbox:
        assert outbox.put([window(1)]) == 1
    with Outbox(tmp_path / "o.sqlite", OWNER, boot="b") as outbox:
        assert outbox.put([window(2)]) == 2
        killed = image(tmp_path, "killed")
    with Outbox(killed, OWNER, boot="b") as outbox:
        assert outbox.put([window(3)]) == 3
        cut = image(killed.parent, "cut")
    with Outbox(cut, OWNER, boot="c") as outbox:
        outbox.free(2)
        assert outbox.put([window(4)]) == 4 + LEAP_AFTER_POWER_CUT
        assert [(entry.seq, entry.after) for entry in outbox.entries(0, 9)] == [
            (3, None),
            (4 + LEAP_AFTER_POWER_CUT, 3),
        ]
        assert outbox.put([window(5)]) == 5 + LEAP_AFTER_POWER_CUT


def settings_for(path: Path, port: int = 1) -> AgentSettings:
    return parse_agent(
        f'fleet = "yard"\nvehicle = "t-1"\noutbox.path = "{path}"\nbroker.url = "mqtt://127.0.0.1:{port}"\n'
        'broker.resend_after_s = 1.0\nsource = {kind = "replay", file = "day.csv"}\n'
    )


def closed_outbox(path: Path, count: int = 400) -> tuple[bytes, str]:
    with Outbox(path, OWNER) as outbox:
        outbox.put([window(number) for number in range(1, count + 1)])
        return path.read_bytes(), outbox.stream
    raise AssertionError


def opens_afresh(path: Path, damaged: bytes, stream: str) -> None:
    path.write_bytes(damaged)
    fresh, note = open_outbox(settings_for(path))
    with fresh:
        if fresh.stream == stream:  # a page may end in zeros, which is what SQLite reads beyond the end of a file
            assert [entry.windows for entry in fresh.entries(0, 1000)] == [(window(n),) for n in range(1, 401)]
        else:
            assert fresh.put([window(1)]) == 1
    if damaged and fresh.stream != stream:
        assert note.startswith("outbox damaged, moved to o.sqlite.damaged-"), note
        assert sum(file.read_bytes() == damaged for file in path.parent.glob("o.sqlite.damaged-*")) == 1
    for file in path.parent.glob("o.sqlite*"):
        file.unlink()


def test_a_main_file_cut_off_at_any_byte_is_set_aside_and_a_new_stream_begins(tmp_path: Path) -> None:
    path, chance = tmp_path / "o.sqlite", random.Random(3)
    closed_outbox(path)
    whole = path.read_bytes()
    stream = Outbox(path, OWNER)
    name = stream.stream
    stream.close()
    cuts = [0, 1, 15, 16, 99, 100, 511, 512, 4095, 4096, 4097, len(whole) - 4096, len(whole) - 1]
    for cut in cuts + [chance.randrange(len(whole)) for _ in range(25)]:
        opens_afresh(path, whole[:cut], name)


@pytest.mark.parametrize(
    "tear",
    [
        lambda page: bytes(4096),
        lambda page: page[:512] + b"\xff" * 3584,
        lambda page: b"\xff" * 512 + page[512:],
        lambda page: bytes(100) + page[100:],
    ],
    ids=["all zero", "its beginning is old", "its beginning is garbage", "no header"],
)
def test_a_torn_first_page_is_set_aside_and_a_new_stream_begins(tear: Callable[[bytes], bytes], tmp_path: Path) -> None:
    path = tmp_path / "o.sqlite"
    closed_outbox(path)
    whole = path.read_bytes()
    opens_afresh(path, tear(whole[:4096]) + whole[4096:], "none")


def test_a_frame_that_the_disk_has_changed_is_set_aside_and_never_sent(tmp_path: Path) -> None:
    path, count = tmp_path / "o.sqlite", 400
    closed_outbox(path, count)
    whole, chance, changed = path.read_bytes(), random.Random(4), 0
    for _ in range(60):
        place = chance.randrange(4096 * 3, len(whole))
        path.write_bytes(whole[:place] + bytes([whole[place] ^ (1 << chance.randrange(8))]) + whole[place + 1 :])
        try:
            with Outbox(path, OWNER) as outbox:
                entries = outbox.entries(0, 1000)
                assert all(entry.windows == (window(entry.seq),) for entry in entries)
                assert len(entries) + outbox.figures().set_aside == count or outbox.damaged
                changed += outbox.figures().set_aside
        except OutboxError:
            continue  # the page's own structure was hit
        finally:
            for file in tmp_path.glob("o.sqlite-*"):
                file.unlink()
    assert changed > 20, "hardly any flipped bit was in a frame: the test would prove nothing"


class FedSource:
    """Gives what it is fed; a driving truck's source."""

    can_wait = False
    finished = False

    def __init__(self) -> None:
        self.windows: list[Window] = []

    def open(self, after_s: float | None = None) -> None: ...

    def read(self, timeout_s: float) -> Window | None:
        if self.windows:
            return self.windows.pop(0)
        time.sleep(min(timeout_s, 0.01))
        return None

    def set_window(self, seconds: float) -> None: ...

    def close(self) -> None: ...


def wait_for(what: str, check: Callable[[], Any], timeout_s: float = 20.0) -> Any:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        if answer := check():
            return answer
        time.sleep(0.02)
    raise AssertionError(f"no {what} within {timeout_s:g} s")


@pytest.fixture
def fed() -> FedSource:
    return FedSource()


@pytest.fixture
def agent(broker: Any, office: Any, fed: FedSource, tmp_path: Path) -> Iterator[Agent]:
    made = Agent(settings_for(tmp_path / "o.sqlite", broker.port), SystemClock(), fed)
    made.start()
    yield made
    made.stop()


def committed(office: Any) -> list[float]:
    with office.lock:
        return [one.time_s for frame in office.committed for one in frame.windows]


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_an_outbox_damaged_while_the_agent_runs_is_replaced_and_what_follows_is_sent(
    agent: Agent, office: Any, fed: FedSource, tmp_path: Path
) -> None:
    fed.windows = [window(number) for number in range(1, 301)]
    wait_for("frames", lambda: len(committed(office)) == 300)
    stream = agent.outbox.stream
    with agent.outbox._lock:
        agent.outbox._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        agent.outbox._connection.execute("PRAGMA shrink_memory").fetchall()
        with (tmp_path / "o.sqlite").open("r+b") as file:
            file.seek(4096)
            file.write(b"\xff" * 4096 * 8)
    fed.windows = [window(number) for number in range(301, 401)]
    wait_for("the rest", lambda: len(committed(office)) == 400)
    assert committed(office) == [window(number).time_s for number in range(1, 401)]
    assert agent.outbox.stream != stream
    assert (tmp_path / "o.sqlite.damaged-1").exists()
    wait_for("note", lambda: any(s.note.startswith("outbox damaged, moved to") for s in office.statuses))


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_disk_that_is_full_for_a_while_loses_nothing(
    agent: Agent, office: Any, fed: FedSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_edge.agent.RETRY_HELD_S", 0.2)
    office.silent = True
    limit_pages(agent.outbox, 2)
    fed.windows = [window(number) for number in range(1, 201)]
    wait_for("note", lambda: any("windows wait in memory, 0 lost" in s.note for s in office.statuses))
    assert any("free some of the disk" in s.note for s in office.statuses)
    limit_pages(agent.outbox, 100_000)
    office.silent = False
    wait_for("all windows", lambda: len(committed(office)) == 200)
    assert committed(office) == [window(number).time_s for number in range(1, 201)]


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_what_a_full_disk_costs_in_the_end_is_counted_window_by_window(
    agent: Agent, office: Any, fed: FedSource, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("axlewright_edge.agent.RETRY_HELD_S", 0.2)
    office.silent = True
    limit_pages(agent.outbox, 2)
    total = 3 * MOST_HELD
    fed.windows = [window(number) for number in range(1, total + 1)]
    wait_for("end of the source", lambda: not fed.windows)
    wait_for("loss", lambda: any(" lost: " in s.note for s in office.statuses))
    limit_pages(agent.outbox, 100_000)
    office.silent = False
    wait_for("newest window", lambda: window(total).time_s in committed(office))
    with office.lock:
        thinned = sum(frame.thinned for frame in office.committed)
    told = committed(office)
    assert thinned > 0
    assert len(told) + thinned == total
    assert len(set(told)) == len(told)
    assert told[-MOST_HELD:] == [window(number).time_s for number in range(total - MOST_HELD + 1, total + 1)]


def limit_pages(outbox: Outbox, more: int) -> None:
    with outbox._lock:
        used = outbox._connection.execute("PRAGMA page_count").fetchone()[0]
        outbox._connection.execute(f"PRAGMA max_page_count = {used + more}").fetchall()


FULL_DISK = """
import sys
from pathlib import Path
from axlewright_edge.errors import OutboxError
from axlewright_edge.outbox import Outbox
from axlewright_models.wire.frames import Window

def window(number):
    return Window(1.7e9 + 10.0 * number, {f"extra/{n}": float(n) for n in range(40)})

path = Path(sys.argv[1]) / "o.sqlite"
filler = path.with_name("filler")
with Outbox(path, "yard/t-1") as outbox:
    kept = outbox.put([window(n) for n in range(50)])
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            pass
    try:
        while True:
            kept = outbox.put([window(kept)])
    except OutboxError as error:
        assert "full" in str(error), error
    assert outbox.last_seq == kept == outbox.queued
    stream = outbox.stream
with Outbox(path, "yard/t-1") as outbox:  # started again while the disk is still full
    assert outbox.stream == stream and len(outbox.entries(0, 10**6)) == kept
    filler.unlink()
    assert outbox.put([window(kept)]) == kept + 1
print("kept", kept)
"""


def test_a_file_system_without_room_is_survived_and_what_was_kept_stays(tmp_path: Path) -> None:
    mounted = (
        subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", str(tmp_path)],
            capture_output=True,
            text=True,
            check=False,
        )
        if shutil.which("mount") and os.geteuid() == 0
        else None
    )
    if mounted is None or mounted.returncode:
        pytest.skip("needs the right to mount a small tmpfs")
    try:
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "edge"), str(ROOT / "models")])}
        done = subprocess.run(
            [sys.executable, "-c", FULL_DISK, str(tmp_path)],
            capture_output=True,
            text=True,
            env=environment,
            timeout=60,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        assert int(done.stdout.split()[1]) >= 50
    finally:
        subprocess.run(["umount", str(tmp_path)], check=True)


def test_an_outbox_of_the_version_before_is_read_and_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "o.sqlite"
    closed_outbox(path, 3)
    with sqlite3.connect(path) as old:  # as format 1 wrote it: no check sums, no notes about dates
        old.execute("UPDATE meta SET value = 1 WHERE key = 'format'")
        old.execute("DROP TABLE undated")
        old.execute("DROP TABLE boot")
        for seq, body in old.execute("SELECT seq, body FROM frame").fetchall():
            old.execute("UPDATE frame SET body = ? WHERE seq = ?", (body[5:], seq))
    old.close()
    with Outbox(path, OWNER) as outbox:
        assert outbox.put([window(4)]) == 4
        assert [entry.windows for entry in outbox.entries(0, 9)] == [(window(number),) for number in range(1, 5)]
