"""The page's forms for the shop: findings on an advisory, repairs of a truck."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response

from axlewright_models.shop.service import TOUCHED
from axlewright_models.units import UNITS
from axlewright_server.api.advisory_routes import AdvisoryId
from axlewright_server.api.context import OfficeHere, Reader, Vehicle, name_for_log
from axlewright_server.api.errors import ApiError
from axlewright_server.api.shop_records import FindingRequest, ServiceRecord, ServiceRequest
from axlewright_server.api.shop_routes import check_choices, find, serve, service_record
from axlewright_server.diagnosis.facts import Knowledge
from axlewright_server.page import routes
from axlewright_server.store import shop as stored

router = APIRouter(include_in_schema=False)
MOST_SERVICES = 10
CHECKS_LIST = "/api/1/checks"


@router.post("/advisories/{advisory}/findings")
def record_finding(
    request: Request,
    office: OfficeHere,
    reader: Reader,
    advisory: AdvisoryId,
    finding: Annotated[str, Form(max_length=130, description="check=outcome; no outcome: the value decides")] = "",
    value: Annotated[str, Form(max_length=24)] = "",
    unit: Annotated[str, Form(max_length=16)] = "",
    who: Annotated[str, Form(max_length=64)] = "",
    note: Annotated[str, Form(max_length=500)] = "",
) -> Response:
    """Record what a check found, then show the advisory that now holds it."""
    check, _, outcome = finding.partition("=")
    try:
        if unit.strip() and unit.strip() not in UNITS:
            raise ApiError(
                422,
                f"{unit.strip()!r} is no unit that is known here.",
                "form: unit",
                "Use mm, in, deg, kPa, psi or h, or leave it empty: then the value is in the check's own unit.",
            )
        wanted = FindingRequest(
            check=check, outcome=outcome, value=number(value), unit=unit.strip(), who=who, note=note
        )
        name = find(office, advisory, name_for_log(request, who), wanted)
    except ApiError as error:
        if error.status == 404:
            raise
        # The list of all checks is for programs; a person has it in the form.
        mend = "" if CHECKS_LIST in error.problem.how_to_mend else error.problem.how_to_mend
        failed = f"{error.problem.what} {mend}".rstrip()
        return routes.advisory_sheet(request, office, reader, advisory, failed=failed, who=who, status=error.status)
    return RedirectResponse(f"/advisories/{name}#findings", 303)


@router.post("/trucks/{vehicle}/services")
def record_service(
    request: Request,
    office: OfficeHere,
    vehicle: Vehicle,
    axle: Annotated[int, Form(ge=0, le=12)] = 0,
    touched: Annotated[list[str], Form(max_length=19)] = [],  # noqa: B006  # FastAPI makes one for each request
    days_ago: Annotated[float, Form(ge=0.0, le=365.0)] = 0.0,
    who: Annotated[str, Form(max_length=64)] = "",
    note: Annotated[str, Form(max_length=500)] = "",
) -> Response:
    """Record a repair, then show the truck."""
    if not touched:
        raise ApiError(422, "Nothing was named as touched.", "form: touched", "Tick what was replaced or touched.")
    time_s = office.clock() - 86400.0 * days_ago
    wanted = ServiceRequest(axle=axle, time_s=time_s, touched=touched, who=who, note=note)
    serve(office, vehicle.id, name_for_log(request, who), wanted)
    return RedirectResponse(f"/trucks/{vehicle.id}#services", 303)


def number(text: str) -> float | None:
    """Return a number as people type it, None for an empty field.

    Examples
    --------
    >>> number(" -12,5 "), number("")
    (-12.5, None)
    """
    if not text.strip():
        return None
    try:
        return float(text.strip().replace(",", ".").replace("\u2212", "-"))
    except ValueError as error:
        raise ApiError(422, f"{text!r} is no number.", "form: value", "Give digits, such as 0.15.") from error


def finding_choices(knowledge: Knowledge, first: list[str]) -> list[dict[str, Any]]:
    """Return the checks of the form, those that the advisory names first, each with its outcomes."""
    choices = {one.id: one for one in check_choices(knowledge)}
    names = [*(name for name in first if name in choices), *(name for name in choices if name not in first)]
    return [
        {
            "title": choices[name].title,
            "unit": choices[name].unit,
            "measurable": choices[name].measurable,
            "id": name,
            "outcomes": [(f"{name}={one.id}", one.title) for one in choices[name].outcomes],
        }
        for name in names
    ]


def services_of(reader: Reader, vehicle: str) -> list[ServiceRecord]:
    """Return a truck's last repairs, the newest first."""
    return [service_record(one) for one in stored.services(reader, vehicle, limit=MOST_SERVICES)]


def touchable() -> list[tuple[str, str]]:
    """Return the words for what a repair can touch, and how they are read."""
    return [(word, word.replace("-", " ")) for word in sorted(TOUCHED)]
