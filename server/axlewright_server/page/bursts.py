"""Raw waveforms on a truck's sheet: a list with a small spectrum of each, and the form that asks for one."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import RedirectResponse, Response

from axlewright_server.api.burst_routes import BurstRecord, BurstRequest, burst_record, send_for
from axlewright_server.api.context import OfficeHere, Vehicle, name_for_log
from axlewright_server.store.bursts import StoredBurst

router = APIRouter(include_in_schema=False)
WIDTH, HEIGHT, DECADES = 240.0, 48.0, 3.0
STATE_TEXTS = {
    "asked": "asked, the truck has not answered yet",
    "coming": "coming",
    "here": "here",
    "refused": "refused",
    "unanswered": "the truck did not answer",
}


@dataclass(frozen=True)
class BurstLine:
    """One burst as the sheet shows it; `points` draw its spectrum, three decades high."""

    record: BurstRecord
    state_text: str
    points: str

    @property
    def highest_hz(self) -> float:
        """Return where the small spectrum ends. [Hz]"""
        return self.record.spectrum_hz[-1] if self.record.spectrum_hz else 0.0


def burst_lines(found: list[StoredBurst], now_s: float) -> list[BurstLine]:
    """Return a truck's bursts for its sheet."""
    records = [burst_record(one, now_s) for one in found]
    return [BurstLine(one, STATE_TEXTS[one.state], spectrum_points(one)) for one in records]


def spectrum_points(record: BurstRecord) -> str:
    """Return the points of a line over frequency, level by its logarithm, the highest at the top."""
    top = max(record.spectrum_m_s2, default=0.0)
    if not top > 0.0:
        return ""
    last = record.spectrum_hz[-1]
    return " ".join(
        f"{WIDTH * hz / last:.1f},{HEIGHT * min(math.log10(top / max(level, 1e-12)) / DECADES, 1.0):.1f}"
        for hz, level in zip(record.spectrum_hz, record.spectrum_m_s2, strict=True)
    )


@router.post("/trucks/{vehicle}/bursts")
def ask_on_page(
    request: Request,
    office: OfficeHere,
    vehicle: Vehicle,
    axle: Annotated[int, Form(ge=1, le=12)],
    seconds: Annotated[float, Form(ge=0.5, le=60.0)] = 10.0,
    who: Annotated[str, Form(max_length=64)] = "",
) -> Response:
    """Ask the truck for raw waveforms, then show its sheet with the burst in the list."""
    send_for(office, vehicle.id, name_for_log(request, who), BurstRequest(axle=axle, seconds=seconds, who=who))
    return RedirectResponse(f"/trucks/{vehicle.id}#bursts", 303)
