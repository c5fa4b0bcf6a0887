"""The page as it leaves the office: complete, escaped, and never from another machine."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from httpx import Client

import axlewright_server.page

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
    assert forms == {f"{advisory}/{action}" for action in ("acknowledge", "shelve", "suppress", "close")}
    assert sum(tag == "button" for tag, _ in elements) == 4
    assert "Ride height against specification" in text
    assert text.index("Before anyone touches it") < text.index("Check first")


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
