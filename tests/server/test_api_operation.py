"""Health, metrics, events, and what stands on every answer."""

from __future__ import annotations

import asyncio
import json
import re
from pathlib import Path

import pytest
from api_client import client_of
from httpx import Client
from small_office import small_office

from axlewright_server.api.application import LOOPBACK_NAMES
from axlewright_server.api.events import event_lines, event_text
from axlewright_server.api.exposition import CONTENT_TYPE, Metric, Sample, exposition
from axlewright_server.hub import Event, Hub

# One line of the open text exposition format 0.0.4, written from its public description.
SAMPLE_LINE = re.compile(
    r'[a-zA-Z_:][a-zA-Z0-9_:]*(\{[a-zA-Z_][a-zA-Z0-9_]*="(\\.|[^"\\\n])*"(,[a-zA-Z_][a-zA-Z0-9_]*="(\\.|[^"\\\n])*")*\})?'
    r" (NaN|[+-]Inf|[-+0-9.e]+)"
)


def test_health_tells_life_from_readiness(client: Client) -> None:
    # The small office's writer runs, but it has no broker.
    assert client.get("/healthz").status_code == 200
    ready = client.get("/readyz")
    assert ready.status_code == 503
    assert "not connected to the broker" in ready.json()["checks"]["ingest"]


def test_metrics_keep_the_exposition_format(client: Client) -> None:
    answer = client.get("/metrics")
    assert answer.headers["content-type"] == CONTENT_TYPE
    lines = answer.text.split("\n")
    assert lines[-1] == ""
    kinds: dict[str, str] = {}
    for line in lines[:-1]:
        if line.startswith("# TYPE "):
            _, _, name, kind = line.split(" ")
            assert name not in kinds
            kinds[name] = kind
        elif not line.startswith("# HELP "):
            assert SAMPLE_LINE.fullmatch(line), line
            name = re.split(r"[{ ]", line)[0]
            assert name in kinds
            assert (kinds[name] == "counter") == name.endswith("_total")
    assert 'axlewright_vehicles{condition="within-a-day"} 1' in lines


def test_labels_are_escaped_and_names_checked() -> None:
    text = exposition([Metric("a", "gauge", "b\\c\nd", (Sample(float("nan"), {"x": 'q"\\\n'}),))])
    assert text == '# HELP a b\\\\c\\nd\n# TYPE a gauge\na{x="q\\"\\\\\\n"} NaN\n'
    with pytest.raises(ValueError, match="metric name 'a b'"):
        exposition([Metric("a b", "gauge", "", ())])
    with pytest.raises(ValueError, match="given twice"):
        exposition([Metric("a", "gauge", "", ()), Metric("a", "gauge", "", ())])


def test_an_event_stays_one_event_whatever_is_in_it() -> None:
    text = event_text(Event(7, "advisory", {"title": "two\nlines"}))
    assert text == 'id: 7\nevent: advisory\ndata: {"title":"two\\nlines"}\n\n'


class _Listening:
    """As much of a request as the stream asks for: gone after some looks."""

    def __init__(self, looks: int) -> None:
        self._looks = looks

    async def is_disconnected(self) -> bool:
        self._looks -= 1
        return self._looks < 0


class _Desk:
    hub = Hub()


def test_the_stream_tells_events_and_forgets_a_listener_that_has_gone() -> None:
    async def listen() -> list[str]:
        told = []
        async for text in event_lines(_Listening(2), _Desk()):  # type: ignore[arg-type]  # as much as is asked for
            told.append(text)
            _Desk.hub.publish("readings", {"vehicles": {"sy-1": 1000}})
        return told

    told = asyncio.run(listen())
    assert told[0].startswith("retry: ")
    assert [json.loads(text.split("data: ")[1]) for text in told[1:]] == [{"vehicles": {"sy-1": 1000}}] * 2
    assert _Desk.hub.listeners == 0


@pytest.mark.parametrize("address", ["/", "/api/1/fleet", "/static/sheet.css", "/api/1/nowhere"])
def test_every_answer_confines_the_page(client: Client, address: str) -> None:
    headers = client.get(address).headers
    assert "default-src 'self'" in headers["content-security-policy"]
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"


def test_a_foreign_name_that_points_here_is_not_answered(tmp_path: Path) -> None:
    with small_office(tmp_path) as office, client_of(office, LOOPBACK_NAMES) as client:
        assert client.get("/api/1/fleet", headers={"host": "localhost:8642"}).status_code == 200
        answer = client.get("/api/1/fleet", headers={"host": "evil.example"})
        assert answer.status_code == 421
        assert "localhost" in answer.json()["how_to_mend"]
