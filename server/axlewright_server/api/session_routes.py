"""Sign in and out, for programs; the page has forms for it."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from axlewright_server.api.context import OfficeHere, sessions_of, user_of
from axlewright_server.api.errors import PROBLEMS, ApiError
from axlewright_server.api.guards import COOKIE, SESSION_S
from axlewright_server.api.records import LoginRequest, Session

router = APIRouter(prefix="/api/1", tags=["session"])


@router.post("/session", responses={401: PROBLEMS[401], 403: PROBLEMS[403]})
def sign_in(request: Request, response: Response, office: OfficeHere, login: LoginRequest) -> Session:
    """Begin a session; the answer sets its cookie."""
    begin_session(request, response, login.name, login.password)
    return Session(name=login.name, accounts_demanded=office.accounts_exist())


@router.get("/session", responses={401: PROBLEMS[401]})
def read_session(request: Request, office: OfficeHere) -> Session:
    """Return who is signed in."""
    demanded = office.accounts_exist()
    name = user_of(request)
    if name is None and demanded:
        raise ApiError(401, "Nobody is signed in.", f"cookie: {COOKIE}", "Sign in by POST /api/1/session.")
    return Session(name=name or "", accounts_demanded=demanded)


@router.delete("/session", status_code=204)
def sign_out(request: Request, response: Response) -> None:
    """End the session."""
    end_session(request, response)


def begin_session(request: Request, response: Response, name: str, password: str) -> None:
    """Check the password, begin a session and set its cookie.

    Raises
    ------
    ApiError
        There is no such account, or the password is another (which of the two is not told).
    """
    if not request.app.state.office.check_password(name, password):
        raise ApiError(
            401,
            "Name and password do not belong together.",
            "name, password",
            "Check both; accounts are made with 'axlewright add-user'.",
        )
    response.set_cookie(
        COOKIE,
        sessions_of(request).begin(name),
        max_age=int(SESSION_S),
        httponly=True,
        samesite="lax",
        secure=request.url.scheme == "https",
    )


def end_session(request: Request, response: Response) -> None:
    """Forget the session and its cookie."""
    sessions_of(request).end(request.cookies.get(COOKIE))
    response.delete_cookie(COOKIE)
