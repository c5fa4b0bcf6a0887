"""With accounts, nothing is shown or done without one; sessions end; names for the log cannot be borrowed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from api_client import client_of
from httpx import Client
from small_office import small_office

from axlewright_server.api.guards import COOKIE, SESSION_S, Sessions

LOGIN = {"name": "k.planner", "password": "a long enough sentence"}


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[Client]:
    with small_office(tmp_path, (LOGIN["name"], LOGIN["password"])) as office, client_of(office) as client:
        yield client


@pytest.mark.parametrize(
    "address",
    ["/api/1/fleet", "/api/1/advisories", "/api/1/intake", "/api/1/events", "/api/1/vehicles/sy-1/readings.csv"],
)
def test_nothing_is_told_to_strangers(guarded: Client, address: str) -> None:
    answer = guarded.get(address)
    assert answer.status_code == 401
    assert "Sign in" in answer.json()["how_to_mend"]


def test_a_browser_is_led_to_the_sign_in_and_back(guarded: Client) -> None:
    answer = guarded.get("/trucks/sy-1", headers={"accept": "text/html"}, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?next=/trucks/sy-1")
    form = LOGIN | {"next": "/trucks/sy-1"}
    signed = guarded.post("/sign-in", data=form, follow_redirects=False)
    assert (signed.status_code, signed.headers["location"]) == (303, "/trucks/sy-1")
    assert guarded.get("/trucks/sy-1").status_code == 200


def test_the_cookie_is_out_of_scripts_reach_and_sign_out_ends_the_session(guarded: Client) -> None:
    answer = guarded.post("/api/1/session", json=LOGIN)
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=lax" in cookie
    token = guarded.cookies[COOKIE]
    assert guarded.get("/api/1/session").json() == {"name": "k.planner", "accounts_demanded": True}
    guarded.delete("/api/1/session")
    guarded.cookies.set(COOKIE, token)
    assert guarded.get("/api/1/fleet").status_code == 401


@pytest.mark.parametrize("login", [LOGIN | {"password": "wrong"}, LOGIN | {"name": "nobody"}])
def test_a_wrong_login_does_not_say_which_half_was_wrong(guarded: Client, login: dict[str, str]) -> None:
    answer = guarded.post("/api/1/session", json=login)
    assert answer.status_code == 401
    assert answer.json()["what"] == "Name and password do not belong together."
    assert "set-cookie" not in answer.headers
    assert guarded.post("/sign-in", data=login).status_code == 401


def test_the_log_names_who_is_signed_in_whatever_the_request_says(guarded: Client) -> None:
    guarded.post("/api/1/session", json=LOGIN)
    identifier = guarded.get("/api/1/advisories").json()[0]["id"]
    changed = guarded.post(f"/api/1/advisories/{identifier}/acknowledge", json={"who": "somebody.else"}).json()
    assert changed["changes"][-1]["who"] == "k.planner"


def test_probes_and_scrapers_need_no_account(guarded: Client) -> None:
    assert guarded.get("/healthz").status_code == 200
    assert "sy-1" not in guarded.get("/metrics").text


def test_a_sign_in_leads_to_no_other_site(guarded: Client) -> None:
    answer = guarded.post("/sign-in", data=LOGIN | {"next": "//evil.example"}, follow_redirects=False)
    assert answer.headers["location"] == "/"


def test_a_session_runs_out() -> None:
    now = [1000.0]
    sessions = Sessions(lambda: now[0])
    token = sessions.begin("k.planner")
    assert sessions.name(token) == "k.planner"
    now[0] += SESSION_S + 1.0
    assert sessions.name(token) is None


@pytest.mark.parametrize(
    "login", [{"password": "correct horse"}, {"name": "planner", "password": "correct horse" * 99}]
)
def test_a_login_in_the_wrong_form_is_refused_without_repeating_the_password(
    guarded: Client, login: dict[str, str]
) -> None:
    answer = guarded.post("/api/1/session", json=login)
    assert answer.status_code == 422
    assert answer.json()["where"].startswith("body")
    assert "horse" not in answer.text
