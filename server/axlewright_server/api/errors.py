"""Every error of the interface: one form that says what, where and how to mend it."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from axlewright_server.api.records import Problem

# What OpenAPI says that a route may answer besides success.
PROBLEMS: dict[int | str, dict[str, Any]] = {
    401: {"model": Problem, "description": "Nobody is signed in, and this office demands an account."},
    403: {"model": Problem, "description": "An action that another site's page asked for."},
    404: {"model": Problem, "description": "There is no such thing."},
    409: {"model": Problem, "description": "The action does not fit the advisory's present state."},
    422: {"model": Problem, "description": "A parameter is missing or out of range."},
    503: {"model": Problem, "description": "The office is starting or stopping."},
}


class ApiError(Exception):
    """A request that cannot be met."""

    def __init__(self, status: int, what: str, where: str, how_to_mend: str) -> None:
        super().__init__(what)
        self.status = status
        self.problem = Problem(what=what, where=where, how_to_mend=how_to_mend)


def problem_of(error: Exception) -> tuple[int, Problem]:
    """Return the status and the problem that an exception of a route means."""
    if isinstance(error, ApiError):
        return error.status, error.problem
    if isinstance(error, RequestValidationError):
        first = error.errors()[0]
        where = ": ".join(str(part) for part in first["loc"])
        # What a body held is not repeated: it may be a password.
        given = f" (given: {first.get('input')!r})" if first["loc"][0] in ("query", "path") else ""
        return 422, Problem(
            what=f"{first['msg']}{given}.",
            where=where,
            how_to_mend="Give the value that /api/1/docs describes for it.",
        )
    if isinstance(error, HTTPException):
        mend = "See /api/1/docs for the addresses that exist." if error.status_code == 404 else "See /api/1/docs."
        return error.status_code, Problem(what=f"{error.detail}.", where="address", how_to_mend=mend)
    raise error


async def answer_problem(_: Request, error: Exception) -> JSONResponse:
    """Return the error as JSON."""
    status, problem = problem_of(error)
    return JSONResponse(problem.model_dump(), status)
