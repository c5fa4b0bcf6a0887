"""The errors that the server raises on purpose."""

from __future__ import annotations

from pathlib import Path


class ServerError(Exception):
    """Anything that the server refuses, with a text that says what, where and how to mend it."""


class SettingsError(ServerError):
    """A setting is wrong, or a combination of settings is unsafe; the text holds its key."""


class StoreError(ServerError):
    """The data file cannot be used: locked by another server, or written by a newer one."""


class BrokerError(ServerError):
    """The broker cannot be started or reached."""


class PortBusyError(ServerError):
    """Something else already listens where we are asked to listen."""


class HistoryError(ServerError):
    """A replay table is not of the form that the loader reads."""


class EvaluationError(ServerError):
    """An evaluation cannot be run as asked: a truth file, a choice or a part of an earlier run does not fit."""


def make_folder(folder: Path, error: type[ServerError], flag: str) -> None:
    """Make a folder with its parents, or say in one line why it cannot be made.

    Raises
    ------
    ServerError
        Of the given kind: a file stands in the way, or the place cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as reason:
        raise error(
            f"{folder} cannot be used as a folder ({reason.strerror or reason}); choose another with {flag}"
        ) from reason
