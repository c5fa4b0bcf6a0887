"""What the office tells trucks of limits, and what it shows of their guards."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from api_client import client_of
from httpx import Client
from small_office import NOW_S, small_office

from axlewright_models.guard_limits import check_guard_limits, guard_limits
from axlewright_models.signals import GUARD_WORDS, INDEX, NAMES
from axlewright_models.spec import FleetSpec, parse_fleet
from axlewright_models.wire.messages import LimitsMessage, Status, decode_message
from axlewright_models.wire.topics import Topic, TopicKind
from axlewright_server.api.states import AxleReading, Material, vehicle_state
from axlewright_server.detectors.base import Symptom
from axlewright_server.diagnosis.knowledge import load_knowledge
from axlewright_server.diagnosis.posterior import NONE
from axlewright_server.diagnosis.report import urgency
from axlewright_server.limits_sender import send_limits
from axlewright_server.page.texts import GUARD_TEXTS
from axlewright_server.store import records, rows


def fleet(*limits: str) -> FleetSpec:
    text = 'fleet = "yard"\n[types.tractor]\ntitle = "6x4 tractor"\n'
    text += "".join(f'[vehicles.t-{n}]\ntype = "tractor"\n{line}\n' for n, line in enumerate(limits, 1))
    return parse_fleet(text)


class FakeLink:
    """Takes so many messages, then no more."""

    def __init__(self, room: int = 100) -> None:
        self.room = room
        self.sent: list[tuple[str, bytes, bool]] = []

    def publish(self, topic: str, payload: bytes, retain: bool = False) -> Any:
        if len(self.sent) >= self.room:
            return None
        self.sent.append((topic, payload, retain))
        return object()


def test_every_truck_is_sent_its_own_limits_retained() -> None:
    link, spec = FakeLink(), fleet("", "limits.lube_limit_cel = 115")
    assert send_limits(spec, link) == 2
    for vehicle, (topic, payload, retain) in zip(("t-1", "t-2"), link.sent, strict=True):
        assert topic == Topic("yard", vehicle, TopicKind.LIMITS).text
        assert retain
        message = decode_message(payload, LimitsMessage)
        # What a truck checks before it takes them.
        check_guard_limits(message, "yard", vehicle)
        assert message == guard_limits("yard", spec.vehicle(vehicle))
        assert {axle.lube_limit_cel for axle in message.axles} == {spec.vehicle(vehicle).limit("lube_limit_cel")}


def test_limits_that_every_truck_would_refuse_are_not_sent_and_a_full_link_ends_it() -> None:
    link = FakeLink()
    assert send_limits(fleet("", "limits = {lube_limit_cel = 900, lube_caution_cel = 110}", ""), link) == 2
    assert [Topic.parse(topic).vehicle for topic, _, _ in link.sent] == ["t-1", "t-3"]
    assert send_limits(fleet("", "", ""), FakeLink(room=1)) == 1


def status(limits_version: str) -> Status:
    return Status(
        online=True, version="1", stream="a", queued=0, clock="set", time_s=NOW_S, limits_version=limits_version
    )


def test_the_state_tells_what_the_guard_says_and_whether_both_go_by_the_same_limits() -> None:
    spec = fleet("").vehicle("t-1")
    own = guard_limits("yard", spec).version
    readings = {("t-1", 2): AxleReading(NOW_S, {"guard": 0.0}), ("t-1", 3): AxleReading(NOW_S, {"guard": 2.0})}
    told = vehicle_state(spec, Material(readings, (), {"t-1": status(own)}), NOW_S).guard
    assert [(one.axle, one.word) for one in told.words] == [(2, "quiet"), (3, "lube-rise")]
    assert (told.speaks, told.agree, told.limits_version) == (True, True, own)
    other = vehicle_state(spec, Material({}, (), {"t-1": status("older")}), NOW_S).guard
    assert (other.words, other.speaks, other.agree, other.office_version) == ([], False, False, own)
    assert vehicle_state(spec, Material(), NOW_S).guard.agree is None
    assert vehicle_state(spec, Material({}, (), {"t-1": status("")}), NOW_S).guard.agree is None


def test_every_word_has_a_text() -> None:
    assert set(GUARD_TEXTS) == set(GUARD_WORDS)


KNOWLEDGE = load_knowledge(None)


@pytest.mark.parametrize("cause", [NONE, *sorted(KNOWLEDGE.causes)])
def test_nothing_slower_than_stop_is_said_while_the_guard_speaks(cause: str) -> None:
    spoke = Symptom(
        axle=0, time_s=NOW_S, code="guard-spoke", channel="guard", level=2, since_s=NOW_S, value=3.0, limit=1.0,
        unit="word", score=1.0,
    )  # fmt: skip
    # The finding's probabilities do not matter here.
    finding: Any = None
    assert urgency(KNOWLEDGE, cause, finding, [spoke]) == "stop-safely-now"


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Client]:
    with small_office(tmp_path) as office:

        def write(writer: object) -> None:
            for position, values in ((2, {"guard": 1.0, "lube": 131.0}), (3, {"guard": 0.0, "lube": 90.0})):
                row = np.full((1, len(NAMES)), np.nan, np.float32)
                for name, value in values.items():
                    row[0, INDEX[name]] = value
                axle = np.array([office.store.axle_id("sy-2", position)])
                rows.write_rows(office.store, axle, np.array([round(NOW_S * 1000) + 1000]), row)
            records.write_statuses(office.store, [records.TruckStatus("sy-2", int(NOW_S * 1000), status("older"))])

        office.pipeline.request(write).result(20)
        with client_of(office) as made:
            yield made


def test_the_trucks_sheet_shows_the_guards_word_and_that_limits_differ(client: Client) -> None:
    text = client.get("/trucks/sy-2", headers={"accept": "text/html"}).text
    assert "axle 2: lube beyond its limit" in text
    assert "older" in text
    assert "not those of the fleet file" in text
    told = client.get("/api/1/vehicles/sy-2").json()["guard"]
    assert [one["text"] for one in told["words"]] == ["lube beyond its limit", "quiet"]
    assert "not those of the fleet file" not in client.get("/trucks/sy-1", headers={"accept": "text/html"}).text
