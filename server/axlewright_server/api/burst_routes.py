"""Routes for raw waveforms: which there are, one of them as a file, and asking a truck for one."""

from __future__ import annotations

import secrets
from typing import Annotated, Literal

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import Response
from pydantic import Field

from axlewright_models.errors import ModelError
from axlewright_models.wire.messages import Command
from axlewright_server.api.actions import settled
from axlewright_server.api.burst_files import KINDS, burst_file
from axlewright_server.api.context import OfficeHere, Reader, Vehicle, name_for_log
from axlewright_server.api.desk import Desk
from axlewright_server.api.errors import PROBLEMS, ApiError
from axlewright_server.api.records import Record
from axlewright_server.errors import ServerError
from axlewright_server.store import bursts as stored
from axlewright_server.store.bursts import StoredBurst

router = APIRouter(prefix="/api/1", tags=["bursts"], responses={code: PROBLEMS[code] for code in (401, 422)})
LONGEST_BURST_S = 60.0
# A truck that hears of it later records nothing: what was of interest is over.
ASKED_FOR_S = 120.0
BurstName = Annotated[str, Path(pattern="^[a-z0-9-]{1,64}$", examples=["burst-3f9c21d0"])]


class BurstRequest(Record):
    """What a person wants recorded."""

    axle: int = Field(ge=1, le=12, description="From the front.", examples=[2])
    seconds: float = Field(default=10.0, ge=0.5, le=LONGEST_BURST_S, description="Of the time just past. [s]")
    who: str = Field(default="", max_length=64, description="Needed where nobody is signed in; the list shows it.")


class BurstRecord(Record):
    """One burst. `state`: asked, coming, here, refused (`answer` says why) or unanswered."""

    id: str
    vehicle: str
    axle: int
    state: Literal["asked", "coming", "here", "refused", "unanswered"]
    begin_s: float = Field(description="Unix time of the first sample; of the asking, until it is here. [s]")
    seconds: float
    rate_hz: float
    sensors: list[str]
    pieces: int
    got: int
    size_bytes: int
    reason: str
    who: str
    answer: str
    spectrum_hz: list[float] = Field(description="Of the first sensor, thinned for a small picture. [Hz]")
    spectrum_m_s2: list[float]


@router.get("/vehicles/{vehicle}/bursts", responses={404: PROBLEMS[404]})
def list_bursts(office: OfficeHere, reader: Reader, vehicle: Vehicle) -> list[BurstRecord]:
    """Return a vehicle's raw waveforms, the newest first, those on their way included."""
    return [burst_record(one, office.clock()) for one in stored.bursts(reader, vehicle.id)]


@router.post(
    "/vehicles/{vehicle}/bursts", status_code=202, responses={code: PROBLEMS[code] for code in (403, 404, 503)}
)
def ask_for_burst(request: Request, office: OfficeHere, vehicle: Vehicle, wanted: BurstRequest) -> BurstRecord:
    """Ask a truck for the raw waveforms of one axle; its answer and the burst come later, into the list."""
    command = send_for(office, vehicle.id, name_for_log(request, wanted.who), wanted)
    with office.reader() as reader:
        found = stored.burst(reader, vehicle.id, command)
        assert found is not None  # just committed
        return burst_record(found, office.clock())


@router.get("/vehicles/{vehicle}/bursts/{burst}", responses={404: PROBLEMS[404]}, response_class=Response)
def download_burst(
    reader: Reader, vehicle: Vehicle, burst: BurstName, form: Annotated[Literal["npy", "csv", "wav"], Query()] = "npy"
) -> Response:
    """Return a burst as a file that `axlewright describe` reads."""
    found = stored.burst(reader, vehicle.id, burst)
    if found is None or not found.complete:
        raise ApiError(
            404,
            f"There is no complete burst {burst!r} of vehicle {vehicle.id!r}.",
            "path: burst",
            "Use the id of one that the list of bursts shows as here.",
        )
    data = burst_file(stored.waveforms(reader, vehicle.id, burst), form)
    name = f"{vehicle.id}_axle{found.position}_{burst}_{found.rate_hz:g}Hz.{form}"
    return Response(data, media_type=KINDS[form], headers={"content-disposition": f'attachment; filename="{name}"'})


def send_for(office: Desk, vehicle: str, who: str, wanted: BurstRequest) -> str:
    """Send the command and note who asked; return the burst's id.

    Raises
    ------
    ApiError
        There is no connection to the broker, or the store cannot be written.
    """
    now_s = office.clock()
    command = Command(
        id=f"burst-{secrets.token_hex(4)}",
        action="capture-burst",
        seconds=wanted.seconds,
        axle=wanted.axle,
        expires_s=now_s + ASKED_FOR_S,
    )
    settled(office.note_burst(vehicle, command, who))
    try:
        office.send_command(vehicle, command)
    except (ModelError, ServerError) as error:
        raise ApiError(
            503, f"{error}.", "broker", "See whether the broker runs (/readyz says so), then ask again."
        ) from error
    return command.id


def burst_record(one: StoredBurst, now_s: float) -> BurstRecord:
    """Return a burst as the interface tells it."""
    return BurstRecord(
        id=one.command,
        vehicle=one.vehicle,
        axle=one.position,
        state=_state(one, now_s),
        begin_s=one.begin_ms / 1000.0,
        seconds=one.seconds,
        rate_hz=one.rate_hz,
        sensors=list(one.sensors),
        pieces=one.pieces,
        got=one.got,
        size_bytes=one.size,
        reason=one.reason,
        who=one.who,
        answer=one.answer,
        spectrum_hz=one.picture["hz"],
        spectrum_m_s2=one.picture["level"],
    )


def _state(one: StoredBurst, now_s: float) -> Literal["asked", "coming", "here", "refused", "unanswered"]:
    if one.complete:
        return "here"
    if one.answer.startswith("refused"):
        return "refused"
    if one.got or one.answer:
        return "coming"
    return "asked" if now_s - one.received_ms / 1000.0 < ASKED_FOR_S else "unanswered"
