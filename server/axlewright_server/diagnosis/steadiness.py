"""Under which cause an advisory stands: a rival must lead far, or long, before it takes over.

Symptoms come and go with the road and the load, and each coming and going moves the posterior. A person who is told
another cause every hour believes none of them. All times are event times, so live and offline decide alike.
"""

from __future__ import annotations

import math

import msgspec

from axlewright_server.advisories import URGENCY_ORDER, Advisory
from axlewright_server.diagnosis.facts import NONE, UNEXPLAINED, Knowledge
from axlewright_server.diagnosis.posterior import Finding

# Own choices, by how much the rival must lead and for how long. Ten to one is beyond doubt for this purpose; two to
# one must last over a shift's changes of road; a bare lead over a day and a night.
AT_ONCE_RATIO = 10.0
CLEAR_RATIO = 2.0
CLEAR_S = 6.0 * 3600.0
AHEAD_S = 24.0 * 3600.0
# An advisory that has returned is the same trouble if it comes back within so long (own choice).
CONTINUES_S = 48.0 * 3600.0


class Trail(msgspec.Struct, frozen=True, array_like=True):
    """The cause that an advisory stands under does not lead any more: since when, and when it must give way. [s]"""

    since_s: float
    due_s: float


def cause_to_advise(
    knowledge: Knowledge, finding: Finding, current: Advisory | None, trail: Trail | None, time_s: float
) -> tuple[str, Trail | None]:
    """Return the cause to advise, and how long the advised one has been trailing (None: it leads, or has given way).

    The leader takes over at once when nothing is advised yet, when it is ten times as likely, or when it is twice as
    likely and either a technician's finding speaks or it is more urgent; when twice as likely for six hours; when ahead
    at all for a day.

    Parameters
    ----------
    current : Advisory or None
        The open advisory that the finding continues.
    trail : Trail or None
        What this function returned for that advisory the last time.
    time_s : float
        Event time. [s]
    """
    lead = finding.cause
    if current is None:
        return lead, None
    advised = advised_cause(knowledge, current)
    if advised in (lead, NONE) or advised not in finding.probabilities:
        return lead, None
    ratio = finding.probabilities[lead] / max(finding.probabilities[advised], 1e-300)
    if ratio <= 1.0:
        return advised, None
    clear = ratio >= CLEAR_RATIO
    if ratio >= AT_ONCE_RATIO or (clear and (bool(finding.found) or _more_urgent(knowledge, lead, advised))):
        return lead, None
    since_s = time_s if trail is None else trail.since_s
    due_s = since_s + (CLEAR_S if clear else AHEAD_S)
    if time_s >= due_s:
        return lead, None
    return advised, Trail(since_s, due_s)


def advised_cause(knowledge: Knowledge, advisory: Advisory) -> str:
    """Return the cause that an advisory stands under, by its present name; :data:`NONE` for the unexplained."""
    cause = advisory.message.cause
    return NONE if cause == UNEXPLAINED else knowledge.current(cause)


def comes_back(
    knowledge: Knowledge,
    advisory: Advisory,
    finding: Finding,
    keys: tuple[str, ...],
    time_s: float,
    repaired_s: float = -math.inf,
) -> bool:
    """Return whether a finding is the same trouble as an advisory that has returned to normal a short while ago.

    It is if it rests on one of its symptoms, or if the cause that was advised explains it about as well as any; not
    if the axle has been repaired since the advisory's onset (`repaired_s`: when last).
    """
    if advisory.active or advisory.returned_s is None or time_s - advisory.returned_s > CONTINUES_S:
        return False
    if repaired_s > advisory.message.since_s:
        return False
    if set(advisory.symptoms) & set(keys):
        return True
    advised = advised_cause(knowledge, advisory)
    likely = finding.probabilities.get(advised, 0.0)
    return advised != NONE and likely * CLEAR_RATIO >= finding.probability


def _more_urgent(knowledge: Knowledge, cause: str, than: str) -> bool:
    if cause == NONE:
        return False
    order = URGENCY_ORDER.index
    return order(knowledge.causes[cause].urgency) < order(knowledge.causes[than].urgency)
