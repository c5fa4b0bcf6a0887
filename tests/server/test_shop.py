"""What the shop tells: findings change the causes, repairs begin afresh, both survive a restart, none counts twice."""

from __future__ import annotations

from pathlib import Path

import pytest
from api_client import client_of
from small_office import NOW_S, small_office
from test_diagnosis import KNOWLEDGE, SLOWLY_HOT, SLOWLY_HOTTER, TABLE, standing

from axlewright_models.errors import ModelError
from axlewright_models.shop.service import ServiceEvent
from axlewright_models.wire.messages import AdvisoryMessage
from axlewright_server.advisories import AdvisoryError, close
from axlewright_server.diagnosis.casebook import HOLDS_S, Casebook, Found, outcome_of
from axlewright_server.diagnosis.facts import NONE
from axlewright_server.kernel import Kernel
from axlewright_server.office import Office
from axlewright_server.settings import Settings
from axlewright_server.store import advisories, shop

pytestmark = pytest.mark.usefixtures("told_at_once")


def finding(check: str, outcome: str, time_s: float = 100_000.0, advisory: str = "a", **more: object) -> Found:
    return Found(
        vehicle=TABLE.vehicle_id(0),
        axle=2,
        check=check,
        outcome=outcome,
        time_s=time_s,
        who="m.fitter",
        advisory=advisory,
        **more,
    )  # type: ignore[arg-type]  # keyword by keyword in the tests


def hot_kernel() -> Kernel:
    """Return a kernel whose first axle has been getting hotter slowly, and its advisory."""
    from known_truth import fleet

    kernel = Kernel(fleet(2))
    kernel._standing[0] = standing(SLOWLY_HOT, SLOWLY_HOTTER)
    kernel._judge(0, 95_000.0)
    return kernel


def only(kernel: Kernel) -> AdvisoryMessage:
    (advisory,) = kernel.advisories.values()
    return advisory.message


@pytest.mark.parametrize(
    ("check", "given", "outcome"),
    [
        ("lube-level", {"outcome": "low"}, "low"),
        ("output-bearing-end-play", {"value": 0.009, "unit": "in"}, "high"),
        ("output-bearing-end-play", {"value": 0.05}, "within"),
        ("output-bearing-end-play", {"value": 0.0}, "low"),
        ("ride-height", {"value": -12.0}, "low"),
        ("air-leakage", {"value": 5.0, "unit": "psi"}, "outside"),
        ("sealant-cure", {"value": 6.0}, "outside"),  # says nothing of the cause, but can be recorded
    ],
)
def test_a_measured_value_is_judged_by_the_check(check: str, given: dict[str, object], outcome: str) -> None:
    assert outcome_of(KNOWLEDGE, check, **given) == outcome  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("check", "given", "text"),
    [
        ("no-such", {"outcome": "low"}, "unknown check 'no-such'"),
        ("lube-level", {"outcome": "empty"}, "use one of at-plug, low, high"),
        ("lube-level", {}, "give an outcome"),
        ("lube-level", {"value": 3.0}, "no numbers to judge by"),
        ("output-bearing-end-play", {"value": 0.05, "outcome": "high"}, "is 'within', not 'high'"),
        ("output-bearing-end-play", {"value": 1.0, "unit": "kPa"}, "kPa"),
    ],
)
def test_a_finding_that_cannot_be_is_refused(check: str, given: dict[str, object], text: str) -> None:
    with pytest.raises(ModelError, match=text):
        outcome_of(KNOWLEDGE, check, **given)  # type: ignore[arg-type]


def test_a_finding_changes_the_cause_and_its_advisory_takes_the_old_ones_place() -> None:
    kernel = hot_kernel()
    first = only(kernel)
    assert first.cause == "low-lube-worn-pinion-seal"
    changes = kernel.find(first.id, finding("lube-level", "at-plug", advisory=first.id), "Lube level: at the plug")
    assert changes[0][1].action == "found"
    kernel.find(first.id, finding("tandem-tyre-match", "outside", advisory=first.id), "Tyres: do not match")
    second = only(kernel)
    assert second.cause == "tandem-mismatch"
    assert second.supersedes is not None
    why = next(cause.why for cause in second.causes if cause.id == "tandem-mismatch")
    assert "tandem tyres do not match (this is the fault itself)" in why


def test_the_same_finding_once_more_changes_nothing_even_on_the_advisory_that_it_replaced() -> None:
    kernel = hot_kernel()
    first = only(kernel).id
    one = finding("tandem-tyre-match", "outside", advisory=first)
    kernel.find(first, finding("lube-level", "at-plug", advisory=first), "level")
    assert kernel.find(first, one, "tyres")
    assert only(kernel).id != first
    assert kernel.find(first, finding("tandem-tyre-match", "outside", time_s=100_060.0, advisory=first), "tyres") == []


def test_a_finding_on_a_closed_advisory_is_refused() -> None:
    kernel = hot_kernel()
    name = only(kernel).id
    kernel.act(name, lambda advisory: close(advisory, "m.fitter", 99_000.0, "mended"))
    with pytest.raises(AdvisoryError, match="may have been closed"):
        kernel.find(name, finding("lube-level", "low", advisory=name), "level")


def test_a_finding_counts_until_a_repair_or_for_a_month_and_while_its_advisory_is_open() -> None:
    book = Casebook()
    book.put(0, finding("lube-level", "low", time_s=1000.0))
    assert book.outcomes(0, 2000.0, {"a"}) == {"lube-level": "low"}
    assert book.outcomes(0, 2000.0, {"b"}) == {}
    assert book.outcomes(0, 1001.0 + HOLDS_S, {"a"}) == {}
    book.inherit(0, "a", "b")
    assert book.outcomes(0, 2000.0, {"b"}) == {"lube-level": "low"}
    book.service(0, ServiceEvent("t", 2, 1500.0, frozenset({"lube"})))
    assert book.outcomes(0, 2000.0, {"b"}) == {}


def test_a_newer_finding_takes_the_older_ones_place() -> None:
    kernel = hot_kernel()
    name = only(kernel).id
    kernel.find(name, finding("lube-level", "low", advisory=name), "low")
    low = kernel.advisories[only(kernel).id].message.confidence
    kernel.find(name, finding("lube-level", "at-plug", time_s=101_000.0, advisory=name), "at plug")
    causes = {cause.id: cause.probability for cause in only(kernel).causes}
    assert causes.get("low-lube-worn-pinion-seal", 0.0) < low


def test_the_next_best_check_leads_to_the_cause_that_it_speaks_for() -> None:
    kernel = hot_kernel()
    advisory = next(iter(kernel.advisories.values()))
    assert advisory.assessment is not None
    best = advisory.assessment.next_checks[0]
    assert best.id == "lube-level"
    told = {one.outcome: one.probability for one in best.expected}
    kernel.find(advisory.id, finding("lube-level", "low", advisory=advisory.id), "low")
    after = only(kernel)
    assert after.confidence == pytest.approx(told["low"], abs=1e-3)
    assert kernel.advisories[after.id].assessment.found[0].check == "lube-level"  # type: ignore[union-attr]


def advisory_of(client: object, office: Office) -> str:
    """Return an advisory made by the kernel itself, so that findings have symptoms to weigh."""
    return next(one["id"] for one in client.get("/api/1/advisories").json() if one["vehicle"] == "sy-2")  # type: ignore[attr-defined]


def test_a_finding_is_stored_logged_and_there_after_a_restart(tmp_path: Path) -> None:
    with small_office(tmp_path) as office, client_of(office) as client:
        name = advisory_of(client, office)
        body = {"check": "ride-height", "value": -0.5, "unit": "in", "who": "m.fitter", "note": "both sides"}
        answer = client.post(f"/api/1/advisories/{name}/findings", json=body)
        assert answer.status_code == 200
        told = answer.json()
        assert [(one["check"], one["outcome"], one["value"]) for one in told["findings"]] == [
            ("ride-height", "low", -0.5)
        ]
        assert told["changes"][-1]["action"] in {"found", "returned"}
        log = [one for one in told["changes"] if one["action"] == "found"]
        assert "ride height measured too low (-0.5 in); both sides" in log[0]["reason"]
        client.post(f"/api/1/advisories/{name}/findings", json=body)
        with office.reader() as reader:
            assert len(shop.findings(reader, "sy-2")) == 1
    again = Office(Settings(fleet=str(tmp_path / "fleet.toml"), data=str(tmp_path / "data")), clock=lambda: NOW_S)
    kernel = again.pipeline.kernel
    row = kernel.table.row("sy-2", 2)
    assert row is not None
    assert kernel.casebook.outcomes(row, NOW_S + 60.0, {name}) == {"ride-height": "low"}
    again.store.close()


@pytest.mark.parametrize(
    ("body", "status", "where"),
    [
        ({"check": "lube-level", "outcome": "low"}, 422, "body: who"),
        ({"check": "lube-level", "outcome": "empty", "who": "x"}, 422, "body: check"),
        ({"check": "lube-level", "value": float("1e9"), "who": "x"}, 422, "value"),
    ],
)
def test_a_wrong_finding_is_answered_with_what_to_mend(
    client: object, body: dict[str, object], status: int, where: str
) -> None:
    name = client.get("/api/1/advisories").json()[0]["id"]  # type: ignore[attr-defined]
    answer = client.post(f"/api/1/advisories/{name}/findings", json=body)  # type: ignore[attr-defined]
    assert answer.status_code == status
    assert where in answer.json()["where"]


def test_a_finding_on_no_advisory_is_not_found(client: object) -> None:
    body = {"check": "lube-level", "outcome": "low", "who": "x"}
    assert client.post("/api/1/advisories/none/findings", json=body).status_code == 404  # type: ignore[attr-defined]


def test_every_check_of_the_shop_is_offered_with_its_outcomes(client: object) -> None:
    choices = client.get("/api/1/checks").json()  # type: ignore[attr-defined]
    by_id = {one["id"]: one for one in choices}
    assert {"id": "low", "title": "lube found below the plug"} in by_id["lube-level"]["outcomes"]
    assert by_id["lube-level"]["tells_of_causes"]
    assert not by_id["sealant-cure"]["tells_of_causes"]


def test_a_repair_is_stored_once_and_read_back(tmp_path: Path) -> None:
    with small_office(tmp_path) as office, client_of(office) as client:
        body = {
            "axle": 2,
            "time_s": NOW_S - 50.0,
            "touched": ["lube", "pinion-seal"],
            "who": "m.fitter",
            "note": "new seal",
        }
        first = client.post("/api/1/vehicles/sy-2/services", json=body)
        assert first.status_code == 200
        assert first.json()["touched"] == ["lube", "pinion-seal"]
        assert client.post("/api/1/vehicles/sy-2/services", json=body).json() == first.json()
        assert len(client.get("/api/1/vehicles/sy-2/services").json()) == 1
        row = office.pipeline.kernel.table.row("sy-2", 2)
        assert row is not None
        assert office.pipeline.kernel.casebook.services(row) == ((NOW_S - 50.0, frozenset({"lube", "pinion-seal"})),)
    again = Office(Settings(fleet=str(tmp_path / "fleet.toml"), data=str(tmp_path / "data")), clock=lambda: NOW_S)
    assert len(again.pipeline.kernel.casebook.services(row)) == 1
    again.store.close()


def test_the_pages_form_records_a_finding_and_shows_it(client: object) -> None:
    name = next(one["id"] for one in client.get("/api/1/advisories").json() if one["vehicle"] == "sy-2")  # type: ignore[attr-defined]
    form = {"finding": "ride-height=", "value": "-12,5", "who": "m.fitter", "note": "left and right"}
    answer = client.post(f"/advisories/{name}/findings", data=form, follow_redirects=True)  # type: ignore[attr-defined]
    assert answer.status_code == 200
    assert "Ride height against specification</b>: low (−12.5 mm)" in answer.text
    assert "left and right" in answer.text


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        ("twelve", "", "is no number"),
        ("12", "furlong", "no unit that is known here. Use mm, in, deg, kPa, psi or h"),
        ("12", "psi", "measures pressure, but"),
        ("", "", "give an outcome (within, low, high) or a measured value."),
    ],
)
def test_the_pages_form_says_why_a_finding_was_not_taken(client: object, value: str, unit: str, text: str) -> None:
    name = client.get("/api/1/advisories").json()[0]["id"]  # type: ignore[attr-defined]
    form = {"finding": "ride-height=", "value": value, "unit": unit, "who": "m.fitter"}
    answer = client.post(f"/advisories/{name}/findings", data=form, headers={"accept": "text/html"})  # type: ignore[attr-defined]
    assert answer.status_code == 422
    assert text in answer.text
    assert "/api/1/checks" not in answer.text


def test_a_repair_that_was_not_taken_leads_back_to_its_truck(client: object) -> None:
    form, page = {"axle": "2", "who": "m.fitter"}, {"accept": "text/html"}
    answer = client.post("/trucks/sy-2/services", data=form, headers=page)  # type: ignore[attr-defined]
    assert answer.status_code == 422
    assert "Tick what was replaced or touched." in answer.text
    assert '<a href="/trucks/sy-2">Back to sy-2</a>' in answer.text
    lost = client.post("/trucks/sy-9/services", data=form, headers=page)  # type: ignore[attr-defined]
    assert (lost.status_code, 'href="/trucks/sy-9"' in lost.text) == (404, False)


def test_the_pages_form_records_a_repair_and_shows_it(client: object) -> None:
    form = {"axle": "2", "touched": ["lube", "pinion-seal"], "days_ago": "1", "who": "m.fitter", "note": "seal renewed"}
    answer = client.post("/trucks/sy-2/services", data=form, follow_redirects=True)  # type: ignore[attr-defined]
    assert answer.status_code == 200
    assert "lube, pinion seal" in answer.text
    assert "seal renewed" in answer.text


def test_what_lies_ahead_is_told_for_driven_axles_and_says_when_it_cannot_be(client: object) -> None:
    told = client.get("/api/1/vehicles/sy-2/axles/2/prognosis").json()  # type: ignore[attr-defined]
    assert {one["status"] for one in told["outlooks"]} == {"too-short"}
    assert [one["distance_km"] for one in told["chances"]["ahead"]] == [1000.0, 5000.0, 20000.0]
    assert told["chances"]["ahead"][0]["leak"] > 0.0
    assert client.get("/api/1/vehicles/sy-2/axles/1/prognosis").status_code == 404  # type: ignore[attr-defined]
    assert "What lies ahead" in client.get("/trucks/sy-2").text  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("body", "where"),
    [
        ({"axle": 1, "touched": ["lube"], "who": "x"}, "body: axle"),
        ({"axle": 2, "touched": ["roof"], "who": "x"}, "body: touched"),
        ({"axle": 2, "touched": ["lube"], "who": "x", "time_s": NOW_S + 1e6}, "body: time_s"),
    ],
)
def test_a_wrong_repair_is_answered_with_what_to_mend(client: object, body: dict[str, object], where: str) -> None:
    answer = client.post("/api/1/vehicles/sy-2/services", json=body)  # type: ignore[attr-defined]
    assert (answer.status_code, answer.json()["where"]) == (422, where)


def test_what_began_after_a_repair_points_to_what_the_repair_may_have_done() -> None:
    kernel = hot_kernel()
    before = {cause.id: cause.probability for cause in only(kernel).causes}
    begun_s = SLOWLY_HOT.since_s
    kernel.casebook.service(0, ServiceEvent(TABLE.vehicle_id(0), 2, begun_s - 3600.0, frozenset({"lube"})))
    kernel._judge(0, 96_000.0)
    after = {cause.id: cause.probability for cause in only(kernel).causes}
    assert after["overfilled"] > 3.0 * before.get("overfilled", 0.01)
    assert after.get(NONE, 0.0) < 0.5


def test_advisories_of_older_versions_can_be_read(tmp_path: Path) -> None:
    with small_office(tmp_path) as office, office.reader() as reader:
        assert all(advisories.kept(reader, one.id).assessment is None for one in advisories.advisories(reader))  # type: ignore[union-attr]
