"""The outbox: nothing that was put is lost, its bounds hold, and what is thinned is counted."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import settings as bounds_of_search
from hypothesis import strategies as st

from axlewright_edge.agent import open_outbox
from axlewright_edge.config import parse_agent
from axlewright_edge.errors import OutboxError
from axlewright_edge.outbox import SET_ASIDE_KEPT, Bounds, Outbox
from axlewright_edge.thinning import Held, thin
from axlewright_models.wire.frames import Window

ROOT = Path(__file__).parents[2]
OWNER = "yard/t-1"


def window(number: int) -> Window:
    return Window(1.7e9 + 10.0 * number, {"speed": float(number % 90)}, {2: {"lube": 90.0}})


def filled(path: Path, count: int, bounds: Bounds | None = None) -> Outbox:
    outbox = Outbox(path, OWNER, bounds)
    for begin in range(0, count, 50):
        outbox.put([window(number) for number in range(begin, min(begin + 50, count))])
    return outbox


CHILD = """
import sys
from pathlib import Path
from axlewright_edge.outbox import Bounds, Outbox
from axlewright_models.wire.frames import Window

with Outbox(Path(sys.argv[1]), "yard/t-1", Bounds(frames=60)) as outbox:
    while True:
        seq = outbox.last_seq + 1
        outbox.put([Window(1.7e9 + 10.0 * seq, {"speed": 1.0})])
        print("put", seq, flush=True)
        if seq % 7 == 0:
            outbox.free(seq - 30)
            print("freed", max(0, seq - 30), flush=True)
"""


def test_an_agent_killed_at_any_moment_loses_no_frame_and_gives_no_number_twice(tmp_path: Path) -> None:
    path = tmp_path / "outbox.sqlite"
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT / "edge"), str(ROOT / "models")])}
    chance = random.Random(20260504)
    stream, last_put = None, 0
    for _ in range(8):
        child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE, text=True, env=environment
        )
        assert child.stdout is not None
        first = child.stdout.readline()
        time.sleep(chance.uniform(0.0, 0.12))
        child.send_signal(signal.SIGKILL)
        # The last line may have been cut off in the middle too.
        lines = (first + child.stdout.read()).split("\n")[:-1]
        child.stdout.close()
        child.wait(10)
        puts = [int(line.split()[1]) for line in lines if line.startswith("put")]
        freed = max((int(line.split()[1]) for line in lines if line.startswith("freed")), default=0)
        assert puts[0] > last_put, "a number was given twice"
        with Outbox(path, OWNER, Bounds(frames=60)) as outbox:
            stream = stream or outbox.stream
            assert outbox.stream == stream
            # The frame whose put had not returned when the power went may be there or not; nothing else may differ.
            assert outbox.last_seq in (puts[-1], puts[-1] + 1)
            entries = outbox.entries(0, 1000)
            assert entries[-1].seq == outbox.last_seq
            assert entries[0].seq > freed
            counted = sum(len(entry.windows) + entry.thinned for entry in entries)
            assert counted == outbox.last_seq - outbox.figures().acked
            last_put = outbox.last_seq
        with sqlite3.connect(path) as plain:
            assert plain.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        plain.close()


def test_every_commit_reaches_the_disk_before_put_returns(tmp_path: Path) -> None:
    # A power cut cannot be played here; SQLite documents that WAL with synchronous=FULL (2) syncs at every commit.
    with Outbox(tmp_path / "o.sqlite", OWNER) as outbox:
        assert outbox._connection.execute("PRAGMA synchronous").fetchone() == (2,)
        assert outbox._connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_what_was_put_comes_back_the_same_after_reopening(tmp_path: Path) -> None:
    windows = [window(1), Window(1.7e9 + 5, {}, {2: {"height/left": 241.5}, 3: {"vib/rms": 0.25}})]
    with Outbox(tmp_path / "o.sqlite", OWNER) as outbox:
        outbox.put(windows)
        stream = outbox.stream
    with Outbox(tmp_path / "o.sqlite", OWNER) as outbox:
        assert [entry.windows for entry in outbox.entries(0, 10)] == [(windows[0],), (windows[1],)]
        assert outbox.stream == stream
        assert outbox.last_time_s == windows[1].time_s


def test_numbers_go_on_after_everything_was_acknowledged(tmp_path: Path) -> None:
    with filled(tmp_path / "o.sqlite", 5) as outbox:
        outbox.free(5)
    with Outbox(tmp_path / "o.sqlite", OWNER) as outbox:
        assert outbox.put([window(9)]) == 6
        (entry,) = outbox.entries(0, 10)
        assert (entry.seq, entry.after) == (6, None)


def test_two_outboxes_have_two_streams(tmp_path: Path) -> None:
    with Outbox(tmp_path / "a.sqlite", OWNER) as one, Outbox(tmp_path / "b.sqlite", OWNER) as other:
        assert one.stream != other.stream


def test_an_ack_frees_up_to_its_number_and_not_beyond(tmp_path: Path) -> None:
    with filled(tmp_path / "o.sqlite", 10) as outbox:
        outbox.free(4)
        assert [entry.seq for entry in outbox.entries(0, 100)] == [5, 6, 7, 8, 9, 10]
        outbox.free(3)
        assert outbox.queued == 6
        outbox.free(999)
        assert outbox.queued == 0
        assert outbox.put([window(11)]) == 11


def test_an_office_that_lost_its_newest_days_is_told_where_the_rest_follows_on(tmp_path: Path) -> None:
    with filled(tmp_path / "o.sqlite", 10) as outbox:
        outbox.free(6)
        assert outbox.entries(0, 1)[0].after is None
        outbox.free(2)  # its store was put back from a copy: 3 to 6 are gone on both sides
        assert [(entry.seq, entry.after) for entry in outbox.entries(0, 2)] == [(7, 2), (8, None)]


def test_a_frame_after_one_set_aside_follows_on_its_forerunner(tmp_path: Path) -> None:
    with filled(tmp_path / "o.sqlite", 6) as outbox:
        outbox.set_aside([3], "for the test")
        assert [(entry.seq, entry.after) for entry in outbox.entries(0, 9)] == [
            (1, None),
            (2, None),
            (4, 2),
            (5, None),
            (6, None),
        ]
        assert [(entry.seq, entry.after) for entry in outbox.entries(3, 1)] == [(4, 2)]
        assert outbox.figures().set_aside == 1
        assert outbox.frames_set_aside() == [(3, "for the test")]


def test_frames_set_aside_are_kept_for_a_person_but_not_without_end(tmp_path: Path) -> None:
    count = SET_ASIDE_KEPT + 20
    with filled(tmp_path / "o.sqlite", count) as outbox:
        for seq in range(1, count + 1):
            outbox.set_aside([seq], "for the test")
        assert len(outbox.frames_set_aside()) == SET_ASIDE_KEPT
        assert outbox.figures().set_aside == count


@pytest.mark.parametrize("keep_one_in", [2, 3, 5])
def test_a_full_outbox_thins_its_oldest_readings_and_every_window_stays_in_the_books(
    keep_one_in: int, tmp_path: Path
) -> None:
    bounds = Bounds(frames=100, keep_one_in=keep_one_in)
    with filled(tmp_path / "o.sqlite", 600, bounds) as outbox:
        entries = outbox.entries(0, 1000)
        figures = outbox.figures()
        assert figures.queued == len(entries) <= 100
        assert figures.thinned == 600 - len(entries)
        assert sum(entry.thinned + len(entry.windows) for entry in entries) == 600
        seqs = [entry.seq for entry in entries]
        assert seqs[-40:] == list(range(561, 601)), "the newest were touched"
        for before, entry in zip([0, *seqs], entries, strict=False):
            assert entry.after == (None if before == entry.seq - 1 else before)
            assert entry.thinned == entry.seq - before - 1


def test_the_bound_in_bytes_holds_too(tmp_path: Path) -> None:
    bounds = Bounds(size_bytes=16 * 1024)
    with filled(tmp_path / "o.sqlite", 1000, bounds) as outbox:
        assert outbox.figures().size_bytes <= 16 * 1024
        assert outbox.figures().thinned + outbox.queued == 1000


def test_the_file_stays_near_its_bound_however_long_the_truck_is_away(tmp_path: Path) -> None:
    bounds = Bounds(size_bytes=64 * 1024)
    with filled(tmp_path / "o.sqlite", 4000, bounds):
        held = sum(file.stat().st_size for file in tmp_path.iterdir())
    # SQLite's pages and its write-ahead log (checkpointed at 1,000 pages of 4 KiB by default) come on top.
    assert held < 64 * 1024 * 3 + 1000 * 4096 * 1.2


def test_frames_on_their_way_are_thinned_last(tmp_path: Path) -> None:
    with filled(tmp_path / "o.sqlite", 30, Bounds(frames=40)) as outbox:
        outbox.entries(0, 8)
        outbox.put([window(number) for number in range(30, 60)])
        assert [entry.seq for entry in outbox.entries(0, 8)] == [1, 2, 3, 4, 5, 6, 7, 8]


def test_windows_lost_to_a_full_disk_are_counted_with_the_next_frame(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.sqlite", OWNER) as outbox:
        outbox.put([window(1), window(2)], lost=3)
        assert [entry.thinned for entry in outbox.entries(0, 5)] == [3, 0]
        assert outbox.figures().thinned == 3


def test_a_full_disk_is_an_error_that_leaves_the_outbox_usable(tmp_path: Path) -> None:
    with filled(tmp_path / "o.sqlite", 10) as outbox:
        pages = outbox._connection.execute("PRAGMA page_count").fetchone()[0]
        outbox._connection.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(OutboxError, match=r"full; free some of the disk, or lower outbox\.max_bytes"):
            outbox.put([window(number) for number in range(10, 500)])
        assert (outbox.queued, outbox.last_seq) == (10, 10)
        outbox._connection.execute(f"PRAGMA max_page_count = {pages + 1000}")
        assert outbox.put([window(10)]) == 11


def test_a_second_agent_on_the_same_outbox_is_refused(tmp_path: Path) -> None:
    with filled(tmp_path / "o.sqlite", 3), pytest.raises(OutboxError, match="another agent has it open"):
        Outbox(tmp_path / "o.sqlite", OWNER)


def test_another_trucks_outbox_is_refused(tmp_path: Path) -> None:
    filled(tmp_path / "o.sqlite", 3).close()
    with pytest.raises(OutboxError, match="holds frames of yard/t-1, not of yard/t-2; give each truck a file"):
        Outbox(tmp_path / "o.sqlite", "yard/t-2")


def test_a_file_that_is_no_outbox_is_refused_and_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "o.sqlite"
    file.write_bytes(b"these are the driver's notes, not a database" * 200)
    before = file.read_bytes()
    with pytest.raises(OutboxError, match="move the file away"):
        Outbox(file, OWNER)
    assert file.read_bytes() == before


@given(
    st.lists(st.tuples(st.integers(1, 5), st.integers(0, 50)), max_size=60),
    st.integers(2, 9),
)
@bounds_of_search(deadline=None)
def test_thinning_conserves_the_count_of_windows(rows: list[tuple[int, int]], keep_one_in: int) -> None:
    held = [Held(seq, windows, thinned) for seq, (windows, thinned) in enumerate(rows, start=1)]
    plan = thin(held, keep_one_in)
    kept = [one for one in held if one.seq not in plan.dropped]
    after = sum(one.windows + plan.counts.get(one.seq, one.thinned) for one in kept)
    assert after == sum(one.windows + one.thinned for one in held)
    assert plan.windows == sum(one.windows for one in held if one.seq in plan.dropped)
    assert len(kept) == len(held) - (len(held) // keep_one_in) * (keep_one_in - 1)
    if held:
        assert kept[-1] == held[-1]


def test_a_damaged_outbox_is_moved_away_and_the_truck_goes_on_with_a_new_stream(tmp_path: Path) -> None:
    path = tmp_path / "o.sqlite"
    settings = parse_agent(
        f'fleet = "yard"\nvehicle = "t-1"\noutbox.path = "{path}"\nsource = {{kind = "replay", file = "day.csv"}}\n'
    )
    with filled(path, 2000) as outbox:
        stream = outbox.stream
    damaged = bytearray(path.read_bytes())
    damaged[4096 * 6 : 4096 * 20] = b"\xff" * 4096 * 14
    path.write_bytes(damaged)
    fresh, note = open_outbox(settings)
    with fresh:
        assert note == "outbox damaged, moved to o.sqlite.damaged-1; a new stream begins"
        assert fresh.stream != stream
        assert fresh.put([window(1)]) == 1
    assert (tmp_path / "o.sqlite.damaged-1").read_bytes() == bytes(damaged)
