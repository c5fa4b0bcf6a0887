"""What a person does with an advisory is done, logged, and refused where it makes no sense or comes from elsewhere."""

from __future__ import annotations

import sqlite3
from concurrent.futures import CancelledError, Future
from types import SimpleNamespace
from typing import Any

import pytest
from httpx import Client

from axlewright_server.api import actions
from axlewright_server.api.actions import perform
from axlewright_server.api.errors import ApiError
from axlewright_server.api.records import ActionRequest


def first_id(client: Client) -> str:
    found: str = client.get("/api/1/advisories", params={"vehicle": "sy-2"}).json()[0]["id"]
    return found


def test_acknowledge_shelve_unshelve_and_close_are_logged_with_who_and_why(client: Client) -> None:
    identifier = first_id(client)
    for action, body, state in (
        ("acknowledge", {"who": "k.planner"}, "acknowledged"),
        ("shelve", {"who": "k.planner", "reason": "Booked for Friday.", "shelve_for_h": 24}, "shelved"),
        ("unshelve", {"who": "m.fitter"}, "acknowledged"),
        ("suppress", {"who": "m.fitter", "reason": "Test rig."}, "suppressed"),
        ("unsuppress", {"who": "m.fitter"}, "acknowledged"),
        ("close", {"who": "m.fitter", "reason": "Linkage re-set, 241 mm."}, "closed"),
    ):
        answer = client.post(f"/api/1/advisories/{identifier}/{action}", json=body)
        assert answer.status_code == 200, answer.text
        assert answer.json()["state"] == state
    changes = client.get(f"/api/1/advisories/{identifier}").json()["changes"]
    assert [(one["action"], one["who"]) for one in changes] == [
        ("raised", "Axlewright"),
        ("acknowledged", "k.planner"),
        ("shelved", "k.planner"),
        ("unshelved", "m.fitter"),
        ("suppressed", "m.fitter"),
        ("unsuppressed", "m.fitter"),
        ("closed", "m.fitter"),
    ]
    assert changes[-1]["reason"] == "Linkage re-set, 241 mm."
    assert client.get("/api/1/advisories", params={"vehicle": "sy-2"}).json() == []


def test_a_shelved_advisory_no_longer_counts_for_its_truck(client: Client) -> None:
    body = {"who": "k.planner", "reason": "Booked.", "shelve_for_h": 8}
    client.post(f"/api/1/advisories/{first_id(client)}/shelve", json=body)
    vehicle = client.get("/api/1/vehicles/sy-2").json()
    assert vehicle["condition"] == "nothing-found"
    assert [one["state"] for one in vehicle["advisories"]] == ["shelved"]


def test_what_the_answer_offers_is_what_is_accepted(client: Client) -> None:
    identifier = first_id(client)
    client.post(f"/api/1/advisories/{identifier}/close", json={"who": "m.fitter", "reason": "done"})
    assert client.get(f"/api/1/advisories/{identifier}").json()["actions"] == []


@pytest.mark.parametrize(
    ("action", "body", "status", "what"),
    [
        ("close", {"who": "m.fitter"}, 422, "takes a reason"),
        ("shelve", {"who": "m.fitter", "reason": "later"}, 422, "takes a time"),
        ("shelve", {"reason": "later", "shelve_for_h": -1}, 422, "greater than 0"),
        ("unshelve", {"who": "m.fitter"}, 409, "not shelved"),
        ("explode", {}, 422, "Input should be 'acknowledge'"),
        ("close", {"reason": "x", "wat": 1}, 422, "Extra inputs are not permitted"),
    ],
)
def test_a_wrong_action_is_refused_with_the_remedy(
    client: Client, action: str, body: dict[str, object], status: int, what: str
) -> None:
    answer = client.post(f"/api/1/advisories/{first_id(client)}/{action}", json=body)
    assert answer.status_code == status
    assert what in answer.json()["what"]


def test_an_action_on_no_advisory_is_refused(client: Client) -> None:
    assert client.post("/api/1/advisories/none/acknowledge", json={"who": "k.planner"}).status_code in (404, 409)


@pytest.mark.parametrize("who", ["", "   ", None])
@pytest.mark.parametrize("action", ["acknowledge", "shelve", "suppress", "close"])
def test_without_accounts_an_action_without_a_name_is_refused_and_changes_nothing(
    client: Client, action: str, who: str | None
) -> None:
    identifier = first_id(client)
    body = {"reason": "Booked.", "shelve_for_h": 8} | ({} if who is None else {"who": who})
    answer = client.post(f"/api/1/advisories/{identifier}/{action}", json=body)
    assert answer.status_code == 422
    assert answer.json()["where"] == "body: who"
    assert "takes a name" in answer.json()["what"] and answer.json()["how_to_mend"]
    assert len(client.get(f"/api/1/advisories/{identifier}").json()["changes"]) == 1


def test_a_form_without_a_name_comes_back_with_the_remedy(client: Client) -> None:
    identifier = first_id(client)
    answer = client.post(f"/advisories/{identifier}/acknowledge", data={"who": " "})
    assert answer.status_code == 422
    assert "takes a name" in answer.text
    assert client.get(f"/api/1/advisories/{identifier}").json()["state"] == "unacknowledged"


@pytest.mark.parametrize(
    "headers",
    [{"origin": "https://evil.example"}, {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}],
)
@pytest.mark.parametrize("address", ["/api/1/advisories/{}/acknowledge", "/advisories/{}/acknowledge"])
def test_an_action_of_another_sites_page_is_refused(client: Client, headers: dict[str, str], address: str) -> None:
    identifier = first_id(client)
    answer = client.post(address.format(identifier), json={}, headers=headers)
    assert answer.status_code == 403
    assert client.get(f"/api/1/advisories/{identifier}").json()["state"] == "unacknowledged"


def test_the_pages_own_form_is_accepted(client: Client) -> None:
    identifier = first_id(client)
    headers = {"origin": "http://testserver", "sec-fetch-site": "same-origin"}
    answer = client.post(
        f"/advisories/{identifier}/acknowledge", data={"who": "k.planner"}, headers=headers, follow_redirects=False
    )
    assert (answer.status_code, answer.headers["location"]) == (303, f"/advisories/{identifier}")
    assert client.get(f"/api/1/advisories/{identifier}").json()["state"] == "acknowledged"


def test_a_form_without_its_reason_comes_back_with_the_remedy(client: Client) -> None:
    identifier = first_id(client)
    answer = client.post(f"/advisories/{identifier}/close", data={"who": "k.planner"})
    assert answer.status_code == 422
    assert "takes a reason" in answer.text
    assert "k.planner" in answer.text


def test_an_action_reported_as_unanswered_is_not_done_later(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(actions, "PATIENCE_S", 0.01)
    future: Future[object] = Future()
    with pytest.raises(ApiError, match="did not answer"):
        perform(desk_that_answers(future), "a-1", "acknowledge", "k.planner", ActionRequest())
    assert future.cancelled()


@pytest.mark.parametrize(
    ("failure", "what"),
    [(CancelledError(), "is stopping"), (sqlite3.OperationalError("disk I/O error"), "cannot be written")],
)
def test_a_writer_that_stops_or_cannot_write_is_told_as_such(failure: Exception, what: str) -> None:
    future: Future[object] = Future()
    future.set_exception(failure)
    with pytest.raises(ApiError, match=what) as caught:
        perform(desk_that_answers(future), "a-1", "acknowledge", "k.planner", ActionRequest())
    assert caught.value.status == 503


def desk_that_answers(future: Future[object]) -> Any:
    """Return as much of an office as an action asks for (Any: a desk has more)."""
    return SimpleNamespace(clock=lambda: 0.0, act=lambda *_: future)
