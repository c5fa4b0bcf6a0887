"""The simulated source: pace, parked trucks, and times that never lie ahead of the clock."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from axlewright_edge.clock import ManualClock
from axlewright_edge.config import SimulatedSettings
from axlewright_edge.errors import SourceError
from axlewright_edge.sources.simulated import SimulatedSource
from axlewright_models.wire.frames import Window

NOW_S = 1_780_000_005.0
FLEET = """
fleet = "yard"
name = "One yard"
[types.tractor]
title = "6x4 tractor"
driveline.shafts = [{length_mm = 1500.0, angle_deg = 5.0}, {length_mm = 700.0, angle_deg = 4.0}]
[vehicles.t-1]
type = "tractor"
"""


class StubTruck:
    """Stands in where only the source's own timing is looked at: a truck that sleeps when told."""

    asleep = False

    def __init__(self, *arguments: object, **keywords: object) -> None:
        self.closed = False

    def window(self, time_s: float, window_s: float) -> Window:
        return Window(time_s, {"parked": float(self.asleep), "ignition": float(not self.asleep), "speed": window_s})

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def fleet_file(tmp_path: Path) -> str:
    file = tmp_path / "fleet.toml"
    file.write_text(FLEET, encoding="utf-8")
    return str(file)


@pytest.fixture
def make(fleet_file: str, monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[SimulatedSource, ManualClock]]:
    monkeypatch.setattr("axlewright_simulators.source.SimulatedTruck", StubTruck)
    monkeypatch.setattr(StubTruck, "asleep", False)

    def _make(after_s: float | None = None, **keys: object) -> tuple[SimulatedSource, ManualClock]:
        clock = ManualClock(NOW_S)
        settings = SimulatedSettings(fleet_file=fleet_file, vehicle="t-1", **keys)  # type: ignore[arg-type]
        source = SimulatedSource(settings, clock, clock.advance, 10.0)
        source.open(after_s)
        return source, clock

    return _make


def drive(source: SimulatedSource, clock: ManualClock, seconds: float) -> list[Window]:
    """Read for so long; every window must have ended when it is handed out."""
    windows = []
    end_s = clock.elapsed() + seconds
    while clock.elapsed() < end_s:
        window = source.read(min(0.5, end_s - clock.elapsed()))
        if window is not None:
            assert window.time_s <= clock.now()
            windows.append(window)
    return windows


def test_windows_come_at_the_pace_of_the_clock_on_whole_multiples(make: Callable[..., tuple]) -> None:
    source, clock = make()
    times = [window.time_s for window in drive(source, clock, 40.0)]
    assert times == [1_780_000_010.0, 1_780_000_020.0, 1_780_000_030.0, 1_780_000_040.0]


def test_a_sped_up_truck_meets_the_present_and_then_keeps_to_it(make: Callable[..., tuple]) -> None:
    begin = datetime.fromtimestamp(NOW_S - 3605.0, UTC)
    source, clock = make(begin=begin, speed_up=61.0)
    times = [window.time_s for window in drive(source, clock, 100.0)]
    # It gains 60 s a second on the clock: an hour and five seconds are made good after 60.1 s.
    assert times == [NOW_S - 3605.0 + 10.0 * number for number in range(1, len(times) + 1)]
    assert times[-1] == 1_780_000_100.0


def test_a_parked_truck_speaks_every_ten_minutes_and_at_once_when_it_wakes(
    make: Callable[..., tuple], monkeypatch: pytest.MonkeyPatch
) -> None:
    source, clock = make()
    assert len(drive(source, clock, 60.0)) == 6
    monkeypatch.setattr(StubTruck, "asleep", True)
    times = [window.time_s for window in drive(source, clock, 1800.0)]
    assert times == [1_780_000_070.0, 1_780_000_670.0, 1_780_001_270.0]
    monkeypatch.setattr(StubTruck, "asleep", False)
    assert len(drive(source, clock, 20.0)) == 2


@pytest.mark.parametrize(
    ("away_s", "first_s"),
    [(35.0, 1_779_999_980.0), (7200.0, 1_780_000_010.0), (-500.0, 1_780_000_010.0)],
    ids=["a short stop is caught up", "a long one is not", "a clock set back repeats nothing ahead of now"],
)
def test_a_restarted_agent_goes_on_where_it_was(make: Callable[..., tuple], away_s: float, first_s: float) -> None:
    source, clock = make(after_s=NOW_S - away_s)
    assert drive(source, clock, 10.0)[0].time_s == first_s


def test_the_window_can_be_changed_on_the_road(make: Callable[..., tuple]) -> None:
    source, clock = make()
    drive(source, clock, 15.0)
    source.set_window(30.0)
    windows = drive(source, clock, 70.0)
    assert [window.time_s for window in windows] == [1_780_000_050.0, 1_780_000_080.0]
    assert {window.vehicle["speed"] for window in windows} == {30.0}


def test_a_real_simulated_truck_gives_windows_with_axles(fleet_file: str, tmp_path: Path) -> None:
    clock = ManualClock(NOW_S)
    state = tmp_path / "t-1.json"
    settings = SimulatedSettings(fleet_file=fleet_file, vehicle="t-1", seed=3, state_file=str(state))
    source = SimulatedSource(settings, clock, clock.advance, 10.0)
    source.open()
    windows = drive(source, clock, 60.0)
    source.close()
    source.close()
    assert {tuple(window.axles) for window in windows} == {(2, 3)}
    assert all(-40.0 < window.axles[2]["lube"] < 160.0 for window in windows)
    assert state.exists(), "the truck's state was not kept"


def test_an_absent_simulator_is_said_with_the_extra_to_install(
    fleet_file: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(__import__("sys").modules, "axlewright_simulators.source", None)
    source = SimulatedSource(SimulatedSettings(fleet_file=fleet_file, vehicle="t-1"), ManualClock(NOW_S), print, 10.0)
    with pytest.raises(SourceError, match=r"pip install 'axlewright\[simulators\]'"):
        source.open()
