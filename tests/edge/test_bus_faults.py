"""Advisories that a person has confirmed, as trouble codes beside the guard's words."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import msgspec
import paho.mqtt.publish as mqtt_publish
import pytest

from axlewright_edge.agent import Agent
from axlewright_edge.bus_faults import HANDED_OVER_WITHIN_S, BusFaults, advisory_code
from axlewright_edge.clock import SystemClock
from axlewright_edge.config import SimulatedSettings, parse_agent
from axlewright_edge.sources.j1939.dm1 import Lamp, Lamps, TroubleCode
from axlewright_models.errors import ModelError
from axlewright_models.spec import VehicleSpec
from axlewright_models.wire.frames import Window
from axlewright_models.wire.messages import AdvisoryMessage, Evidence, encode_message
from axlewright_models.wire.topics import Topic, TopicKind

TRUCK = VehicleSpec(id="t-1", type="tractor")


def advisory(item: str = "a-1", channel: str = "lube", **changes: Any) -> AdvisoryMessage:
    evidence = Evidence(channel=channel, text="it does", begin_s=1.8e9, end_s=1.8e9)
    made = AdvisoryMessage(
        id=item, fleet="yard", vehicle="t-1", axle=3, cause="lube-loss", title="x", state="acknowledged",
        urgency="within-a-day", confidence=0.9, since_s=1.8e9, updated_s=1.8e9, summary="x", evidence=[evidence],
    )  # fmt: skip
    return msgspec.structs.replace(made, **changes)


@pytest.mark.parametrize(
    ("message", "code"),
    [
        (advisory(), TroubleCode(78, 16)),
        (advisory(axle=2, urgency="stop-safely-now"), TroubleCode(77, 0)),
        (advisory(channel="sump-pressure", urgency="next-service"), TroubleCode(78, 15)),
        (advisory(channel="height/static"), TroubleCode(1724, 31)),
        (advisory(channel="bellows/left"), TroubleCode(1724, 31)),
        (advisory(channel="vib/order/driveshaft-1"), TroubleCode(520192, 31)),
        (advisory(evidence=[]), TroubleCode(520192, 31)),
    ],
)
def test_an_advisory_has_the_code_of_what_speaks_for_it(message: AdvisoryMessage, code: TroubleCode) -> None:
    assert advisory_code(message, TRUCK) == code


class Bus:
    """Remembers what was announced, newest last."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.told: list[tuple[Lamps, list[TroubleCode]]] = []
        self.faults = BusFaults(self.announce, TRUCK, lambda: self.now_s)

    def announce(self, lamps: Lamps, codes: Sequence[TroubleCode]) -> None:
        self.told.append((lamps, list(codes)))

    @property
    def codes(self) -> list[TroubleCode]:
        return self.told[-1][1] if self.told else []


def test_only_confirmed_advisories_are_told_and_only_until_they_are_closed() -> None:
    bus = Bus()
    bus.faults.take("a-1", encode_message(advisory(state="unacknowledged")))
    assert bus.codes == []
    bus.faults.take("a-1", encode_message(advisory()))
    assert bus.codes == [TroubleCode(78, 16)]
    assert (bus.told[-1][0].amber, bus.told[-1][0].red_stop) == (Lamp.STEADY, Lamp.OFF)
    for end in (encode_message(advisory(state="closed")), b""):
        bus.faults.take("a-1", encode_message(advisory()))
        bus.faults.take("a-1", end)
        assert bus.told[-1] == (Lamps(), [])


def test_words_and_advisories_stand_side_by_side() -> None:
    bus = Bus()
    bus.faults.tell({2: "lube-limit", 3: "quiet"})
    bus.faults.take("a-1", encode_message(advisory()))
    assert bus.codes == [TroubleCode(77, 0), TroubleCode(78, 16)]
    assert bus.told[-1][0] == Lamps(red_stop=Lamp.STEADY, amber=Lamp.STEADY)
    bus.faults.tell({2: "quiet", 3: "quiet"})
    assert bus.codes == [TroubleCode(78, 16)]


def test_what_was_closed_while_there_was_no_link_goes_out_soon_after_the_next_connection() -> None:
    bus = Bus()
    for item, axle in (("a-1", 2), ("a-2", 3)):
        bus.faults.take(item, encode_message(advisory(item, axle=axle)))
    bus.now_s = 5000.0
    bus.faults.tend()
    bus.faults.begin()
    bus.faults.take("a-2", encode_message(advisory("a-2", axle=3)))
    bus.faults.tend()
    assert len(bus.codes) == 2
    bus.now_s += HANDED_OVER_WITHIN_S
    bus.faults.tend()
    assert bus.codes == [TroubleCode(78, 16)]


@pytest.mark.parametrize("payload", [b"{", encode_message(advisory(vehicle="t-2")), encode_message(advisory("a-9"))])
def test_what_is_no_advisory_of_this_truck_is_refused(payload: bytes) -> None:
    bus = Bus()
    with pytest.raises(ModelError):
        bus.faults.take("a-1", payload)
    assert bus.codes == []


class SourceWithBus:
    """A driving truck's source that may tell codes on its bus."""

    can_wait = False
    finished = False

    def __init__(self) -> None:
        self.told: list[list[TroubleCode]] = []

    def announce(self, lamps: Lamps, codes: Sequence[TroubleCode]) -> None:
        self.told.append(list(codes))

    def open(self, after_s: float | None = None) -> None: ...

    def read(self, timeout_s: float) -> Window | None:
        time.sleep(min(timeout_s, 0.01))
        return None

    def set_window(self, seconds: float) -> None: ...

    def close(self) -> None: ...


def wait_for(what: str, check: Callable[[], Any], timeout_s: float = 20.0) -> None:
    deadline = time.monotonic() + timeout_s
    while not check():
        assert time.monotonic() < deadline, f"no {what} within {timeout_s:g} s"
        time.sleep(0.02)


@pytest.mark.parametrize("wanted", [True, False])
def test_an_agent_hears_of_advisories_only_when_it_is_told_to(
    wanted: bool, broker: Any, office: Any, tmp_path: Path
) -> None:
    fleet = tmp_path / "fleet.toml"
    fleet.write_text(
        'fleet = "yard"\n[types.tractor]\ntitle = "x"\n[vehicles.t-1]\ntype = "tractor"\n', encoding="utf-8"
    )
    settings = parse_agent(
        f"""
        fleet = "yard"
        vehicle = "t-1"
        outbox.path = "t-1.sqlite"
        broker.url = "mqtt://127.0.0.1:{broker.port}"
        source = {{kind = "replay", file = "unused.csv"}}
        guard.advisories = {str(wanted).lower()}
        """,
        folder=tmp_path,
    )
    source = SourceWithBus()
    settings = msgspec.structs.replace(settings, source=SimulatedSettings(fleet_file=str(fleet)))

    def send(payload: bytes) -> None:
        topic = Topic("yard", "t-1", TopicKind.ADVISORY, "a-1").text
        mqtt_publish.single(topic, payload, qos=1, retain=True, hostname="127.0.0.1", port=broker.port)

    send(encode_message(advisory()))
    agent = Agent(settings, SystemClock(), source)
    agent.start()
    try:
        wait_for("status", office.last_status)
        if wanted:
            wait_for("code", lambda: [TroubleCode(78, 16)] in source.told)
            send(b"")
            wait_for("end of the code", lambda: source.told[-1] == [])
        else:
            time.sleep(0.5)
            assert source.told == []
    finally:
        agent.stop()
