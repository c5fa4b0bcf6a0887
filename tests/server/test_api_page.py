"""The page as it leaves the office: complete, escaped, and never from another machine."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from api_client import client_of
from httpx import Client
from msgspec.structs import replace
from small_office import NOW_S, low_axle, small_office

import axlewright_server.page
from axlewright_server.advisories import raise_advisory
from axlewright_server.detectors.base import Symptom
from axlewright_server.detectors.table import AxleTable
from axlewright_server.diagnosis.assessment import Assessment, NextCheck
from axlewright_server.page.figures import figure_lines
from axlewright_server.store import records
from axlewright_server.store.advisories import write_changes, write_symptoms

STATIC = Path(axlewright_server.page.__file__).parent / "static"
PAGES = ["/", "/trucks/sy-2", "/advisories", "/intake", "/api/1/docs", "/sign-in", "/nowhere"]


class Elements(HTMLParser):
    """Collect elements and check that they are closed in order."""

    VOID = frozenset(("meta", "link", "input", "br", "hr", "img"))

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open.pop() == tag, f"</{tag}> closes nothing"


def read(client: Client, address: str) -> tuple[str, list[tuple[str, dict[str, str | None]]]]:
    answer = client.get(address, headers={"accept": "text/html"})
    assert answer.headers["content-type"].startswith("text/html")
    elements = Elements()
    elements.feed(answer.text)
    assert elements.open == []
    return answer.text, elements.seen


@pytest.fixture
def advisory(client: Client) -> str:
    return f"/advisories/{client.get('/api/1/advisories').json()[0]['id']}"


@pytest.mark.parametrize("address", PAGES)
def test_a_page_is_well_formed_with_a_skip_link_one_heading_and_unique_ids(client: Client, address: str) -> None:
    _, elements = read(client, address)
    identifiers = [attributes["id"] for _, attributes in elements if "id" in attributes]
    assert len(identifiers) == len(set(identifiers))
    assert sum(tag == "h1" for tag, _ in elements) == 1
    assert ("a", {"class": "skip", "href": "#content"}) in elements


@pytest.mark.parametrize("address", PAGES)
def test_a_page_loads_nothing_from_elsewhere_and_what_it_loads_exists(client: Client, address: str) -> None:
    _, elements = read(client, address)
    sources = [
        attributes[name] or ""
        for tag, attributes in elements
        for name in ("src", "href")
        if name in attributes and (tag in {"script", "link", "img"})
    ]
    assert sources
    for source in sources:
        assert source.startswith("/static/"), source
        assert client.get(source).status_code == 200, source


def test_no_script_or_style_stands_in_the_page(client: Client, advisory: str) -> None:
    for address in [*PAGES, advisory]:
        _, elements = read(client, address)
        for tag, attributes in elements:
            assert tag != "style" and "style" not in attributes, address
            assert tag != "script" or "src" in attributes, address
            assert not any(name.startswith("on") for name in attributes), address


def test_text_from_the_wire_cannot_become_markup(client: Client, advisory: str) -> None:
    text, elements = read(client, advisory)
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text
    assert all("src" in attributes for tag, attributes in elements if tag == "script")


def test_each_truck_says_its_condition_in_words_beside_the_shape(client: Client) -> None:
    text, _ = read(client, "/")
    order = [text.index(f'data-vehicle="{name}"') for name in ("sy-2", "sy-1", "sy-3")]
    assert order == sorted(order)
    for words in ("See within a day", "See at next service", "No recent data", "14 mm low"):
        assert words in text


def test_an_advisory_offers_real_buttons_and_its_first_check(client: Client, advisory: str) -> None:
    text, elements = read(client, advisory)
    forms = {attributes["action"] for tag, attributes in elements if tag == "form"}
    assert forms == {f"{advisory}/{action}" for action in ("acknowledge", "shelve", "suppress", "close", "findings")}
    assert sum(tag == "button" for tag, _ in elements) == 5
    assert "Ride height against specification" in text
    assert text.index("Before anyone touches it") < text.index("Check first")
    names = [attributes for tag, attributes in elements if tag == "input" and attributes.get("id") == "who"]
    assert len(names) == 1 and "required" in names[0]


def test_an_advisory_says_of_when_its_numbers_are_and_what_the_channel_reads_now(client: Client, advisory: str) -> None:
    text, _ = read(client, advisory)
    assert "those of the moment each symptom was raised" in text
    assert "at the latest <time" in text  # made by hand, without the symptom's own event
    assert "Ride height now <b>" in text
    assert "from specification (left" in text


def test_an_axle_with_an_advisory_is_not_said_to_have_no_limit_in_sight(client: Client) -> None:
    sections = [read(client, f"/trucks/{name}")[0].split('id="ahead-')[1:] for name in ("sy-2", "sy-3")]
    assert [["No limit is in sight" in one for one in each] for each in sections] == [[False, True], [True, True]]
    assert "what has been found since is under Advisories" in sections[0][0]


@pytest.mark.parametrize(("unit", "told"), [("/", False), ("mm", True)])
def test_a_number_without_a_unit_is_left_to_the_words(tmp_path: Path, unit: str, told: bool) -> None:
    with small_office(tmp_path) as office, client_of(office) as client:
        message = low_axle("sy-3")
        message = replace(message, evidence=[replace(message.evidence[0], value=106.25, limit=10.0, unit=unit)])
        change = raise_advisory(message, 4, ("height-low",), ("height/static",))
        with office.store.transaction():
            write_changes(office.store, [change])
        text, _ = read(client, f"/advisories/{message.id}")
        assert (">106 mm, limit 10.0 mm<" in text) == ("106 " in text) == told


@pytest.mark.parametrize("cause", ["failed-temperature-sensor", "failed-height-sensor", "dragging-brake"])
def test_a_value_whose_sensor_has_failed_is_not_shown_as_the_axles(tmp_path: Path, cause: str) -> None:
    with small_office(tmp_path) as office, client_of(office) as client:
        message = replace(low_axle("sy-1"), id="0" * 24, cause=cause)
        with office.store.transaction():
            write_changes(office.store, [raise_advisory(message, 0, ("sensor-stuck/lube",), ("lube",))])
        first, second = client.get("/api/1/vehicles/sy-1").json()["axles"][1:]
        assert ("doubted" in first["lube_text"]) == (cause == "failed-temperature-sensor")
        assert ("doubted" in first["ride_height_text"]) == (cause == "failed-height-sensor")
        assert "doubted" not in second["lube_text"] + second["ride_height_text"]
        assert ("?</text>" in read(client, "/trucks/sy-1")[0]) == (cause != "dragging-brake")


def test_the_next_best_check_is_weighed_in_words_of_the_shop(tmp_path: Path) -> None:
    with small_office(tmp_path) as office, client_of(office) as client:
        said = Assessment(
            open_bits=0.8,
            next_checks=[
                NextCheck("ride-height", "Ride height against specification", 0.4, 10.0, "judgement", []),
                NextCheck("lube-level", "Lube level at the fill plug", 0.04, 15.0, "judgement", []),
            ],
            paths=[],
            found=[],
        )
        advisory, record = raise_advisory(low_axle(), 2, ("height-low",), ("height/static",))
        with office.store.transaction():
            write_changes(office.store, [(replace(advisory, assessment=said), record)])
        text, _ = read(client, f"/advisories/{advisory.id}")
        assert "settle 50 % of what is still open" in text
        assert "(15 min, 5 %)" in text
        assert "sudden step." in text  # a cause's reasons end as a sentence


def test_the_sign_in_sheet_shows_no_connection(client: Client) -> None:
    assert 'id="link"' not in read(client, "/sign-in")[0]
    assert 'id="link"' in read(client, "/")[0]


def test_the_intake_shows_what_a_trucks_gateway_says_of_itself(client: Client) -> None:
    text, _ = read(client, "/intake")
    assert "j1939 can0: stale (speed silent for 8 s)" in text
    assert '<td class="n">2.1</td>' in text and '<td class="n">61</td>' in text


def test_the_intake_explains_its_words_and_keeps_kinds_beside_their_sum(client: Client) -> None:
    text, _ = read(client, "/intake")
    assert "Refused: frames beyond a gap" in text and "Rows too late to be judged: stored" in text
    lines = figure_lines({"quarantined": 3.0, "gaps": 0.0, "quarantined_frame": 2.0, "quarantined_topic": 1.0}, 0.0)
    assert [name for name, _ in lines] == ["In quarantine since", "· frame", "· topic", "Frames that never came"]


def test_every_stream_of_a_truck_is_listed(tmp_path: Path) -> None:
    with small_office(tmp_path) as office, client_of(office) as client:
        with office.store.transaction():
            older = records.HighWater("sy-2", "s0", 7, int((NOW_S - 9000.0) * 1000), 2, 0)
            records.write_high_waters(office.store, [older])
        told = next(one for one in client.get("/api/1/intake").json()["vehicles"] if one["vehicle"] == "sy-2")
        assert [(one["stream"], one["committed_seq"]) for one in told["streams"]] == [("s1", 42), ("s0", 7)]
        assert told["committed_seq"] == 42
        assert "<code>s0</code>" in read(client, "/intake")[0]


def test_evidence_carries_the_time_of_the_symptom_it_repeats(tmp_path: Path) -> None:
    with small_office(tmp_path) as office, client_of(office) as client:
        raised_s = NOW_S - 2900.0
        table = AxleTable.of(office.spec)
        row = table.row("sy-2", 2)
        assert row is not None
        event = Symptom(row, raised_s, "height-low", "height/static", 2, raised_s - 60.0, -14.0, 6.0, "mm", 1.0)
        with office.store.transaction():
            write_symptoms(office.store, table, [event, replace(event, time_s=raised_s + 60.0, value=-15.0)])
        identifier = client.get("/api/1/advisories", params={"vehicle": "sy-2"}).json()[0]["id"]
        evidence = client.get(f"/api/1/advisories/{identifier}").json()["evidence"]
        assert [one["as_of_s"] for one in evidence] == [raised_s]
        assert "as of <time" in read(client, f"/advisories/{identifier}")[0]


def test_vendored_scripts_carry_version_and_licence() -> None:
    vendored = sorted((STATIC / "vendor").iterdir())
    for stem in ("htmx-2.0.11", "uplot-1.6.32"):
        assert any(one.name.startswith(stem) and one.suffix in {".js", ".css"} for one in vendored)
        assert "Permission" in (STATIC / "vendor" / f"{stem}.LICENSE.txt").read_text(encoding="utf-8")


def test_our_own_scripts_and_styles_name_no_other_machine() -> None:
    for file in STATIC.glob("*.*"):
        addresses = re.findall(r"https?://[^\s\"')]+", file.read_text(encoding="utf-8"))
        assert [one for one in addresses if "www.w3.org" not in one] == [], file.name


def test_the_readme_names_every_route_and_no_other(client: Client) -> None:
    text = (Path(axlewright_server.page.__file__).parents[1] / "api" / "README.md").read_text(encoding="utf-8")
    told = set(re.findall(r"`(GET|POST|DELETE) (/[^`]*)`", text))
    paths = client.get("/openapi.json").json()["paths"]
    assert told == {(method.upper(), path) for path, methods in paths.items() for method in methods}


def test_the_message_contract_is_served_as_the_models_have_it(client: Client) -> None:
    assert client.get("/api/1/asyncapi.json").json()["asyncapi"].startswith("3.")
    assert "frame" in client.get("/api/1/schemas").json()
