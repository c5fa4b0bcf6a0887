"""The guard in an agent: its limits on disk, its outputs, its word in the readings, with and without a link."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import can
import msgspec
import paho.mqtt.publish as mqtt_publish
import pytest

from axlewright_edge.agent import Agent
from axlewright_edge.clock import SystemClock
from axlewright_edge.config import AgentSettings, SimulatedSettings, parse_agent
from axlewright_edge.guard_faults import trouble_of
from axlewright_edge.guard_on_board import GuardOnBoard
from axlewright_edge.guard_outputs import GuardOutputs, Words
from axlewright_edge.guard_settings import GuardSettings
from axlewright_edge.limits_keeper import LimitsKeeper
from axlewright_edge.sources.combined import CombinedSource
from axlewright_edge.sources.j1939 import Dm1Settings, J1939Settings, make_j1939
from axlewright_edge.sources.j1939.dm1 import Lamp, TroubleCode, decode_dm1
from axlewright_models.guard_limits import guard_limits
from axlewright_models.spec import AxleSpec, VehicleSpec
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import AxleLimits, LimitsMessage, encode_message
from axlewright_models.wire.topics import Topic, TopicKind

TRUCK = VehicleSpec(id="t-1", type="tractor")
BEGIN_S = 1.8e9
SAID = {2: "quiet", 3: "lube-limit"}
NOTHING = {2: "quiet", 3: "quiet"}


def limits(version: str = "v2", lube_limit_cel: float = 100.0, **changes: Any) -> LimitsMessage:
    axles = [AxleLimits(axle=axle, lube_limit_cel=lube_limit_cel) for axle in (2, 3)]
    return LimitsMessage(**{"version": version, "fleet": "yard", "vehicle": "t-1", "axles": axles, **changes})


def keeper(folder: Path, own: LimitsMessage | None = None) -> LimitsKeeper:
    return LimitsKeeper("yard", "t-1", folder / "limits.json", own)


def test_limits_from_the_office_survive_a_restart_and_win_over_the_fleet_file_on_board(tmp_path: Path) -> None:
    own = guard_limits("yard", TRUCK)
    first = keeper(tmp_path, own)
    assert first.version == own.version
    assert first.take(encode_message(limits())) == "limits v2 taken"
    assert first.take(encode_message(limits())) == ""
    second = keeper(tmp_path, own)
    assert second.version == "v2"
    assert second.of(3) == AxleLimits(axle=3, lube_limit_cel=100.0)
    assert second.of(7) is None


def test_without_any_limits_the_defaults_guard_every_axle(tmp_path: Path) -> None:
    made = keeper(tmp_path)
    assert made.version == "built-in"
    assert made.of(2) is not None


@pytest.mark.parametrize(
    ("payload", "problem"),
    [
        (b"{", "limits refused: not a valid LimitsMessage"),
        (encode_message(limits(vehicle="t-2")), "limits refused: limits are those of yard/t-2, not of yard/t-1"),
        (encode_message(limits(fleet="other")), "limits refused: limits are those of other/t-1"),
        (encode_message(limits("v3", 900.0)), "limits refused: limits v3, axle 2: lube_limit_cel is 900"),
        (b" " * 20_000, "limits refused: 20000 bytes are more than limits can have"),
    ],
)
def test_limits_that_are_of_no_use_are_refused_and_the_older_ones_stay(
    payload: bytes, problem: str, tmp_path: Path
) -> None:
    made = keeper(tmp_path)
    made.take(encode_message(limits()))
    assert made.take(payload).startswith(problem)
    assert made.version == keeper(tmp_path).version == "v2"


def test_limits_that_the_office_takes_back_stay_in_force(tmp_path: Path) -> None:
    made = keeper(tmp_path)
    made.take(encode_message(limits()))
    assert made.take(b"") == ""
    assert made.version == "v2"


@pytest.mark.parametrize("length", [0, 1, 40, 80])
def test_a_torn_file_of_limits_is_said_and_the_fleet_files_own_hold(length: int, tmp_path: Path) -> None:
    keeper(tmp_path).take(encode_message(limits()))
    file = tmp_path / "limits.json"
    file.write_bytes(file.read_bytes()[:length])
    made = keeper(tmp_path, guard_limits("yard", TRUCK))
    assert made.version == guard_limits("yard", TRUCK).version
    assert "kept limits are of no use" in made.problem
    assert made.take(encode_message(limits())) == "limits v2 taken"
    assert keeper(tmp_path).version == "v2"


def test_a_power_cut_between_writing_and_renaming_leaves_the_older_limits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = keeper(tmp_path)
    made.take(encode_message(limits()))

    def cut(self: Path, target: Path) -> None:
        raise OSError("the power went")

    monkeypatch.setattr(Path, "replace", cut)
    assert "cannot be kept" in made.take(encode_message(limits("v3")))
    monkeypatch.undo()
    assert made.version == "v3"
    assert keeper(tmp_path).version == "v2"


# Outputs


def outputs(settings: GuardSettings, *others: Callable[[Words], None]) -> GuardOutputs:
    return GuardOutputs(settings, "t-1", lambda words: set(words.values()) == {"quiet"}, *others)


def test_the_lamp_burns_while_any_axle_is_spoken_of(tmp_path: Path) -> None:
    lamp = tmp_path / "brightness"
    made = outputs(GuardSettings(lamp_file=str(lamp), lamp_on="255", lamp_off="0"))
    for words, text in ((NOTHING, "0\n"), (SAID, "255\n"), (NOTHING, "0\n")):
        made.tell(words)
        assert made.idle(5.0)
        assert lamp.read_text(encoding="ascii") == text
    made.stop()


def test_the_hook_is_told_in_its_environment_and_no_shell_reads_it(tmp_path: Path) -> None:
    file = tmp_path / "told; touch x"
    program = "import os, sys; open(sys.argv[1], 'a').write(os.environ['AXLEWRIGHT_GUARD'] + '\\n')"
    made = outputs(GuardSettings(hook=(sys.executable, "-c", program, str(file))))
    made.tell(SAID)
    assert made.idle(10.0)
    assert file.read_text(encoding="utf-8") == "2:quiet,3:lube-limit\n"
    assert list(tmp_path.iterdir()) == [file]
    assert made.problem == ""


def test_a_hook_that_hangs_is_ended_and_holds_up_neither_the_caller_nor_the_lamp(tmp_path: Path) -> None:
    lamp = tmp_path / "lamp"
    settings = GuardSettings(
        lamp_file=str(lamp), hook=(sys.executable, "-c", "import time; time.sleep(60)"), hook_limit_s=0.3
    )
    made = outputs(settings)
    begin_s = time.monotonic()
    made.tell(SAID)
    assert time.monotonic() - begin_s < 0.2
    assert made.idle(10.0)
    assert lamp.read_text(encoding="ascii") == "1\n"
    assert "was ended after 0.3 s" in made.problem


def test_an_output_that_fails_is_said_until_it_works_and_the_others_are_told(tmp_path: Path) -> None:
    heard: list[Words] = []
    folder = tmp_path / "not-yet"
    made = outputs(GuardSettings(lamp_file=str(folder / "lamp"), hook=("/no/such/program",)), heard.append)
    made.tell(SAID)
    assert made.idle(5.0)
    assert heard == [SAID]
    assert "lamp: " in made.problem
    assert "/no/such/program" in made.problem
    folder.mkdir()
    made.tell(NOTHING)
    assert made.idle(5.0)
    assert "lamp: " not in made.problem


def test_the_same_words_again_reach_only_an_output_that_has_not_taken_them(tmp_path: Path) -> None:
    heard: list[Words] = []
    folder = tmp_path / "not-yet"
    made = outputs(GuardSettings(lamp_file=str(folder / "lamp")), heard.append)
    for _ in range(2):
        made.tell(SAID)
        assert made.idle(5.0)
    folder.mkdir()
    made.tell(SAID)
    assert made.idle(5.0)
    assert (folder / "lamp").read_text(encoding="ascii") == "1\n"
    assert (made.problem, heard) == ("", [SAID])
    made.stop()


def test_words_become_trouble_codes_by_the_axles_role() -> None:
    single = VehicleSpec(
        id="t-2", type="x", axles=(AxleSpec(position=1, role="steer"), AxleSpec(position=2, role="single-drive"))
    )
    assert trouble_of({2: "lube-limit", 3: "lube-rise"}, TRUCK)[1] == [TroubleCode(77, 0), TroubleCode(78, 10)]
    assert trouble_of({2: "lube-limit"}, single)[1] == [TroubleCode(578, 0)]
    lamps, codes = trouble_of({2: "height-loss", 3: "quiet"}, TRUCK)
    assert (lamps.red_stop, lamps.amber, codes) == (Lamp.OFF, Lamp.STEADY, [TroubleCode(1724, 1)])
    assert trouble_of(NOTHING, TRUCK)[1] == []


# The agent


class ListSource:
    """Hands out what it is given; a driving truck's source."""

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


def settings(folder: Path, port: int, extra: str = "") -> AgentSettings:
    return parse_agent(
        f"""
        fleet = "yard"
        vehicle = "t-1"
        outbox.path = "{folder / "t-1"}.sqlite"
        broker.url = "mqtt://127.0.0.1:{port}"
        broker.resend_after_s = 1.0
        source = {{kind = "replay", file = "unused.csv"}}
        {extra}
        """,
        folder=folder,
    )


def hot(count: int, lube: float = 130.0, begin: int = 0) -> list[Window]:
    return [
        Window(BEGIN_S + 10.0 * number, {"speed": 80.0}, {2: {"lube": 90.0}, 3: {"lube": lube}})
        for number in range(begin, begin + count)
    ]


def words_of(windows: Any) -> list[float]:
    return [window.axles[3]["guard"] for window in windows]


def test_the_word_is_written_into_the_window_and_moves_the_lamp(tmp_path: Path) -> None:
    made = GuardOnBoard(settings(tmp_path, 1, 'guard.lamp_file = "lamp"'))
    watched = [made.watch(window) for window in hot(4)]
    assert words_of(watched) == [0.0, 0.0, 1.0, 1.0]
    assert [window.axles[2]["guard"] for window in watched] == [0.0] * 4
    assert watched[3].axles[3]["lube"] == 130.0
    assert made.idle(5.0)
    assert (tmp_path / "lamp").read_text(encoding="ascii") == "1\n"
    assert (made.health().state, made.health().note) == ("ok", "axle 3 lube-limit")
    made.stop()


def test_the_fleet_file_on_board_gives_the_limits_until_the_office_does(tmp_path: Path) -> None:
    file = _fleet_file(tmp_path, "limits.lube_limit_cel = 112")
    made = msgspec.structs.replace(settings(tmp_path, 1), source=SimulatedSettings(fleet_file=str(file)))
    guard = GuardOnBoard(made)
    assert guard.limits.of(2) is not None
    assert guard.limits.of(2).lube_limit_cel == 112.0  # type: ignore[union-attr]  # asked just before
    assert guard.limits.version == guard_limits("yard", _with_limit(112.0)).version


def _with_limit(lube_limit_cel: float) -> VehicleSpec:
    return VehicleSpec(id="t-1", type="tractor", title="x", limits={"lube_limit_cel": lube_limit_cel})


@pytest.fixture
def source() -> ListSource:
    return ListSource()


@pytest.fixture
def agent(broker: Any, office: Any, source: ListSource, tmp_path: Path) -> Iterator[Agent]:
    made = Agent(settings(tmp_path, broker.port, 'guard.lamp_file = "lamp"'), SystemClock(), source)
    made.start()
    yield made
    made.stop()


def wait_for(what: str, check: Callable[[], Any], timeout_s: float = 20.0) -> Any:
    deadline = time.monotonic() + timeout_s
    while time.monotonic() < deadline:
        if answer := check():
            return answer
        time.sleep(0.02)
    raise AssertionError(f"no {what} within {timeout_s:g} s")


def send_limits(port: int, payload: bytes) -> None:
    topic = Topic("yard", "t-1", TopicKind.LIMITS).text
    mqtt_publish.single(topic, payload, qos=1, retain=True, hostname="127.0.0.1", port=port)


def test_the_agent_takes_retained_limits_tells_their_version_and_goes_by_them(
    agent: Agent, broker: Any, office: Any, source: ListSource
) -> None:
    wait_for("status", lambda: office.last_status() and office.last_status().limits_version == "built-in")
    send_limits(broker.port, encode_message(limits("v2", 100.0)))
    wait_for("version", lambda: office.last_status().limits_version == "v2")
    assert any("limits v2 taken" in status.note for status in office.statuses)
    source.windows += hot(4, lube=105.0)
    wait_for("word", lambda: any(word == 1.0 for frame in office.committed for word in words_of(frame.windows)))
    health = wait_for("health", lambda: [one for one in office.last_status().sources if one.name == "guard"])
    assert health[0].state == "ok"


def test_foreign_limits_are_refused_in_the_status_and_the_older_ones_kept(
    agent: Agent, broker: Any, office: Any
) -> None:
    send_limits(broker.port, encode_message(limits("v2")))
    wait_for("version", lambda: office.last_status() and office.last_status().limits_version == "v2")
    for payload in (encode_message(limits("v9", vehicle="t-2")), b"rubbish"):
        before = len(office.statuses)
        send_limits(broker.port, payload)
        wait_for("refusal", lambda before=before: any("limits refused" in one.note for one in office.statuses[before:]))
    assert office.last_status().limits_version == "v2"


def test_the_guard_speaks_without_a_link_and_the_office_stores_its_word_once_when_the_link_is_back(
    agent: Agent, broker: Any, office: Any, source: ListSource, tmp_path: Path
) -> None:
    wait_for("connection", lambda: agent.link.connected)
    office.stop()
    broker.stop()
    wait_for("loss of the link", lambda: not agent.link.connected)
    source.windows += hot(6)
    lamp = tmp_path / "lamp"
    wait_for("lamp", lambda: lamp.exists() and lamp.read_text(encoding="ascii") == "1\n")
    assert not agent.link.connected
    broker.start()
    office.start()
    wait_for("readings", lambda: sum(len(frame.windows) for frame in office.committed) >= 6, 60.0)
    windows = [window for frame in office.committed for window in frame.windows]
    assert words_of(windows) == [0.0, 0.0, 1.0, 1.0, 1.0, 1.0]


def test_a_recorded_source_is_not_guarded_nor_one_whose_guard_is_off(tmp_path: Path) -> None:
    (tmp_path / "unused.csv").write_text("time_ms,vehicle,axle,lube\n", encoding="utf-8")
    replay = Agent(settings(tmp_path, 1), SystemClock())
    (tmp_path / "off").mkdir()
    off = Agent(settings(tmp_path / "off", 1, "guard.enabled = false"), SystemClock(), ListSource())
    for made in (replay, off):
        assert made.guard is None
        made.outbox.close()


def test_the_guards_word_reaches_the_vehicle_bus_through_the_combined_source(tmp_path: Path) -> None:
    bus_settings = J1939Settings(
        interface="virtual",
        channel="guard",
        listen_only=False,
        dm1=Dm1Settings(enabled=True, source_address=200, name=9),
    )
    clock = SystemClock()
    j1939 = make_j1939(bus_settings, TRUCK, clock)
    combined = CombinedSource([j1939], clock, time.sleep, TRUCK, 10.0)
    agent_settings = msgspec.structs.replace(
        settings(tmp_path, 1), source=SimulatedSettings(fleet_file=str(_fleet_file(tmp_path)))
    )
    made = GuardOnBoard(agent_settings, combined)
    with can.Bus(interface="virtual", channel="guard") as bus:
        combined.open()
        try:
            for window in hot(4):
                made.watch(window)
            told = []
            deadline = time.monotonic() + 10.0
            while not told and time.monotonic() < deadline:
                message = bus.recv(0.5)
                if message is not None and message.arbitration_id >> 8 & 0x3FFFF == 65226:
                    told.append(decode_dm1(bytes(message.data)))
        finally:
            combined.close()
            made.stop()
    assert [(lamps.red_stop, codes) for lamps, codes in told] == [(Lamp.STEADY, [TroubleCode(78, 0)])]


def _fleet_file(folder: Path, extra: str = "") -> Path:
    path = folder / "fleet.toml"
    path.write_text(
        f'fleet = "yard"\n[types.tractor]\ntitle = "x"\n[vehicles.t-1]\ntype = "tractor"\n{extra}\n', encoding="utf-8"
    )
    return path
