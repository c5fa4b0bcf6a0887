"""Put the application together: routes, guards, errors, documentation."""

from __future__ import annotations

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from axlewright_models import __version__
from axlewright_server.api import (
    advisory_routes,
    burst_routes,
    events,
    fleet_routes,
    operation_routes,
    prognosis_routes,
    session_routes,
    shop_routes,
)
from axlewright_server.api.context import demand_user
from axlewright_server.api.desk import Desk
from axlewright_server.api.errors import ApiError, answer_problem
from axlewright_server.api.guards import Guard, Sessions
from axlewright_server.page.bursts import router as burst_page_router
from axlewright_server.page.routes import STATIC, answer_page_problem, wants_page
from axlewright_server.page.routes import router as page_router
from axlewright_server.page.shop import router as shop_page_router
from axlewright_server.page.sign_in import router as sign_in_router

DESCRIPTION = """
Trucks' drive axles as telemetry sees them: how each stands, what is advised, why, and what a person has done about it.

Times are Unix seconds (`_s`), units are in the names, `null` marks a gap. An error says `what` was wrong, `where`, and
`how_to_mend` it. Readings arrive over MQTT; `/api/1/asyncapi.json` describes that side.
"""
LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "[::1]"})


def create_app(office: Desk, hosts: frozenset[str] | None = None) -> FastAPI:
    """Return the application over an office; `hosts`: the only names it answers to (None: any)."""
    app = FastAPI(title="Axlewright", version=__version__, description=DESCRIPTION, docs_url=None, redoc_url=None)
    app.state.office = office
    app.state.sessions = Sessions(office.clock)
    demand = [Depends(demand_user)]
    # The shop's routes first: "findings" is no action of an advisory.
    for router in (
        fleet_routes.router,
        burst_routes.router,
        prognosis_routes.router,
        shop_routes.router,
        advisory_routes.router,
        operation_routes.router,
        events.router,
    ):
        app.include_router(router, dependencies=demand)
    app.include_router(session_routes.router)
    app.include_router(operation_routes.open_router)
    app.include_router(shop_page_router, dependencies=demand)
    app.include_router(page_router, dependencies=demand)
    app.include_router(burst_page_router, dependencies=demand)
    app.include_router(sign_in_router)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    _answer_errors(app)
    app.add_middleware(Guard, hosts=hosts)
    return app


def _answer_errors(app: FastAPI) -> None:
    async def answer(request: Request, error: Exception) -> Response:
        if isinstance(error, ApiError) and error.status == 401 and wants_page(request):
            return RedirectResponse(f"/sign-in?next={request.url.path}", 303)
        return await (answer_page_problem if wants_page(request) else answer_problem)(request, error)

    for kind in (ApiError, RequestValidationError, HTTPException):
        app.add_exception_handler(kind, answer)
