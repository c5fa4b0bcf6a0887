"""Server-sent events: what happened, told to every page that is open."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse

from axlewright_server.api.context import OfficeHere
from axlewright_server.api.desk import Desk, EventLike

router = APIRouter(prefix="/api/1", tags=["events"])
# A comment line now and then keeps proxies from closing a quiet stream, and finds out that a listener has gone.
HEARTBEAT_S = 15.0
RETRY_MS = 2000


@router.get(
    "/events",
    response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {"example": 'event: advisory\ndata: {"id": "..."}\n\n'}}}},
)
async def stream_events(request: Request, office: OfficeHere) -> StreamingResponse:
    """Tell of new readings, changed advisories and trucks that come and go, as they happen."""
    return StreamingResponse(
        event_lines(request, office),
        media_type="text/event-stream",
        headers={"cache-control": "no-store", "x-accel-buffering": "no"},
    )


async def event_lines(request: Request, office: Desk) -> AsyncIterator[str]:
    """Yield the stream's text until the listener goes or the office stops."""
    listener = office.hub.listen()
    try:
        yield f"retry: {RETRY_MS}\n\n"
        while not await request.is_disconnected():
            event = await listener.next(HEARTBEAT_S)
            yield ": still here\n\n" if event is None else event_text(event)
    finally:
        listener.close()


def event_text(event: EventLike) -> str:
    """Return an event in the stream's form; JSON on one line, since a line feed would end the data."""
    return f"id: {event.number}\nevent: {event.kind}\ndata: {json.dumps(event.data, separators=(',', ':'))}\n\n"
