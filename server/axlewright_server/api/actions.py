"""What a person does with an advisory, checked before the writer is asked for it."""

from __future__ import annotations

import concurrent.futures
import sqlite3
from concurrent.futures import Future
from typing import Literal, TypeVar

from sqlalchemy.exc import SQLAlchemyError

from axlewright_models.errors import ModelError
from axlewright_server.api.desk import Desk
from axlewright_server.api.errors import ApiError
from axlewright_server.api.records import ActionRequest
from axlewright_server.errors import ServerError

T = TypeVar("T")
ActionName = Literal["acknowledge", "shelve", "unshelve", "suppress", "unsuppress", "close"]
NEEDS_REASON = frozenset({"shelve", "suppress", "close"})
# The writer answers within a micro-batch; longer means that it is stopping or stuck.
PATIENCE_S = 10.0


def perform(office: Desk, advisory: str, action: ActionName, who: str, wanted: ActionRequest) -> None:
    """Have the action done and committed.

    Raises
    ------
    ApiError
        A reason or a time is missing, there is no such advisory, the action does not fit its state, or the writer
        does not answer, is stopping or cannot write.
    """
    reason = wanted.reason.strip()
    if action in NEEDS_REASON and not reason:
        raise ApiError(
            422, f"To {action} an advisory takes a reason.", "body: reason", "Say why in a sentence; the log keeps it."
        )
    if action == "shelve" and wanted.shelve_for_h is None:
        raise ApiError(
            422,
            "To shelve an advisory takes a time.",
            "body: shelve_for_h",
            "Give the hours until it comes back.",
        )
    until_s = office.clock() + 3600.0 * wanted.shelve_for_h if action == "shelve" and wanted.shelve_for_h else None
    settled(office.act(advisory, action, who, reason, until_s))


def settled(future: Future[T]) -> T:
    """Return what the writer has done and committed.

    Raises
    ------
    ApiError
        It does not fit the present state, or the writer does not answer, is stopping or cannot write.
    """
    try:
        return future.result(PATIENCE_S)
    except concurrent.futures.TimeoutError as error:
        # What was reported as not done must not be done later, when the person has perhaps decided otherwise.
        future.cancel()
        raise ApiError(
            503, "The office did not answer in time.", "server", "Look at /readyz, then try again."
        ) from error
    except concurrent.futures.CancelledError as error:
        raise ApiError(503, "The office is stopping.", "server", "Try again once it is back.") from error
    except (sqlite3.Error, SQLAlchemyError) as error:
        raise ApiError(
            503, "The data file cannot be written; nothing was changed.", "server", "Look at /readyz, then try again."
        ) from error
    except (ModelError, ServerError) as error:
        raise ApiError(
            409, f"{error}.", "path: action", "Read the advisory again: its 'actions' are those that fit now."
        ) from error
