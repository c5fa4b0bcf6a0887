"""People who may log in: names and argon2 hashes in the store."""

from __future__ import annotations

import re
import secrets
import threading

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import Connection, select
from sqlalchemy.dialects.sqlite import insert

from axlewright_server.errors import ServerError
from axlewright_server.store import Store
from axlewright_server.store.schema import ACCOUNT

LEAST_CHARACTERS = 10
MOST_CHARACTERS = 256
_NAME = re.compile(r"[A-Za-z0-9._@-]{1,64}")
# The library's defaults follow RFC 9106's low-memory choice.
_HASHER = PasswordHasher()
# Each check takes 64 MiB by design; many at once, which a stranger can ask for, would take the machine's memory.
AT_ONCE = 2
_ROOM = threading.BoundedSemaphore(AT_ONCE)
# Verified when a name is unknown, so that the time taken does not tell who exists.
_NOBODY = _HASHER.hash(secrets.token_urlsafe(16))


class AccountError(ServerError):
    """A name or password is not accepted; the text says why."""


def check_name(name: str) -> None:
    """Refuse a name that cannot be used.

    Raises
    ------
    AccountError
        The text says what would do.
    """
    if not _NAME.fullmatch(name):
        raise AccountError(f"user name {name!r}: use 1 to 64 letters, digits and . _ @ -")


def check_new(name: str, password: str) -> None:
    """Refuse names and passwords that cannot be used.

    Raises
    ------
    AccountError
        The text says what would do.
    """
    check_name(name)
    if not LEAST_CHARACTERS <= len(password) <= MOST_CHARACTERS:
        raise AccountError(f"password of {len(password)} characters: use {LEAST_CHARACTERS} to {MOST_CHARACTERS}")


def put_account(store: Store, name: str, password: str, now_s: float) -> bool:
    """Add a person or change the password (inside a transaction); return whether the name is new."""
    check_new(name, password)
    new = store.writer.execute(select(ACCOUNT.c.name).where(ACCOUNT.c.name == name)).first() is None
    row = {"name": name, "password_hash": _HASHER.hash(password), "created_ms": round(now_s * 1000)}
    statement = insert(ACCOUNT).values(row)
    changed = {"password_hash": row["password_hash"]}
    store.writer.execute(statement.on_conflict_do_update(index_elements=["name"], set_=changed))
    return new


def password_fits(connection: Connection, name: str, password: str) -> bool:
    """Return whether this is the person's password; takes as long for an unknown name. A few at a time are served."""
    kept = connection.execute(select(ACCOUNT.c.password_hash).where(ACCOUNT.c.name == name)).scalar()
    if len(password) > MOST_CHARACTERS:
        return False
    try:
        with _ROOM:
            return _HASHER.verify(_NOBODY if kept is None else kept, password) and kept is not None
    except (VerificationError, InvalidHashError):
        return False


def names(connection: Connection) -> list[str]:
    """Return who has an account, in order."""
    return list(connection.execute(select(ACCOUNT.c.name).order_by(ACCOUNT.c.name)).scalars())
