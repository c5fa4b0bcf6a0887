"""Routes for the fleet, one vehicle, its specification, its readings."""

from __future__ import annotations

from typing import Annotated, Any

import msgspec
from fastapi import APIRouter, Path, Query
from fastapi.responses import Response, StreamingResponse

from axlewright_models.signals import CHANNELS, INDEX
from axlewright_server.api import downloads, reads
from axlewright_server.api.context import OfficeHere, Reader, Vehicle
from axlewright_server.api.errors import PROBLEMS, ApiError
from axlewright_server.api.records import FleetState, Orders, Trend, VehicleState
from axlewright_server.api.states import fleet_state, vehicle_state

router = APIRouter(prefix="/api/1", responses={code: PROBLEMS[code] for code in (401, 422)})
MISSING: dict[int | str, dict[str, Any]] = {404: PROBLEMS[404]}
# The year 9999: beyond it, neither the store's numbers nor calendars follow.
LAST_S = 253_402_300_799.0
BeginS = Annotated[
    float | None, Query(description="Unix time; a day before the end if left out. [s]", ge=0.0, le=LAST_S)
]
EndS = Annotated[float | None, Query(description="Unix time; now if left out. [s]", ge=0.0, le=LAST_S)]
Axle = Annotated[int, Query(description="Position from the front; 0 is the vehicle itself.", ge=0, le=12, examples=[2])]


@router.get("/fleet", tags=["fleet"])
def read_fleet(office: OfficeHere, reader: Reader) -> FleetState:
    """Return how every vehicle stands, worst first."""
    return fleet_state(office.spec, reads.material(reader), office.clock())


@router.get("/vehicles/{vehicle}", tags=["fleet"], responses=MISSING)
def read_vehicle(office: OfficeHere, reader: Reader, vehicle: Vehicle) -> VehicleState:
    """Return how one vehicle stands."""
    return vehicle_state(vehicle, reads.material(reader, vehicle.id), office.clock())


@router.get("/vehicles/{vehicle}/specification", tags=["fleet"], responses=MISSING)
def read_specification(vehicle: Vehicle) -> dict[str, Any]:
    """Return the vehicle's complete specification: its type's keys with its own laid over them."""
    built: dict[str, Any] = msgspec.to_builtins(vehicle)
    return built


@router.get("/channels", tags=["readings"])
def read_channels() -> list[dict[str, Any]]:
    """Return the channel table: names, units, plausible limits."""
    return [
        {
            "name": channel.name,
            "scope": channel.scope.value,
            "unit": channel.unit,
            "low": channel.low,
            "high": channel.high,
            "title": channel.title,
            "words": list(channel.words),
        }
        for channel in CHANNELS
    ]


@router.get("/vehicles/{vehicle}/trend", tags=["readings"], responses=MISSING)
def read_trend(
    office: OfficeHere,
    reader: Reader,
    vehicle: Vehicle,
    channel: Annotated[str, Query(max_length=128, examples=["lube"], description="A name from /api/1/channels.")],
    axle: Axle = 0,
    begin_s: BeginS = None,
    end_s: EndS = None,
    points: Annotated[int, Query(ge=2, le=4000, description="At most about so many points.")] = 400,
) -> Trend:
    """Return a channel over time, reduced to so many points with least, mean and greatest; null marks a gap."""
    begin, end = _stretch(office, begin_s, end_s)
    found = reads.trend(reader, vehicle.id, axle, channel, begin, end, points)
    if not found.time_s and channel not in INDEX and channel not in reads.channel_names(reader):
        raise ApiError(
            404,
            f"There is no channel {channel!r}.",
            "query: channel",
            "Use a name that /api/1/channels lists.",
        )
    return found


@router.get("/vehicles/{vehicle}/axles/{axle}/orders", tags=["readings"], responses=MISSING)
def read_orders(
    office: OfficeHere, reader: Reader, vehicle: Vehicle, axle: Annotated[int, Path(ge=1, le=12)]
) -> Orders:
    """Return each vibration order's amplitude against the axle's own baseline."""
    if all(one.position != axle for one in vehicle.axles):
        positions = ", ".join(str(one.position) for one in vehicle.axles)
        raise ApiError(404, f"Vehicle {vehicle.id!r} has no axle {axle}.", "path: axle", f"Use one of {positions}.")
    return reads.orders(reader, vehicle, axle, office.clock())


@router.get("/vehicles/{vehicle}/readings.csv", tags=["download"], responses=MISSING, response_class=StreamingResponse)
def download_csv(office: OfficeHere, vehicle: Vehicle, begin_s: BeginS = None, end_s: EndS = None) -> Response:
    """Return all readings as CSV, one row per axle and window, in channel units."""
    begin, end = _stretch(office, begin_s, end_s)
    begin_ms, end_ms = round(begin * 1000), round(end * 1000)
    name = downloads.file_name(vehicle.id, begin_ms, end_ms, "csv")
    return StreamingResponse(
        downloads.csv_stream(office.reader, vehicle.id, begin_ms, end_ms),
        media_type=downloads.CSV_TYPE,
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )


@router.get("/vehicles/{vehicle}/readings.parquet", tags=["download"], responses=MISSING, response_class=Response)
def download_parquet(
    office: OfficeHere, reader: Reader, vehicle: Vehicle, begin_s: BeginS = None, end_s: EndS = None
) -> Response:
    """Return all readings as one Parquet file, units in the fields' metadata."""
    begin, end = _stretch(office, begin_s, end_s, downloads.LONGEST_PARQUET_DAYS)
    begin_ms, end_ms = round(begin * 1000), round(end * 1000)
    name = downloads.file_name(vehicle.id, begin_ms, end_ms, "parquet")
    return Response(
        downloads.parquet_bytes(reader, vehicle.id, begin_ms, end_ms),
        media_type=downloads.PARQUET_TYPE,
        headers={"content-disposition": f'attachment; filename="{name}"'},
    )


def _stretch(
    office: OfficeHere, begin_s: float | None, end_s: float | None, longest_days: float = downloads.LONGEST_DAYS
) -> tuple[float, float]:
    end = office.clock() if end_s is None else end_s
    begin = end - 86400.0 if begin_s is None else begin_s
    where = "query: begin_s, end_s"
    if not begin < end:
        what = f"The stretch begins at {begin:.0f} s and ends at {end:.0f} s."
        raise ApiError(422, what, where, "Give a begin_s below end_s.")
    if end - begin > longest_days * 86400.0:
        what = f"The stretch is {(end - begin) / 86400:.0f} days long."
        raise ApiError(422, what, where, f"Ask for at most {longest_days:.0f} days at a time.")
    return begin, end
