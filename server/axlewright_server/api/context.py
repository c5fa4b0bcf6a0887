"""What a route knows: the office, who is asking, and shorthands for both."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from fastapi import Depends, Path, Request
from sqlalchemy import Connection

from axlewright_models.spec import VehicleSpec
from axlewright_server.api.desk import Desk
from axlewright_server.api.errors import ApiError
from axlewright_server.api.guards import COOKIE, Sessions


def office_of(request: Request) -> Desk:
    """Return the office that the application was made for."""
    office: Desk = request.app.state.office
    return office


def sessions_of(request: Request) -> Sessions:
    """Return the open sessions."""
    sessions: Sessions = request.app.state.sessions
    return sessions


def user_of(request: Request) -> str | None:
    """Return who is signed in; None when nobody is."""
    return sessions_of(request).name(request.cookies.get(COOKIE))


def demand_user(request: Request) -> None:
    """Refuse a request that needs an account and has none.

    Raises
    ------
    ApiError
        The office demands accounts and nobody is signed in.
    """
    if office_of(request).accounts_exist() and user_of(request) is None:
        raise ApiError(
            401,
            "This office demands an account, and nobody is signed in.",
            f"cookie: {COOKIE}",
            "Sign in by POST /api/1/session with name and password, then send the cookie that it sets.",
        )


def reader_of(request: Request) -> Iterator[Connection]:
    """Lend a read-only connection for the length of a route."""
    with office_of(request).reader() as connection:
        yield connection


def vehicle_of(request: Request, vehicle: Annotated[str, Path(examples=["hv-104"], max_length=64)]) -> VehicleSpec:
    """Return the vehicle that the address names.

    Raises
    ------
    ApiError
        The fleet has no such vehicle.
    """
    spec = office_of(request).spec
    found = spec.vehicles.get(vehicle)
    if found is None:
        raise ApiError(
            404,
            f"There is no vehicle {vehicle!r} in fleet {spec.fleet!r}.",
            "path: vehicle",
            "Use one of the ids that /api/1/fleet lists.",
        )
    return found


def name_for_log(request: Request, given: str) -> str:
    """Return under whose name an action is logged: the session's, else what was given.

    Raises
    ------
    ApiError
        Nobody is signed in and no name was given: the log must say who decided.
    """
    name = user_of(request) or given.strip()
    if not name:
        raise ApiError(
            422, "An action takes a name, and none was given.", "body: who", "Say who decides; the log keeps the name."
        )
    return name


OfficeHere = Annotated[Desk, Depends(office_of)]
Reader = Annotated[Connection, Depends(reader_of)]
Vehicle = Annotated[VehicleSpec, Depends(vehicle_of)]
