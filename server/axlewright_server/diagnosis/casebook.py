"""What people in the shop have told of axles: findings that still count, and repairs."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping

import msgspec

from axlewright_models.errors import ModelError
from axlewright_models.shop import CHECKS
from axlewright_models.shop.service import ServiceEvent
from axlewright_models.units import convert
from axlewright_server.diagnosis.facts import Knowledge

# A finding tells of the axle as it was; after so long it is history (own choice).
HOLDS_S = 30.0 * 86400.0
MOST_SERVICES = 20


class Found(msgspec.Struct, frozen=True, kw_only=True):
    """One finding: who looked at what on which axle, when, and what came out.

    ``value`` in ``unit`` where something was measured. ``advisory``: the one that it was recorded on.
    """

    vehicle: str
    axle: int
    check: str
    outcome: str
    time_s: float
    who: str
    advisory: str = ""
    value: float | None = None
    unit: str = ""
    note: str = ""


def outcome_of(knowledge: Knowledge, check: str, outcome: str = "", value: float | None = None, unit: str = "") -> str:
    """Return the outcome of a check: what was said, held against what was measured.

    Parameters
    ----------
    check : str
        Id of models.shop.
    outcome : str
        A word of the knowledge base; "" to have a measured value judged. Checks that the knowledge base does not list
        know "within" and "outside".
    value, unit : float, str
        What was measured; unit "" is the check's own. Ride height is the departure from the specified one.

    Raises
    ------
    ModelError
        There is no such check or outcome, a value and an outcome that contradict each other, or neither is given.
    UnitError
        The unit measures something else.
    """
    if check not in CHECKS:
        raise ModelError(f"unknown check {check!r}; use one of {', '.join(CHECKS)}")
    kind = knowledge.checks.get(check)
    allowed = tuple(kind.outcome) if kind is not None else ("within", "outside")
    if outcome and outcome not in allowed:
        raise ModelError(f"check {check!r} has no outcome {outcome!r}; use one of {', '.join(allowed)}")
    if value is None:
        if not outcome:
            raise ModelError(f"check {check!r}: give an outcome ({', '.join(allowed)}) or a measured value")
        return outcome
    judged = _judged(check, allowed, value, unit)
    if outcome and outcome != judged:
        raise ModelError(f"check {check!r}: {value:g} {unit or CHECKS[check].unit} is {judged!r}, not {outcome!r}")
    return judged


def _judged(check: str, allowed: tuple[str, ...], value: float, unit: str) -> str:
    known = CHECKS[check]
    verdict = known.judge(value, unit or None)
    if verdict in allowed:
        return verdict
    measured = convert(value, unit, known.unit) if unit else value
    return "low" if known.low is not None and measured < known.low else "high"


class Casebook:
    """Findings and repairs by row of the axle table. A newer finding of a check takes the older one's place.

    A finding counts while the advisory that it was made on, or the one that took its place, is open; for
    :data:`HOLDS_S` at most; and until a repair of the axle.
    """

    def __init__(self) -> None:
        self._found: dict[int, dict[str, Found]] = {}
        self._services: dict[int, list[tuple[float, frozenset[str]]]] = {}

    def put(self, row: int, found: Found) -> None:
        """Take a finding."""
        self._found.setdefault(row, {})[found.check] = found

    def same(self, row: int, found: Found) -> bool:
        """Return whether just this is known already: a repeated request."""
        known = self._found.get(row, {}).get(found.check)
        return known is not None and msgspec.structs.replace(known, time_s=found.time_s, who=found.who) == found

    def inherit(self, row: int, old: str | None, new: str) -> None:
        """Hand the findings of an advisory to the one that took its place."""
        own = self._found.get(row)
        if own and old:
            for check, found in own.items():
                if found.advisory == old:
                    own[check] = msgspec.structs.replace(found, advisory=new)

    def found(self, row: int, now_s: float, advisories: Container[str]) -> list[Found]:
        """Return the findings that count now, in the order in which they were made; `advisories`: ids of open ones."""
        last_s = max((time_s for time_s, _ in self.services(row) if time_s <= now_s), default=-math.inf)
        return sorted(
            (
                one
                for one in self._found.get(row, {}).values()
                if one.advisory in advisories and now_s - one.time_s <= HOLDS_S and one.time_s > last_s
            ),
            key=lambda one: (one.time_s, one.check),
        )

    def outcomes(self, row: int, now_s: float, advisories: Container[str]) -> Mapping[str, str]:
        """Return the outcome by check, of the findings that count now."""
        return {one.check: one.outcome for one in self.found(row, now_s, advisories)}

    def service(self, row: int, event: ServiceEvent) -> None:
        """Take a repair: what was found before it tells of an axle that is no more."""
        known = {*self._services.get(row, []), (event.time_s, event.touched)}
        self._services[row] = sorted(known, key=lambda entry: (entry[0], sorted(entry[1])))[-MOST_SERVICES:]

    def services(self, row: int) -> tuple[tuple[float, frozenset[str]], ...]:
        """Return time and touched parts of each repair, oldest first."""
        return tuple(self._services.get(row, ()))
