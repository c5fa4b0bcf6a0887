"""Routes for advisories, and for what a person does with one."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Path, Query, Request

from axlewright_server.api import reads
from axlewright_server.api.actions import ActionName, perform
from axlewright_server.api.context import OfficeHere, Reader, name_for_log
from axlewright_server.api.errors import PROBLEMS, ApiError
from axlewright_server.api.records import ActionRequest, AdvisoryBrief, AdvisoryRecord
from axlewright_server.api.states import brief, worst_first
from axlewright_server.store import advisories as stored

router = APIRouter(prefix="/api/1", tags=["advisories"], responses={code: PROBLEMS[code] for code in (401, 422)})
AdvisoryId = Annotated[str, Path(max_length=64, examples=["6f0c2a..."])]


@router.get("/advisories")
def list_advisories(
    reader: Reader,
    vehicle: Annotated[str | None, Query(max_length=64)] = None,
    state: Annotated[list[str] | None, Query(description="Only these states; all but closed if left out.")] = None,
    limit: Annotated[int, Query(ge=1, le=2000)] = 500,
) -> list[AdvisoryBrief]:
    """Return advisories, worst first."""
    found = stored.advisories(reader, vehicle=vehicle, states=state, limit=limit)
    return worst_first(brief(one) for one in found)


@router.get("/advisories/{advisory}", responses={404: PROBLEMS[404]})
def read_advisory(reader: Reader, advisory: AdvisoryId) -> AdvisoryRecord:
    """Return one advisory: evidence, causes, checks, cautions and every change."""
    return require_advisory(reader, advisory)


@router.post("/advisories/{advisory}/{action}", responses={code: PROBLEMS[code] for code in (403, 404, 409, 503)})
def act_on_advisory(
    request: Request,
    office: OfficeHere,
    advisory: AdvisoryId,
    action: ActionName,
    wanted: Annotated[
        ActionRequest,
        Body(
            openapi_examples={
                "acknowledge": {"value": {"who": "k.planner"}},
                "shelve": {"value": {"who": "k.planner", "reason": "Booked in for Friday.", "shelve_for_h": 72}},
                "close": {"value": {"who": "m.fitter", "reason": "Height valve linkage re-set; 241 mm on both sides."}},
            }
        ),
    ],
) -> AdvisoryRecord:
    """Do with an advisory what a person decided; the log keeps who, when and why."""
    perform(office, advisory, action, name_for_log(request, wanted.who), wanted)
    with office.reader() as reader:
        return require_advisory(reader, advisory)


def require_advisory(reader: Reader, advisory: str) -> AdvisoryRecord:
    """Return an advisory.

    Raises
    ------
    ApiError
        There is none of this id.
    """
    found = reads.advisory_record(reader, advisory)
    if found is None:
        raise ApiError(
            404, f"There is no advisory {advisory!r}.", "path: advisory", "Use an id that /api/1/advisories lists."
        )
    return found
