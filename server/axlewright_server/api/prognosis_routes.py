"""The route for what lies ahead of an axle."""

from __future__ import annotations

from typing import Annotated

import msgspec
import numpy as np
from fastapi import APIRouter, Path, Query
from sqlalchemy import Connection

from axlewright_models.spec import VehicleSpec
from axlewright_server.api.context import OfficeHere, Reader, Vehicle
from axlewright_server.api.errors import PROBLEMS, ApiError
from axlewright_server.api.prognosis_records import PrognosisRecord
from axlewright_server.detectors.base import State
from axlewright_server.detectors.daily import Daily
from axlewright_server.diagnosis.facts import Knowledge
from axlewright_server.memory import unpack
from axlewright_server.prognosis.outlook import prognosis
from axlewright_server.store import advisories, records

router = APIRouter(prefix="/api/1", tags=["prognosis"], responses={code: PROBLEMS[code] for code in (401, 422)})


@router.get("/vehicles/{vehicle}/axles/{axle}/prognosis", responses={404: PROBLEMS[404]})
def read_prognosis(
    office: OfficeHere,
    reader: Reader,
    vehicle: Vehicle,
    axle: Annotated[int, Path(ge=1, le=12)],
    pictures: Annotated[bool, Query(description="With the columns of the plots.")] = False,
) -> PrognosisRecord:
    """Return when each quantity reaches its limit (80 % interval) or why that can't be told, life left, chances."""
    positions = [one.position for one in vehicle.drive_axles]
    if axle not in positions:
        allowed = ", ".join(str(position) for position in positions)
        raise ApiError(404, f"Vehicle {vehicle.id!r} has no drive axle {axle}.", "path: axle", f"Use one of {allowed}.")
    return prognosis_of(reader, office.knowledge, vehicle, axle, pictures)


def prognosis_of(
    connection: Connection, knowledge: Knowledge, vehicle: VehicleSpec, axle: int, pictures: bool
) -> PrognosisRecord:
    """Return what the committed summaries and advisories of an axle say of what lies ahead."""
    standing = [one for one in advisories.open_on(connection, vehicle.id, axle) if one.active]
    causes = [{cause.id: cause.probability for cause in one.message.causes} for one in standing]
    paths: dict[str, float] = {}
    for one in standing:
        for path in one.assessment.paths if one.assessment is not None else ():
            paths[path.id] = max(path.leaks_now, paths.get(path.id, 0.0))
    found = prognosis(knowledge, vehicle, axle, daily_of(connection, vehicle.id, axle), causes, paths, pictures)
    return PrognosisRecord.model_validate(msgspec.to_builtins(found))


def daily_of(connection: Connection, vehicle: str, axle: int) -> State:
    """Return an axle's daily summaries as committed; an empty record where there are none."""
    blob = records.memory(connection, vehicle, axle)
    kept = None if blob is None else unpack(blob).record(Daily.name, Daily.version, Daily.dtype)
    fresh: State = Daily().fresh(1)[0]
    return fresh if kept is None else np.array(kept)[()]
