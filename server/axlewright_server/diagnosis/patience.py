"""A caution whose cause is not clear waits for a shift: what tells the causes apart often comes within hours.

What is at its limit, what calls for a stop or may do so, and what is clear at once is told at once. Who is called to a
truck wants to know what to look for; a caution whose cause is another one two hours later costs trust, and one that is
gone by the end of the shift costs a call. A slow fault gives weeks, so that a shift of them is a small price.

All times are event times, and the wait begins when the earliest of the symptoms was raised, so live and offline wait
alike and nothing has to be remembered.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from axlewright_models.wire.messages import Urgency
from axlewright_server.diagnosis.facts import Knowledge
from axlewright_server.diagnosis.picture import Standing
from axlewright_server.diagnosis.posterior import Finding

# Own choices: a shift; nine in ten, from which on a second look seldom names another cause; and one in twenty, from
# which on a cause that stops a truck is not waited for.
WAIT_S = 8.0 * 3600.0
CLEAR = 0.9
POSSIBLE = 0.05
_STOP: Urgency = "stop-safely-now"


def may_be_told(
    knowledge: Knowledge, finding: Finding, urgency: Urgency, standing: Collection[Standing], time_s: float
) -> bool:
    """Return whether a new advisory need not wait, or has waited.

    Parameters
    ----------
    urgency : Urgency
        Of the advisory.
    standing : collection of Standing
        What the advisory rests on, at least one.
    time_s : float
        Event time. [s]
    """
    if urgency == _STOP or finding.probability >= CLEAR or any(entry.symptom.level >= 2 for entry in standing):
        return True
    stops = [name for name, cause in knowledge.causes.items() if cause.urgency == _STOP]
    if any(finding.probabilities.get(name, 0.0) >= POSSIBLE for name in stops):
        return True
    return time_s >= min(entry.raised_s for entry in standing) + WAIT_S


def told_again_s(standing: Mapping[str, Standing]) -> list[float]:
    """Return the times at which a caution may have waited long enough. [s]"""
    return [entry.raised_s + WAIT_S for entry in standing.values()]
