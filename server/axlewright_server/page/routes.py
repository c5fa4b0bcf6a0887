"""The page: each route fetches, picks a template, renders. What a program would ask is under /api/1."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from axlewright_server.api import reads
from axlewright_server.api.actions import NEEDS_REASON, ActionName, perform
from axlewright_server.api.advisory_routes import AdvisoryId, require_advisory
from axlewright_server.api.context import OfficeHere, Reader, Vehicle, name_for_log
from axlewright_server.api.errors import ApiError, problem_of
from axlewright_server.api.operation_routes import flat_figures
from axlewright_server.api.prognosis_records import OutlookRecord, PrognosisRecord
from axlewright_server.api.prognosis_routes import prognosis_of
from axlewright_server.api.records import ActionRequest, AdvisoryBrief, AxleState, Orders
from axlewright_server.api.states import CONDITIONS, brief, fleet_state, vehicle_state, worst_first
from axlewright_server.page.bursts import burst_lines
from axlewright_server.page.charts import Range, axle_charts, evidence_charts, forecast_chart
from axlewright_server.page.figures import figure_lines
from axlewright_server.page.interface import described_routes
from axlewright_server.page.newest import Newest, newest_readings
from axlewright_server.page.plan import plan_of
from axlewright_server.page.sheets import STATIC, sheet
from axlewright_server.page.shortened import all_cautions, folded_log, why_lines
from axlewright_server.store import advisories as stored
from axlewright_server.store import bursts as stored_bursts

__all__ = ["STATIC", "answer_page_problem", "router", "wants_page"]

router = APIRouter(include_in_schema=False)
RANGES = {"6h": ("6 hours", 6.0), "1d": ("1 day", 24.0), "7d": ("7 days", 168.0), "30d": ("30 days", 720.0)}
MOST_CLOSED = 50
_ALWAYS_SHOWN = ("height", "excess")
_LEAST_SHOWN = 3


@dataclass(frozen=True)
class ActionChoice:
    """One thing that a person may do, as the page offers it."""

    name: str
    text: str
    note: str

    @property
    def needs_reason(self) -> bool:
        """Return whether it must be explained."""
        return self.name in NEEDS_REASON


CHOICES = {
    one.name: one
    for one in (
        ActionChoice("acknowledge", "Acknowledge", "I have seen it and take it on."),
        ActionChoice("shelve", "Shelve for a time", "Quiet until then; it comes back by itself."),
        ActionChoice("unshelve", "Take off the shelf", "It counts again at once."),
        ActionChoice("suppress", "Suppress by design", "It is meant to be so: quiet until somebody lifts this."),
        ActionChoice("unsuppress", "Lift the suppression", "It counts again at once."),
        ActionChoice(
            "close",
            "Close",
            "Mended. What still stands is raised anew only when a symptom of this truck changes; if unsure, shelve.",
        ),
    )
}


@dataclass(frozen=True)
class AxleSheet:
    """One driven axle on its truck's sheet."""

    state: AxleState
    ratio: float
    charts: list[dict[str, Any]]
    orders: Orders
    prognosis: PrognosisRecord

    @property
    def telling(self) -> list[OutlookRecord]:
        """Return the outlooks that say when, or that a limit is reached."""
        return [one for one in self.prognosis.outlooks if one.status in ("forecast", "passed")]

    @property
    def silent(self) -> list[OutlookRecord]:
        """Return the outlooks that say why nothing is told."""
        return [one for one in self.prognosis.outlooks if one.status not in ("forecast", "passed")]

    @property
    def pictures(self) -> list[dict[str, Any]]:
        """Return the pictures worth showing: height and heat once there are days, others when they tell something."""
        telling = {one.quantity for one in self.telling}
        return [
            forecast_chart(one)
            for one in self.prognosis.pictures
            if (one.quantity in telling or one.quantity in _ALWAYS_SHOWN)
            and sum(value is not None for value in one.value) >= _LEAST_SHOWN
        ]


@router.get("/")
def show_fleet(request: Request, office: OfficeHere, reader: Reader) -> HTMLResponse:
    """All trucks at a glance, worst first."""
    fleet = fleet_state(office.spec, reads.material(reader), office.clock())
    return sheet(request, "fleet.html", sheet="Trucks", fleet=fleet, conditions=CONDITIONS, why_lines=why_lines)


@router.get("/trucks/{vehicle}")
def show_truck(
    request: Request,
    office: OfficeHere,
    reader: Reader,
    vehicle: Vehicle,
    span: Annotated[str, Query(alias="range")] = "1d",
) -> HTMLResponse:
    """One truck: its axles from above, and their plots."""
    if span not in RANGES:
        span = "1d"
    from axlewright_server.page.shop import services_of, touchable  # builds on this module

    now_s = office.clock()
    state = vehicle_state(vehicle, reads.material(reader, vehicle.id), now_s)
    shown = Range(now_s - 3600.0 * RANGES[span][1], now_s, follows_now=True)
    axles = [
        AxleSheet(
            one,
            vehicle.axle(one.position).ratio,
            axle_charts(state, one, shown),
            reads.orders(reader, vehicle, one.position, now_s),
            prognosis_of(reader, office.knowledge, vehicle, one.position, pictures=True),
        )
        for one in state.axles
        if one.driven
    ]
    return sheet(
        request,
        "truck.html",
        vehicle=state,
        plan=plan_of(state.axles),
        axles=axles,
        bursts=burst_lines(stored_bursts.bursts(reader, vehicle.id), now_s),
        ranges=[(name, text) for name, (text, _) in RANGES.items()],
        range=span,
        begin_s=round(shown.begin_s),
        end_s=round(shown.end_s),
        services=services_of(reader, vehicle.id),
        touchable=touchable(),
    )


@router.get("/advisories")
def show_advisories(request: Request, reader: Reader) -> HTMLResponse:
    """All advisories: those that stand, those set aside, those closed last."""
    found = [brief(one) for one in stored.advisories(reader)]
    closed = [brief(one) for one in stored.advisories(reader, states=["closed"], limit=MOST_CLOSED)]
    return sheet(request, "advisories.html", sheet="Advisories", groups=_groups(found, closed))


def _groups(found: list[AdvisoryBrief], closed: list[AdvisoryBrief]) -> list[tuple[str, str, list[AdvisoryBrief]]]:
    aside = [one for one in found if one.state in ("shelved", "suppressed")]
    unseen = [one for one in found if one.state == "returned-unacknowledged"]
    over = [one for one in found if one.state == "returned-to-normal"]
    standing = [one for one in found if one.active]
    return [
        ("Standing", "Nothing stands against any truck.", worst_first(standing)),
        ("Back to normal before anyone acknowledged", "None.", worst_first(unseen)),
        ("Back to normal", "None.", worst_first(over)),
        ("Shelved or suppressed by design", "None.", worst_first(aside)),
        ("Closed last", "None has been closed yet.", closed),
    ]


@router.get("/advisories/{advisory}")
def show_advisory(request: Request, office: OfficeHere, reader: Reader, advisory: AdvisoryId) -> HTMLResponse:
    """One advisory: what to check first, why, how sure, and what has been done."""
    return advisory_sheet(request, office, reader, advisory)


@router.post("/advisories/{advisory}/{action}")
def act(
    request: Request,
    office: OfficeHere,
    reader: Reader,
    advisory: AdvisoryId,
    action: ActionName,
    who: Annotated[str, Form(max_length=64)] = "",
    reason: Annotated[str, Form(max_length=500)] = "",
    shelve_for_h: Annotated[float | None, Form(gt=0.0, le=2160.0)] = None,
) -> Response:
    """Do what a person chose, then show the advisory as it is now."""
    wanted = ActionRequest(reason=reason, who=who, shelve_for_h=shelve_for_h)
    try:
        perform(office, advisory, action, name_for_log(request, who), wanted)
    except ApiError as error:
        if error.status == 404:
            raise
        problem = error.problem
        failed = f"{problem.what} {problem.how_to_mend}"
        return advisory_sheet(request, office, reader, advisory, failed=failed, who=who, status=error.status)
    return RedirectResponse(f"/advisories/{advisory}", 303)


def advisory_sheet(
    request: Request,
    office: OfficeHere,
    reader: Reader,
    advisory: str,
    failed: str = "",
    who: str = "",
    status: int = 200,
) -> HTMLResponse:
    """Return the sheet of one advisory; `failed` says why what was asked for was not done."""
    from axlewright_server.page.shop import finding_choices  # builds on this module

    record = require_advisory(reader, advisory)
    spec = office.spec.vehicles.get(record.vehicle)
    charts: list[dict[str, Any] | None] = [None] * len(record.evidence)
    newest: list[Newest] = []
    if spec is not None:  # else the fleet file has lost the truck; its advisory stays readable
        now_s = office.clock()
        material = reads.material(reader, spec.id)
        state = vehicle_state(spec, material, now_s)
        newest = newest_readings(record, state, material)
        charts = evidence_charts(record, state, now_s)
    actions = [CHOICES[name] for name in record.actions]
    path = f"/advisories/{advisory}"
    return sheet(
        request,
        "advisory.html",
        status,
        advisory=record,
        charts=charts,
        newest=newest,
        actions=actions,
        cautions=all_cautions(record),
        log=folded_log(record.changes),
        choices=finding_choices(office.knowledge, [check.id for check in record.checks]),
        failed=failed,
        who=who,
        path=path,
    )


@router.get("/intake")
def show_intake(request: Request, office: OfficeHere, reader: Reader) -> HTMLResponse:
    """What comes in, how far each truck's stream is committed, what could not be taken."""
    return sheet(
        request,
        "intake.html",
        sheet="Intake",
        figures=figure_lines(flat_figures(office), office.clock()),
        intake=reads.intake(reader, office.spec, {}),
        quarantine=reads.quarantine(reader, 50, None),
    )


@router.get("/api/1/docs")
def show_interface(request: Request) -> HTMLResponse:
    """The interface for programs, described; no script from elsewhere."""
    return sheet(request, "interface.html", routes=described_routes(request.app.openapi()))


def wants_page(request: Request) -> bool:
    """Return whether a person's browser asked, so that an error should be a page."""
    return not request.url.path.startswith(("/api/", "/metrics", "/healthz", "/readyz", "/openapi")) and (
        "text/html" in request.headers.get("accept", "")
    )


async def answer_page_problem(request: Request, error: Exception) -> Response:
    """Return the error as a page."""
    status, problem = problem_of(error)
    heading = "Not found" if status == 404 else "That did not work"
    return sheet(
        request, "message.html", status, heading=heading, problem=problem, back=_back(request.url.path, status)
    )


def _back(path: str, status: int) -> tuple[str, str] | None:
    """Return address and name of the sheet whose form was sent, None where it is not known to exist.

    Examples
    --------
    >>> _back("/trucks/hv-101/services", 422), _back("/trucks/hv-999/services", 404), _back("/intake", 422)
    (('/trucks/hv-101', 'hv-101'), None, None)
    """
    kind, _, rest = path.lstrip("/").partition("/")
    name, form, _ = rest.partition("/")
    if status == 404 or not form or kind not in ("trucks", "advisories"):
        return None
    return f"/{kind}/{name}", name if kind == "trucks" else "the advisory"
