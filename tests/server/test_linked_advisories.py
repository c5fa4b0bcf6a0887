"""One event that is told on two axles stands together in lists, and each place says so."""

from __future__ import annotations

from pathlib import Path

from api_client import client_of
from msgspec.structs import replace
from small_office import low_axle, small_office

from axlewright_server.advisories import raise_advisory
from axlewright_server.api.records import AdvisoryBrief
from axlewright_server.api.states import brief, worst_first
from axlewright_server.store import advisories


def told(name: str, urgency: str = "next-service", same_event_as: str | None = None) -> AdvisoryBrief:
    return brief(replace(low_axle(urgency=urgency), id=name, axle=3, same_event_as=same_event_as))


def test_those_of_one_event_stand_together_where_the_worst_of_them_stands() -> None:
    first, other = told("first"), told("other", "within-a-day")
    second, lonely = told("second", "stop-safely-now", "first"), told("lonely", "next-service", "closed-long-ago")
    ordered = worst_first([first, other, second, lonely])
    assert [one.id for one in ordered][:3] == ["first", "second", "other"]
    assert {one.id for one in ordered} == {"first", "second", "other", "lonely"}
    assert worst_first([]) == []


def test_lists_and_sheets_say_which_advisory_to_read_first(tmp_path: Path) -> None:
    with small_office(tmp_path) as office, client_of(office) as client:
        first = low_axle()
        second = replace(first, id="f" * 24, axle=3, same_event_as=first.id, urgency="next-service")
        with office.store.transaction():
            advisories.write_changes(office.store, [raise_advisory(second, 1, ("height-low",), ("height/left",))])
        listed = client.get("/api/1/advisories", params={"vehicle": "sy-2"}).json()
        assert [(one["axle"], one["same_event_as"]) for one in listed] == [(2, None), (3, first.id)]
        assert client.get(f"/api/1/advisories/{second.id}").json()["same_event_as"] == first.id
        link = f'<a href="/advisories/{first.id}">'
        assert f"{link}same event as another axle's</a>" in client.get("/advisories").text
        assert f"{link}an advisory on another axle of this truck</a>" in client.get(f"/advisories/{second.id}").text
        assert "same event" not in client.get(f"/advisories/{first.id}").text
