"""A gateway that does not know the time yet, and one whose clock steps: every window arrives, stamped right."""

from __future__ import annotations

import time
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from axlewright_edge import clock as clock_module
from axlewright_edge.agent import Agent
from axlewright_edge.clock import EARLIEST_TRUE_TIME_S, ManualClock, SystemClock, boot_id
from axlewright_edge.config import AgentSettings, parse_agent
from axlewright_edge.errors import OutboxError
from axlewright_edge.outbox import UNDATABLE, Bounds, Outbox
from axlewright_edge.stamps import Stamps
from axlewright_models.wire.frames import Window

OWNER = "yard/t-1"
TRUE_S = 1.8e9


class BootClock:
    """A gateway's clock: runs as time does, from its start; the date is unknown until it is set."""

    def __init__(self) -> None:
        self._offset_s: float | None = None

    def now(self) -> float:
        return self.elapsed() + (self._offset_s or 0.0)

    def elapsed(self) -> float:
        return time.monotonic()

    def set(self, now_s: float) -> None:
        self._offset_s = now_s - self.elapsed()


class FedSource:
    can_wait = False
    finished = False

    def __init__(self) -> None:
        self.windows: list[Window] = []
        self.opened_after: list[float | None] = []

    def open(self, after_s: float | None = None) -> None:
        self.opened_after.append(after_s)

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


def settings(path: Path, port: int) -> AgentSettings:
    return parse_agent(
        f'fleet = "yard"\nvehicle = "t-1"\noutbox.path = "{path}"\nbroker.url = "mqtt://127.0.0.1:{port}"\n'
        'source = {kind = "replay", file = "day.csv"}\n'
    )


def seen(office: Any) -> list[tuple[float, float, float]]:
    """Return (time, speed, flag) of what the office has committed."""
    with office.lock:
        windows = [window for frame in office.committed for window in frame.windows]
    return [(one.time_s, round(one.vehicle["speed"], 6), one.vehicle.get("clock-corrected", 0.0)) for one in windows]


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_windows_taken_before_the_clock_was_set_wait_and_then_arrive_with_true_times(
    broker: Any, office: Any, tmp_path: Path
) -> None:
    clock, source, path = BootClock(), FedSource(), tmp_path / "o.sqlite"
    agent = Agent(settings(path, broker.port), clock, source)
    agent.start()
    try:
        first_s = clock.elapsed()
        source.windows = [Window(first_s + n, {"speed": float(n)}) for n in range(5)]
        wait_for("stored windows", lambda: agent.outbox.queued == 5)
        status = wait_for("status", lambda: office.last_status())
        assert status.clock == "unset"
    finally:
        agent.stop()
    assert seen(office) == [], "a window without a true time was sent"

    # The agent is started again in the same boot; more windows come before the time does.
    source = FedSource()
    agent = Agent(settings(path, broker.port), clock, source)
    agent.start()
    try:
        source.windows = [Window(first_s + n, {"speed": float(n)}) for n in range(5, 8)]
        wait_for("stored windows", lambda: agent.outbox.queued == 8)
        time.sleep(0.3)
        assert seen(office) == []
        clock.set(TRUE_S)
        started_s = TRUE_S - clock.elapsed()
        wait_for("frames", lambda: len(seen(office)) == 8)
        source.windows = [Window(clock.now() + 60.0, {"speed": 8.0})]
        wait_for("the first with a true time", lambda: len(seen(office)) == 9)
        wait_for("note", lambda: any(s.note == "clock set: 8 frames stamped after the fact" for s in office.statuses))
        assert wait_for("status", lambda: office.last_status()).clock == "set"
    finally:
        agent.stop()
    told = seen(office)
    assert [speed for _, speed, _ in told] == [float(n) for n in range(9)]
    assert [flag for _, _, flag in told] == [1.0] * 8 + [0.0]
    for number, (time_s, _, _) in enumerate(told[:8]):
        assert time_s == pytest.approx(started_s + first_s + number, abs=0.1)
    assert source.opened_after == [None], "a stamp from the machine's start was taken for a time"


def test_frames_dated_in_one_boot_keep_their_times_in_the_next(tmp_path: Path) -> None:
    path = tmp_path / "o.sqlite"
    with Outbox(path, OWNER, boot="a") as outbox:
        outbox.put([Window(60.0, {"speed": 1.0}), Window(70.0, {"speed": 2.0})])
        assert (outbox.entries(0, 9), outbox.figures().undated) == ([], 2)
        assert outbox.date_frames(TRUE_S) == 2
        assert outbox.last_time_s == TRUE_S + 70.0
    with Outbox(path, OWNER, boot="b") as outbox:
        outbox.put([Window(5.0, {"speed": 3.0})])
        entries = outbox.entries(0, 9)
        assert [entry.windows[0].time_s for entry in entries] == [TRUE_S + 60.0, TRUE_S + 70.0]
        assert outbox.date_frames(TRUE_S + 1000.0) == 1
        times = [entry.windows[0].time_s for entry in outbox.entries(0, 9)]
        assert times == [TRUE_S + 60.0, TRUE_S + 70.0, TRUE_S + 1005.0]


def test_frames_of_a_boot_that_never_learnt_the_time_are_set_aside_and_counted_and_the_rest_goes_on(
    tmp_path: Path,
) -> None:
    path = tmp_path / "o.sqlite"
    with Outbox(path, OWNER, boot="a") as outbox:
        outbox.put([Window(TRUE_S, {"speed": 1.0})])
        outbox.put([Window(60.0), Window(70.0), Window(80.0)])
        assert [entry.seq for entry in outbox.entries(0, 9)] == [1]
    with Outbox(path, OWNER, boot="b") as outbox:
        outbox.put([Window(TRUE_S + 9000.0, {"speed": 2.0})])
        entries = outbox.entries(0, 9)
        assert len(entries) == 2 and entries[0].seq == 1
        assert entries[1].after == 1
        assert outbox.figures().set_aside == 3
        assert outbox.frames_set_aside() == [(2, UNDATABLE), (3, UNDATABLE), (4, UNDATABLE)]


def test_windows_with_a_time_wait_behind_those_without_so_that_the_order_stays(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.sqlite", OWNER, boot="a") as outbox:
        outbox.put([Window(60.0), Window(TRUE_S)])
        assert outbox.entries(0, 9) == []
        assert outbox.last_ready == 0
        outbox.date_frames(TRUE_S - 100.0)
        assert [entry.windows[0].time_s for entry in outbox.entries(0, 9)] == [TRUE_S - 40.0, TRUE_S]


def test_thinning_counts_undated_frames_too(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.sqlite", OWNER, Bounds(frames=20), boot="a") as outbox:
        for number in range(100):
            outbox.put([Window(10.0 * number)])
        outbox.date_frames(TRUE_S)
        entries = outbox.entries(0, 1000)
        assert len(entries) + sum(entry.thinned for entry in entries) == 100
        assert entries[-1].windows[0] == Window(TRUE_S + 990.0, {"clock-corrected": 1.0})


def test_the_clock_counts_from_the_machines_start_until_it_can_be_trusted(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = SystemClock()
    assert clock.now() > EARLIEST_TRUE_TIME_S
    monkeypatch.setattr(clock_module.time, "time", lambda: EARLIEST_TRUE_TIME_S - 1.0)
    assert clock.now() == pytest.approx(clock.elapsed(), abs=1.0)


def test_a_careful_gateway_waits_for_the_kernels_word_and_then_keeps_it(monkeypatch: pytest.MonkeyPatch) -> None:
    word = [False]
    monkeypatch.setattr(clock_module, "kernel_says_synchronised", lambda: word[0])
    clock = SystemClock("synchronised")
    assert clock.now() == pytest.approx(clock.elapsed(), abs=1.0)
    word[0] = True
    assert clock.now() > EARLIEST_TRUE_TIME_S
    word[0] = False  # out of coverage again
    assert clock.now() > EARLIEST_TRUE_TIME_S


def test_the_boot_has_a_name_that_stays_while_the_machine_runs(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    assert boot_id() == boot_id()
    monkeypatch.setattr(clock_module, "_BOOT_ID", tmp_path / "none")
    assert boot_id() != boot_id(), "without the kernel's word no two runs may be taken for one"


def stamped(raw: list[float], every_s: float = 10.0) -> list[tuple[float, bool]]:
    clock, told = ManualClock(TRUE_S), []
    stamps = Stamps(clock, None)
    for raw_s in raw:
        window = stamps.next(Window(TRUE_S + raw_s, {"speed": 1.0}))
        told.append((window.time_s - TRUE_S, window.vehicle.get("clock-corrected") == 1.0))
        clock.advance(every_s)
    return told


def test_after_a_small_step_back_stamps_go_on_rising_until_the_clock_has_caught_up() -> None:
    steps = [10.0 * n for n in range(10)] + [10.0 * n - 30.0 for n in range(10, 60)]
    told = stamped(steps)
    times = [time_s for time_s, _ in told]
    assert all(later > earlier for earlier, later in pairwise(times))
    flags = [flag for _, flag in told]
    assert not any(flags[:10]) and flags[10] and not flags[-1]
    # 30 s at a tenth of the pace: caught up after about 300 s.
    assert 25 <= sum(flags) <= 35
    assert times[-1] == steps[-1]


def test_a_clock_that_was_hours_ahead_is_believed_once_it_is_corrected() -> None:
    told = stamped([0.0, 10.0, 20.0 - 7200.0, 30.0 - 7200.0])
    assert told == [(0.0, False), (10.0, False), (20.0 - 7200.0, True), (30.0 - 7200.0, False)]


def test_a_step_back_while_the_agent_was_off_is_seen_too() -> None:
    stamps = Stamps(ManualClock(TRUE_S), TRUE_S + 100.0)
    window = stamps.next(Window(TRUE_S))
    assert window.time_s > TRUE_S + 100.0 and window.vehicle == {"clock-corrected": 1.0}


@pytest.mark.parametrize("broker", ["embedded"], indirect=True)
def test_a_clock_that_steps_back_stops_no_frame(broker: Any, office: Any, tmp_path: Path) -> None:
    source = FedSource()
    agent = Agent(settings(tmp_path / "o.sqlite", broker.port), SystemClock(), source)
    agent.start()
    try:
        raw = [10.0 * n for n in range(20)] + [10.0 * n - 120.0 for n in range(20, 40)]
        source.windows = [Window(TRUE_S + raw_s, {"speed": float(n)}) for n, raw_s in enumerate(raw)]
        wait_for("frames", lambda: len(seen(office)) == 40)
    finally:
        agent.stop()
    told = seen(office)
    assert [speed for _, speed, _ in told] == [float(n) for n in range(40)]
    assert all(later[0] > earlier[0] for earlier, later in pairwise(told))


def test_an_outbox_of_a_later_version_is_refused(tmp_path: Path) -> None:
    with Outbox(tmp_path / "o.sqlite", OWNER) as outbox, outbox._transaction():
        outbox._set("format", 99)
    with pytest.raises(OutboxError, match="has format 99, this version reads 2; upgrade first"):
        Outbox(tmp_path / "o.sqlite", OWNER)
