"""Routes for those who run the office: intake, quarantine, health, metrics, the contracts."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse, PlainTextResponse, Response

from axlewright_models import __version__, spec
from axlewright_models.wire.asyncapi import asyncapi_document, frame_schema
from axlewright_models.wire.messages import MESSAGES, message_schema
from axlewright_server.api import exposition, reads
from axlewright_server.api.context import OfficeHere, Reader
from axlewright_server.api.desk import Desk
from axlewright_server.api.errors import PROBLEMS, ApiError
from axlewright_server.api.exposition import Metric, Sample
from axlewright_server.api.records import Health, Intake, Quarantine
from axlewright_server.api.states import CONDITIONS, fleet_state

router = APIRouter(prefix="/api/1", responses={code: PROBLEMS[code] for code in (401, 422)})
# Without an account: probes and scrapers carry none, and these tell nothing of any truck by name.
open_router = APIRouter(tags=["operation"])
# What only rises while the server runs; the other figures are gauges.
COUNTERS = frozenset(
    (
        *("received", "received_bytes", "refused", "overflow", "duplicates", "quarantined", "gaps", "committed"),
        *("rows", "out_of_order_rows", "batches", "symptoms", "failures", "failed_callbacks"),
    )
)


@router.get("/intake", tags=["operation"])
def read_intake(office: OfficeHere, reader: Reader) -> Intake:
    """Return the counters of what came in, and each vehicle's place in its stream."""
    return reads.intake(reader, office.spec, flat_figures(office))


@router.get("/quarantine", tags=["operation"])
def read_quarantine(
    reader: Reader,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
    before: Annotated[int | None, Query(description="Only entries below this id, for paging.", ge=0, lt=2**63)] = None,
) -> Quarantine:
    """Return the newest payloads that could not be taken, each with its reason."""
    return reads.quarantine(reader, limit, before)


@router.get("/asyncapi.json", tags=["contracts"])
def read_asyncapi() -> dict[str, Any]:
    """Return the contract of the MQTT side as an AsyncAPI document."""
    return asyncapi_document()


@router.get("/schemas", tags=["contracts"])
def list_schemas() -> list[str]:
    """Return the names of the JSON Schemas that are served."""
    return sorted(_schemas())


@router.get("/schemas/{name}.json", tags=["contracts"], responses={404: PROBLEMS[404]})
def read_schema(name: str) -> dict[str, Any]:
    """Return one JSON Schema: of a message, or of the fleet file."""
    found = _schemas().get(name)
    if found is None:
        raise ApiError(404, f"There is no schema {name!r}.", "path: name", "Use a name that /api/1/schemas lists.")
    return found


@open_router.get("/healthz")
def read_liveness(office: OfficeHere) -> JSONResponse:
    """Return 200 while the process does its work; 503 means: restart it."""
    health = office.health()
    return _health(health.alive, health.parts)


@open_router.get("/readyz")
def read_readiness(office: OfficeHere) -> JSONResponse:
    """Return 200 when every part works; 503 names the part that does not."""
    health = office.health()
    return _health(health.ready, health.parts)


@open_router.get("/metrics", response_class=PlainTextResponse)
def read_metrics(office: OfficeHere, reader: Reader) -> Response:
    """Return counters and gauges in the open text exposition format."""
    return Response(exposition.exposition(metrics(office, reader)), media_type=exposition.CONTENT_TYPE)


def metrics(office: Desk, reader: Reader) -> list[Metric]:
    """Return every metric."""
    state = fleet_state(office.spec, reads.material(reader), office.clock())
    standing = Counter((one.urgency, one.state) for vehicle in state.vehicles for one in vehicle.advisories)
    health = office.health()
    return [
        Metric(
            "axlewright_build_info",
            "gauge",
            "Always 1; see the label.",
            (Sample(1, {"version": __version__}),),
        ),
        Metric("axlewright_ready", "gauge", "1 when every part works.", (Sample(float(health.ready)),)),
        Metric(
            "axlewright_vehicles",
            "gauge",
            "Vehicles by condition.",
            tuple(Sample(state.counts[name], {"condition": name}) for name in CONDITIONS),
        ),
        Metric(
            "axlewright_advisories",
            "gauge",
            "Advisories that are not closed, by urgency and state.",
            tuple(Sample(n, {"urgency": urgency, "state": one}) for (urgency, one), n in sorted(standing.items())),
        ),
        *_figure_metrics(office.figures()),
    ]


def _figure_metrics(figures: Any) -> list[Metric]:  # Any: see Desk.figures
    found = []
    for field in dataclasses.fields(figures):
        value = getattr(figures, field.name)
        counter = field.name in COUNTERS
        base = field.name.removesuffix("_s") + "_seconds" if field.name.endswith("_s") else field.name
        name = f"axlewright_intake_{exposition.metric_name(base)}" + ("_total" if counter else "")
        if isinstance(value, Mapping):
            samples = tuple(Sample(float(n), {"kind": str(kind)}) for kind, n in sorted(value.items()))
        elif isinstance(value, (bool, int, float)):
            samples = (Sample(float(value)),)
        else:
            continue
        text = f"Intake: {field.name.replace('_', ' ')}."
        found.append(Metric(name, "counter" if counter else "gauge", text, samples))
    return found


def flat_figures(office: Desk) -> dict[str, float]:
    """Return the ingest figures as one table of numbers; what is counted by kind gets a line a kind."""
    flat: dict[str, float] = {}
    figures = office.figures()
    for field in dataclasses.fields(figures):
        value = getattr(figures, field.name)
        if isinstance(value, Mapping):
            flat[field.name] = float(sum(value.values()))
            flat.update({f"{field.name}_{kind}": float(n) for kind, n in sorted(value.items())})
        elif isinstance(value, (bool, int, float)):
            flat[field.name] = float(value)
    return flat


def _schemas() -> dict[str, dict[str, Any]]:
    messages = {kind.__name__.lower(): message_schema(kind) for kind in MESSAGES}
    return messages | {"frame": frame_schema(), "fleet": spec.json_schema()}


def _health(good: bool, parts: Mapping[str, str]) -> JSONResponse:
    return JSONResponse(Health(ok=good, checks=dict(parts)).model_dump(), 200 if good else 503)
