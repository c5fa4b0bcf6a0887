"""Sign in and out on the page."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from axlewright_server.api.errors import ApiError
from axlewright_server.api.session_routes import begin_session, end_session
from axlewright_server.page.sheets import sheet

router = APIRouter(include_in_schema=False)


def own_address(address: str) -> str:
    r"""Return an address within this office; anything else becomes the first page.

    Examples
    --------
    >>> own_address("/trucks/hv-101"), own_address("//evil.example"), own_address("/\\evil.example")
    ('/trucks/hv-101', '/', '/')
    """
    inside = address.startswith("/") and not address.startswith("//") and "\\" not in address
    return address if inside and address.isprintable() else "/"


@router.get("/sign-in")
def show_sign_in(request: Request, address: Annotated[str, Query(alias="next")] = "/") -> HTMLResponse:
    """The form."""
    return sheet(request, "sign_in.html", next=own_address(address), failed="")


@router.post("/sign-in")
def sign_in(
    request: Request,
    name: Annotated[str, Form(max_length=64)],
    password: Annotated[str, Form(max_length=1024)],
    address: Annotated[str, Form(alias="next")] = "/",
) -> Response:
    """Check the account and go where the person wanted to."""
    answer = RedirectResponse(own_address(address), 303)
    try:
        begin_session(request, answer, name, password)
    except ApiError as error:
        return sheet(request, "sign_in.html", 401, next=own_address(address), failed=error.problem.what)
    return answer


@router.post("/sign-out")
def sign_out(request: Request) -> Response:
    """End the session."""
    answer = RedirectResponse("/", 303)
    end_session(request, answer)
    return answer
