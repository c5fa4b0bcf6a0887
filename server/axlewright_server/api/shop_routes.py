"""Routes for what the shop tells: findings on an advisory, repairs, and which checks there are."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Query, Request

from axlewright_models.errors import ModelError
from axlewright_models.shop import CHECKS
from axlewright_models.shop.service import ServiceEvent
from axlewright_server.api.actions import settled
from axlewright_server.api.advisory_routes import AdvisoryId, require_advisory
from axlewright_server.api.context import OfficeHere, Reader, Vehicle, name_for_log
from axlewright_server.api.desk import Desk
from axlewright_server.api.errors import PROBLEMS, ApiError
from axlewright_server.api.records import AdvisoryRecord
from axlewright_server.api.shop_records import (
    CheckChoice,
    FindingRequest,
    OutcomeChoice,
    ServiceRecord,
    ServiceRequest,
)
from axlewright_server.diagnosis.casebook import Found, outcome_of
from axlewright_server.diagnosis.facts import Knowledge
from axlewright_server.store import shop as stored

router = APIRouter(prefix="/api/1", tags=["shop"], responses={code: PROBLEMS[code] for code in (401, 422)})
# A clock in the shop may go ahead of the office's by so much. [s]
AHEAD_S = 600.0


@router.get("/checks")
def list_checks(office: OfficeHere) -> list[CheckChoice]:
    """Return every check of the shop: how, to which limit, and the outcomes that a finding may have."""
    return check_choices(office.knowledge)


@router.post("/advisories/{advisory}/findings", responses={code: PROBLEMS[code] for code in (403, 404, 409, 503)})
def record_finding(
    request: Request,
    office: OfficeHere,
    advisory: AdvisoryId,
    wanted: Annotated[
        FindingRequest,
        Body(
            openapi_examples={
                "seen": {"value": {"check": "lube-level", "outcome": "low", "who": "m.fitter"}},
                "measured": {
                    "value": {"check": "output-bearing-end-play", "value": 0.009, "unit": "in", "who": "m.fitter"}
                },
            }
        ),
    ],
) -> AdvisoryRecord:
    """Record what a check found; the causes are weighed anew. The same finding once more changes nothing.

    The answer is the advisory that now holds it: another cause may lead, and its advisory takes this one's place.
    """
    name = find(office, advisory, name_for_log(request, wanted.who), wanted)
    with office.reader() as reader:
        return require_advisory(reader, name)


@router.get("/vehicles/{vehicle}/services", responses={404: PROBLEMS[404]})
def list_services(
    reader: Reader, vehicle: Vehicle, limit: Annotated[int, Query(ge=1, le=1000)] = 100
) -> list[ServiceRecord]:
    """Return the repairs recorded of a vehicle, the newest first."""
    return [service_record(one) for one in stored.services(reader, vehicle.id, limit=limit)]


@router.post("/vehicles/{vehicle}/services", responses={code: PROBLEMS[code] for code in (403, 404, 503)})
def record_service(request: Request, office: OfficeHere, vehicle: Vehicle, wanted: ServiceRequest) -> ServiceRecord:
    """Record a repair: baselines and forecasts of just what was touched begin afresh.

    The same repair (axle, time, parts) recorded twice counts once.
    """
    event = serve(office, vehicle.id, name_for_log(request, wanted.who), wanted)
    with office.reader() as reader:
        kept = (one for one in stored.services(reader, vehicle.id) if one.event == event)
        return service_record(next(kept))


def find(office: Desk, advisory: str, who: str, wanted: FindingRequest) -> str:
    """Have a finding recorded and return the advisory that now holds it.

    Raises
    ------
    ApiError
        There is no such advisory or it is closed, or the finding is not one that the check can have.
    """
    with office.reader() as reader:
        known = require_advisory(reader, advisory)
    try:
        outcome = outcome_of(office.knowledge, wanted.check, wanted.outcome, wanted.value, wanted.unit)
    except ModelError as error:
        raise ApiError(422, f"{error}.", "body: check, outcome, value, unit", "See /api/1/checks.") from error
    found = Found(
        vehicle=known.vehicle,
        axle=known.axle,
        check=wanted.check,
        outcome=outcome,
        time_s=round(office.clock(), 3),
        who=who,
        advisory=advisory,
        value=wanted.value,
        unit=(wanted.unit or CHECKS[wanted.check].unit) if wanted.value is not None else "",
        note=wanted.note.strip(),
    )
    return settled(office.record_finding(advisory, found, finding_text(office.knowledge, found))).id


def serve(office: Desk, vehicle: str, who: str, wanted: ServiceRequest) -> ServiceEvent:
    """Have a repair recorded.

    Raises
    ------
    ApiError
        It is dated in the future, the truck has no such axle, or what was touched is not known.
    """
    now_s = office.clock()
    time_s = round(now_s if wanted.time_s is None else wanted.time_s, 3)
    positions = [0, *(axle.position for axle in office.spec.vehicles[vehicle].drive_axles)]
    if time_s > now_s + AHEAD_S:
        raise ApiError(422, "The repair is dated in the future.", "body: time_s", "Give the time when it was done.")
    if wanted.axle not in positions:
        allowed = ", ".join(str(position) for position in positions)
        raise ApiError(
            422, f"{vehicle} has no drive axle {wanted.axle}.", "body: axle", f"Use one of {allowed} (0 = all)."
        )
    try:
        event = ServiceEvent(vehicle, wanted.axle, time_s, frozenset(wanted.touched))
    except ModelError as error:
        raise ApiError(422, f"{error}.", "body: touched", "Name what was replaced or touched.") from error
    settled(office.record_service(event, who, wanted.note.strip()))
    return event


def finding_text(knowledge: Knowledge, found: Found) -> str:
    """Return a finding in words, for log and page."""
    kind = knowledge.checks.get(found.check)
    said = kind.outcome[found.outcome].title if kind is not None else found.outcome
    measured = f" ({found.value:g} {found.unit})" if found.value is not None else ""
    note = f"; {found.note}" if found.note else ""
    return f"{CHECKS[found.check].title}: {said}{measured}{note}"


def check_choices(knowledge: Knowledge) -> list[CheckChoice]:
    """Return every check with its outcomes; those that tell of causes come first."""
    choices = []
    for name in (*knowledge.checks, *(name for name in CHECKS if name not in knowledge.checks)):
        kind, check = knowledge.checks.get(name), CHECKS[name]
        outcomes = (
            [OutcomeChoice(id=one, title=outcome.title) for one, outcome in kind.outcome.items()]
            if kind is not None
            else [OutcomeChoice(id="within", title="as it should be"), OutcomeChoice(id="outside", title="not so")]
        )
        choices.append(
            CheckChoice(
                id=name,
                title=check.title,
                how=check.how,
                tool=check.tool,
                limit_text=check.limit_text,
                unit=check.unit,
                measurable=check.measurable,
                minutes=kind.minutes if kind is not None else None,
                tells_of_causes=kind is not None,
                outcomes=outcomes,
            )
        )
    return choices


def service_record(one: stored.StoredService) -> ServiceRecord:
    """Return a stored repair in the interface's form."""
    return ServiceRecord(
        vehicle=one.event.vehicle,
        axle=one.event.axle,
        time_s=one.event.time_s,
        touched=sorted(one.event.touched),
        who=one.who,
        note=one.note,
        recorded_s=one.recorded_ms / 1000.0,
    )
