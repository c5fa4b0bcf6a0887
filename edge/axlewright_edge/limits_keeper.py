"""Keeps the limits that the office sent on the truck's disk, so that the guard knows them without coverage."""

from __future__ import annotations

import logging
import os
import threading
from pathlib import Path

from axlewright_models.errors import ModelError
from axlewright_models.guard_limits import BUILT_IN, built_in_limits, check_guard_limits
from axlewright_models.wire.messages import AxleLimits, LimitsMessage, decode_message

LOGGER = logging.getLogger(__name__)
LONGEST_BYTES = 16 * 1024


class LimitsKeeper:
    """The limits in force: those of the office, else those of the fleet file on board, else the defaults.

    Parameters
    ----------
    fleet, vehicle : str
        Whose limits these are; those of another truck are refused.
    path : Path
        The file that survives a restart.
    own : LimitsMessage, optional
        From the fleet file on board, until the office has sent some.
    """

    def __init__(self, fleet: str, vehicle: str, path: Path, own: LimitsMessage | None = None) -> None:
        self._fleet = fleet
        self._vehicle = vehicle
        self._path = path
        self._lock = threading.Lock()
        self.problem = ""
        self._limits = self._kept() or own

    @property
    def version(self) -> str:
        """Which limits are in force."""
        limits = self._limits
        return BUILT_IN if limits is None else limits.version

    def of(self, axle: int) -> AxleLimits | None:
        """Return an axle's limits; None when it is not to be guarded."""
        limits = self._limits
        if limits is None:
            return built_in_limits(axle)
        return next((entry for entry in limits.axles if entry.axle == axle), None)

    def take(self, payload: bytes) -> str:
        """Take limits from the office; return what a person should know, nothing when they were known already.

        What is malformed, foreign or would silence the guard is refused: the older limits stay in force. Any thread
        may call.
        """
        if not payload:
            return ""  # The office took its message back; what it said last stays in force.
        try:
            limits = self._read(payload)
        except ModelError as error:
            return f"limits refused: {error}"
        with self._lock:
            if limits == self._limits and self._path.exists():
                return ""
            self._limits = limits
            try:
                self._write(payload)
            except OSError as error:
                self.problem = f"limits {limits.version} cannot be kept in {self._path}: {error}"
                return self.problem
            self.problem = ""
        return f"limits {limits.version} taken"

    def _read(self, payload: bytes) -> LimitsMessage:
        if len(payload) > LONGEST_BYTES:
            raise ModelError(f"{len(payload)} bytes are more than limits can have")
        limits = decode_message(payload, LimitsMessage)
        check_guard_limits(limits, self._fleet, self._vehicle)
        return limits

    def _kept(self) -> LimitsMessage | None:
        try:
            return self._read(self._path.read_bytes())
        except FileNotFoundError:
            return None
        except (OSError, ModelError) as error:
            self.problem = f"kept limits are of no use: {self._path}: {error}"
            LOGGER.error("%s", self.problem)
            return None

    def _write(self, payload: bytes) -> None:
        """Write all or nothing, whenever the power goes."""
        beside = self._path.with_name(self._path.name + ".new")
        with beside.open("wb") as file:
            file.write(payload)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(self._path)
        folder = os.open(self._path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
