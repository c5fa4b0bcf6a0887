"""Advisories: what a person is told, and every change of its state.

States follow ISA-18.2 (a draft of ISA-18.02 and the project's notes; the standard itself was not read): unacknowledged,
acknowledged, returned to normal, returned before it was acknowledged, shelved for a time, suppressed by
design, closed. All functions are pure: they take the advisory and the time, and return the new advisory with a
record of the change. Nobody edits an advisory in place.
"""

from __future__ import annotations

import hashlib
import math
from typing import Literal

import msgspec

from axlewright_models.errors import ModelError
from axlewright_models.wire.messages import AdvisoryMessage, State
from axlewright_server.diagnosis.assessment import Assessment

KERNEL = "kernel"
Action = Literal[
    "raised",
    "updated",
    "returned",
    "recurred",
    "acknowledged",
    "shelved",
    "unshelved",
    "suppressed",
    "unsuppressed",
    "closed",
    "found",
]
CLOSED_STATES: frozenset[str] = frozenset({"closed"})


class AdvisoryError(ModelError):
    """An action does not fit the advisory's state; the text says which would."""


class ChangeRecord(msgspec.Struct, frozen=True, kw_only=True):
    """One change of one advisory: who did what, when, and why."""

    advisory: str
    time_s: float
    who: str
    action: Action
    from_state: str
    to_state: str
    reason: str = ""


class Advisory(msgspec.Struct, frozen=True, kw_only=True):
    """An advisory as the office keeps it: the published message and what its life needs besides.

    ``active``: its symptoms stand. ``acknowledged``: a person has seen it since it was last raised.
    ``returned_s``: when its symptoms cleared. ``symptoms``: keys of the symptoms that it rests on.
    ``rests_on``: channels that these symptoms come from. ``suppressed_by``: who suppressed it ("" = nobody).
    ``assessment``: next best check, leak paths, what was found; None in those written by older versions.
    """

    message: AdvisoryMessage
    row: int
    active: bool = True
    acknowledged: bool = False
    returned_s: float | None = None
    symptoms: tuple[str, ...] = ()
    rests_on: tuple[str, ...] = ()
    suppressed_by: str = ""
    assessment: Assessment | None = None

    @property
    def id(self) -> str:
        """Return the advisory's identifier."""
        return self.message.id

    @property
    def state(self) -> State:
        """Return the advisory's state."""
        return self.message.state

    @property
    def open(self) -> bool:
        """Return whether the advisory is not closed."""
        return self.message.state not in CLOSED_STATES


Change = tuple[Advisory, ChangeRecord]


def encode_advisory(advisory: Advisory) -> bytes:
    """Return the advisory as JSON, for the store."""
    return msgspec.json.encode(advisory)


def decode_advisory(document: bytes | str) -> Advisory:
    """Return the advisory that :func:`encode_advisory` wrote.

    Raises
    ------
    AdvisoryError
        The document is no advisory; the text holds the path of the wrong member.
    """
    try:
        return msgspec.json.decode(document, type=Advisory)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise AdvisoryError(f"stored advisory cannot be read: {error}; restore it from a backup") from error


def advisory_id(fleet: str, vehicle: str, axle: int, cause: str, onset_s: float) -> str:
    """Return the identifier of an advisory: the same axle, cause and onset always give the same one.

    Examples
    --------
    >>> advisory_id("yard", "t-1", 2, "dragging-brake", 1.7e9) == advisory_id("yard", "t-1", 2, "dragging-brake", 1.7e9)
    True
    """
    text = f"{fleet}/{vehicle}/{axle}/{cause}/{round(onset_s * 1000)}"
    return hashlib.sha256(text.encode()).hexdigest()[:24]


def raise_advisory(
    message: AdvisoryMessage,
    row: int,
    symptoms: tuple[str, ...],
    rests_on: tuple[str, ...],
    assessment: Assessment | None = None,
) -> Change:
    """Return a new, unacknowledged advisory."""
    fresh = msgspec.structs.replace(message, state="unacknowledged")
    advisory = Advisory(message=fresh, row=row, symptoms=symptoms, rests_on=rests_on, assessment=assessment)
    return advisory, _record(advisory, advisory, message.updated_s, KERNEL, "raised", message.title)


def link(raised: Change, replaced: Advisory) -> Change:
    """Return a raised advisory that says which one it supersedes."""
    advisory, record = raised
    message = msgspec.structs.replace(advisory.message, supersedes=replaced.id)
    reason = f"{record.reason}; supersedes {replaced.id}"
    return msgspec.structs.replace(advisory, message=message), msgspec.structs.replace(record, reason=reason)


def update(
    advisory: Advisory,
    message: AdvisoryMessage,
    symptoms: tuple[str, ...],
    rests_on: tuple[str, ...],
    assessment: Assessment | None = None,
) -> Change:
    """Return the advisory with newer evidence; symptoms that had cleared and are back call for attention again.

    The identifier, the onset and what persons did are kept; text, evidence, causes and urgency come from `message`.
    A more urgent advisory must be acknowledged anew.
    """
    old = advisory.message
    worse = URGENCY_ORDER.index(message.urgency) < URGENCY_ORDER.index(old.urgency)
    recurred = not advisory.active
    renewed = msgspec.structs.replace(
        message,
        id=old.id,
        since_s=min(old.since_s, message.since_s),
        supersedes=old.supersedes,
        shelved_until_s=old.shelved_until_s,
    )
    changed = msgspec.structs.replace(
        advisory,
        message=renewed,
        active=True,
        acknowledged=advisory.acknowledged and not (worse or recurred),
        returned_s=None,
        symptoms=symptoms,
        rests_on=rests_on,
        assessment=assessment,
    )
    return _settle(advisory, changed, message.updated_s, KERNEL, "recurred" if recurred else "updated", "")


def return_to_normal(advisory: Advisory, time_s: float, reason: str = "symptoms cleared") -> Change:
    """Return the advisory whose symptoms have cleared."""
    changed = msgspec.structs.replace(advisory, active=False, returned_s=time_s)
    return _settle(advisory, changed, time_s, KERNEL, "returned", reason)


def acknowledge(advisory: Advisory, who: str, when_s: float, reason: str = "") -> Change:
    """Return the advisory as seen by a person.

    Raises
    ------
    AdvisoryError
        It is closed, or nobody is named.
    """
    _person(advisory, who, "acknowledge")
    return _settle(advisory, msgspec.structs.replace(advisory, acknowledged=True), when_s, who, "acknowledged", reason)


def shelve(advisory: Advisory, who: str, when_s: float, until_s: float, reason: str) -> Change:
    """Return the advisory put aside until a time, with the reason; it comes back by itself.

    Raises
    ------
    AdvisoryError
        It is closed or suppressed, the time is not in the future, or no reason is given.
    """
    _person(advisory, who, "shelve")
    _reason(advisory, reason, "shelve")
    if advisory.suppressed_by:
        raise AdvisoryError(f"advisory {advisory.id} is suppressed; lift that first")
    if not (math.isfinite(until_s) and until_s > when_s):
        raise AdvisoryError(f"advisory {advisory.id}: shelved until {until_s:.0f}, must be after now ({when_s:.0f})")
    message = msgspec.structs.replace(advisory.message, shelved_until_s=until_s)
    return _settle(advisory, msgspec.structs.replace(advisory, message=message), when_s, who, "shelved", reason)


def unshelve(advisory: Advisory, who: str, when_s: float, reason: str = "") -> Change:
    """Return the advisory taken off the shelf, in the state that its symptoms and people have given it meanwhile.

    Raises
    ------
    AdvisoryError
        It is not shelved.
    """
    _person(advisory, who, "unshelve")
    if advisory.message.shelved_until_s is None:
        raise AdvisoryError(f"advisory {advisory.id} is {advisory.state}, not shelved; nothing to take back")
    message = msgspec.structs.replace(advisory.message, shelved_until_s=None)
    return _settle(advisory, msgspec.structs.replace(advisory, message=message), when_s, who, "unshelved", reason)


def expire_shelf(advisory: Advisory, now_s: float) -> Change | None:
    """Return the advisory whose time on the shelf has run out by `now_s` (event or wall time), None if it has not."""
    until_s = advisory.message.shelved_until_s
    if until_s is None or now_s < until_s or not advisory.open:
        return None
    return unshelve(advisory, KERNEL, until_s, "time on the shelf has run out")


def suppress(advisory: Advisory, who: str, when_s: float, reason: str) -> Change:
    """Return the advisory suppressed by design: it is kept and updated, but calls nobody.

    Raises
    ------
    AdvisoryError
        It is closed, or no reason is given.
    """
    _person(advisory, who, "suppress")
    _reason(advisory, reason, "suppress")
    return _settle(advisory, msgspec.structs.replace(advisory, suppressed_by=who), when_s, who, "suppressed", reason)


def unsuppress(advisory: Advisory, who: str, when_s: float, reason: str = "") -> Change:
    """Return the advisory with its suppression lifted.

    Raises
    ------
    AdvisoryError
        It is not suppressed.
    """
    _person(advisory, who, "unsuppress")
    if not advisory.suppressed_by:
        raise AdvisoryError(f"advisory {advisory.id} is {advisory.state}, not suppressed; nothing to lift")
    changed = msgspec.structs.replace(advisory, suppressed_by="")
    return _settle(advisory, changed, when_s, who, "unsuppressed", reason)


def note_finding(advisory: Advisory, who: str, when_s: float, text: str) -> Change:
    """Return the advisory with a technician's finding in its log; what it means is the diagnosis's to say.

    Raises
    ------
    AdvisoryError
        It is closed, or nobody is named.
    """
    _person(advisory, who, "record a finding on")
    return _settle(advisory, advisory, when_s, who, "found", text)


def close(advisory: Advisory, who: str, when_s: float, reason: str) -> Change:
    """Return the advisory closed for good, with the reason.

    Raises
    ------
    AdvisoryError
        It is closed already, or no reason is given.
    """
    _person(advisory, who, "close")
    _reason(advisory, reason, "close")
    message = msgspec.structs.replace(
        advisory.message, state="closed", closed_reason=reason, updated_s=when_s, shelved_until_s=None
    )
    changed = msgspec.structs.replace(advisory, message=message)
    return changed, _record(advisory, changed, when_s, who, "closed", reason)


URGENCY_ORDER = ("stop-safely-now", "within-a-day", "next-service")


def _state(advisory: Advisory) -> State:
    """Return the state that follows from the facts; shelf and suppression hide, they do not forget."""
    if advisory.suppressed_by:
        return "suppressed"
    if advisory.message.shelved_until_s is not None:
        return "shelved"
    if advisory.active:
        return "acknowledged" if advisory.acknowledged else "unacknowledged"
    return "returned-to-normal" if advisory.acknowledged else "returned-unacknowledged"


def _settle(old: Advisory, changed: Advisory, time_s: float, who: str, action: Action, reason: str) -> Change:
    message = msgspec.structs.replace(
        changed.message, state=_state(changed), updated_s=max(time_s, old.message.updated_s)
    )
    settled = msgspec.structs.replace(changed, message=message)
    return settled, _record(old, settled, time_s, who, action, reason)


def _record(old: Advisory, new: Advisory, time_s: float, who: str, action: Action, reason: str) -> ChangeRecord:
    return ChangeRecord(
        advisory=new.id,
        time_s=time_s,
        who=who,
        action=action,
        from_state="" if action == "raised" else old.state,
        to_state=new.state,
        reason=reason,
    )


def _person(advisory: Advisory, who: str, verb: str) -> None:
    if not who.strip():
        raise AdvisoryError(f"advisory {advisory.id}: say who wants to {verb} it")
    if not advisory.open:
        raise AdvisoryError(f"advisory {advisory.id} is closed; nothing is left to {verb}")


def _reason(advisory: Advisory, reason: str, verb: str) -> None:
    if not reason.strip():
        raise AdvisoryError(f"advisory {advisory.id}: give a reason to {verb} it, for the record")
