"""The truth file: what really happened to the trucks whose readings are judged. Same form for simulated and real ones.

>>> text = b'''{"format": "axlewright-truth-1", "events": [
...     {"vehicle": "hv-101", "axle": 2, "scenario": "dragging-brake", "onset": "2026-03-04T06:00:00Z",
...      "failure": "2026-03-19T12:00:00Z", "causes": ["dragging-brake"]}]}'''
>>> parse_truth(text).events[0].axle
2
"""

from __future__ import annotations

import math
from collections.abc import Collection
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Literal

import msgspec

from axlewright_models.errors import ModelError
from axlewright_models.file_errors import meant, readable
from axlewright_models.shop.service import ServiceEvent
from axlewright_server.detectors.vibration_source import SOURCES
from axlewright_server.errors import EvaluationError

FORMAT: Literal["axlewright-truth-1"] = "axlewright-truth-1"
SOURCE_WORDS = frozenset(name.removeprefix("source-") for name in SOURCES if name.startswith("source-"))
"""What `source` may say: the words of :mod:`~axlewright_server.detectors.vibration_source`."""


class BroughtAbout(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A vibration source that a fault has in truth set going besides its own, on which axle and since when."""

    source: str
    axle: Annotated[int, msgspec.Meta(ge=1, le=99)]
    since: datetime

    @property
    def since_s(self) -> float:
        """Return since when, as Unix time. [s]"""
        return unix_s(self.since)


class Event(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One fault or harmless event of one truck, as it truly was.

    ``axle``: position from the front, 0 = the truck as a whole (any of its drive axles is right). ``onset``: when it
    began. ``end``: when it was over or mended. ``failure``: when the truck could no longer do its work because of it.
    ``causes``: ids of causes.toml that are right answers, the best first. ``harmless``: no advisory is right.
    ``detectable``: whether the fitted sensors could show it; if not, ``reason`` says why. ``source``: the vibration
    source, where it is one; ``brought_about``: others that it has set going by then or later. ``slow``: develops over
    days or weeks.
    """

    vehicle: str
    onset: datetime
    axle: Annotated[int, msgspec.Meta(ge=0, le=99)] = 0
    scenario: str = ""
    end: datetime | None = None
    failure: datetime | None = None
    causes: tuple[str, ...] = ()
    harmless: bool = False
    detectable: bool = True
    reason: str = ""
    source: str = ""
    brought_about: tuple[BroughtAbout, ...] = ()
    slow: bool = False
    severity: float | None = None
    severity_meaning: str = ""

    @property
    def onset_s(self) -> float:
        """Return the onset as Unix time. [s]"""
        return unix_s(self.onset)

    @property
    def failure_s(self) -> float | None:
        """Return the functional failure as Unix time, None if it never came. [s]"""
        return None if self.failure is None else unix_s(self.failure)

    @property
    def end_s(self) -> float | None:
        """Return the end as Unix time, None if it lasted. [s]"""
        return None if self.end is None else unix_s(self.end)


class Service(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """A recorded repair that the office knew of: words of ``axlewright_models.shop.service``."""

    vehicle: str
    time: datetime
    touched: tuple[str, ...]
    axle: Annotated[int, msgspec.Meta(ge=0, le=99)] = 0


class Truth(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A truth file. Trucks of the fleet file without an event are taken for healthy."""

    format: Literal["axlewright-truth-1"]
    events: tuple[Event, ...]
    services: tuple[Service, ...] = ()
    note: str = ""


def unix_s(moment: datetime) -> float:
    """Return Unix time; a time without a zone is taken as UTC. [s]"""
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def parse_truth(text: bytes, where: str = "truth") -> Truth:
    """Return the truth that a JSON document tells.

    Raises
    ------
    EvaluationError
        It has another form, or contradicts itself; the text says where and what would be right.
    """
    try:
        truth = msgspec.json.decode(text, type=Truth)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise EvaluationError(
            f"{where}: {readable(str(error), Truth)}; "
            "the form is described in server/README.md, Truth file of an evaluation"
        ) from error
    for number, event in enumerate(truth.events):
        place = f"{where}: events[{number}] of {event.vehicle!r}"
        for name, moment in (("failure", event.failure_s), ("end", event.end_s)):
            if moment is not None and moment <= event.onset_s:
                raise EvaluationError(f"{place}: {name} is not after onset; swap them or leave {name} out")
        if any(one.since_s < event.onset_s for one in event.brought_about):
            raise EvaluationError(f"{place}: brought_about holds a source from before the onset; it is no consequence")
        if not event.harmless and not event.causes:
            raise EvaluationError(f'{place}: causes is empty; name at least one cause, or set "harmless": true')
        if not event.detectable and not event.reason:
            raise EvaluationError(f"{place}: is not detectable but reason is empty; say why no sensor shows it")
    service_events(truth, where)
    return truth


def read_truth(path: Path) -> Truth:
    """Return the truth of a file; errors as :func:`parse_truth`, and when it cannot be read."""
    try:
        return parse_truth(path.read_bytes(), str(path))
    except OSError as error:
        raise EvaluationError(f"{path}: cannot be read: {error.strerror}") from error


def service_events(truth: Truth, where: str = "truth") -> list[ServiceEvent]:
    """Return the recorded repairs in order of time."""
    found = []
    for number, one in enumerate(truth.services):
        try:
            found.append(ServiceEvent(one.vehicle, one.axle, unix_s(one.time), frozenset(one.touched)))
        except ModelError as error:
            raise EvaluationError(f"{where}: services[{number}]: {error}") from error
    return sorted(found, key=lambda event: (event.time_s, event.vehicle, event.axle))


def failures(truth: Truth) -> dict[str, list[tuple[float, float]]]:
    """Return by truck from when until when it could not do its work: Unix times, infinity where it stayed so. [s]"""
    found: dict[str, list[tuple[float, float]]] = {}
    for event in truth.events:
        if event.failure_s is not None:
            end_s = math.inf if event.end_s is None else event.end_s
            found.setdefault(event.vehicle, []).append((event.failure_s, max(event.failure_s, end_s)))
    return found


def check_against(truth: Truth, vehicles: Collection[str], causes: Collection[str], where: str = "truth") -> None:
    """Refuse a truth that speaks of trucks, causes or vibration sources that do not exist.

    Raises
    ------
    EvaluationError
        Naming the event, and what exists.
    """
    for number, event in enumerate(truth.events):
        place = f"{where}: events[{number}]"
        if event.vehicle not in vehicles:
            raise EvaluationError(f"{place}: vehicle {event.vehicle!r} is not in the fleet file")
        for name in (event.source, *(one.source for one in event.brought_about)):
            if name and name not in SOURCE_WORDS:
                raise EvaluationError(f"{place}: no vibration source {name!r}; {meant(name, sorted(SOURCE_WORDS))}")
        strange = [name for name in event.causes if name not in causes]
        if strange:
            raise EvaluationError(
                f"{place}: no cause {strange[0]!r} in the knowledge base; {meant(strange[0], sorted(causes))}"
            )
