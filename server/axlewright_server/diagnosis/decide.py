"""From findings to advisories: raise, update, replace, return, suppress; one per cause and axle."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from axlewright_models.wire.messages import AdvisoryMessage
from axlewright_server.advisories import (
    KERNEL,
    Advisory,
    Change,
    close,
    link,
    raise_advisory,
    return_to_normal,
    suppress,
    unsuppress,
    update,
)
from axlewright_server.detectors.base import Symptom
from axlewright_server.detectors.table import AxleTable
from axlewright_server.diagnosis.assessment import Assessment, assess
from axlewright_server.diagnosis.facts import UNEXPLAINED, Knowledge
from axlewright_server.diagnosis.kinship import same_event
from axlewright_server.diagnosis.patience import may_be_told
from axlewright_server.diagnosis.picture import AxleView, due, outdated, rests_on_faulty, seen, sensors_of
from axlewright_server.diagnosis.posterior import NONE, Finding, diagnose, posterior
from axlewright_server.diagnosis.precursor import leak_precursor
from axlewright_server.diagnosis.report import compose, symptoms_of
from axlewright_server.diagnosis.steadiness import Trail, cause_to_advise, comes_back

# A caution-level finding is told once it is at least this likely that any listed fault is there; a limit always is.
LEAST_FAULTY = 0.7
SENSOR_REASON = "rests only on a sensor that cannot be believed"
REPAIR_REASON = "a repair has ended some of its symptoms; those left, from before it, count if they stay for a day"


@dataclass(frozen=True)
class Verdict:
    """What the diagnosis of one axle came to; ``trails``: by advisory, whose cause does not lead any more."""

    changes: list[Change]
    precursor: dict[str, float]
    trails: dict[str, Trail] = field(default_factory=dict)


def decide(
    knowledge: Knowledge,
    table: AxleTable,
    row: int,
    time_s: float,
    own: AxleView,
    partner: AxleView | None,
    existing: Sequence[Advisory],
    found: Mapping[str, str] | None = None,
    trails: Mapping[str, Trail] | None = None,
    beside: Sequence[Advisory] = (),
) -> Verdict:
    """Return the changes that an axle's symptoms make to its open advisories.

    Parameters
    ----------
    existing : sequence of Advisory
        The axle's advisories that are not closed.
    found : mapping of str to str, optional
        Outcome by check, of what the shop has found on this axle.
    trails : mapping of str to Trail, optional
        What the verdict before this one said of advisories whose cause does not lead any more.
    beside : sequence of Advisory
        Open advisories of the truck's axles before this one, of which its own may tell the same event.
    """
    late = seen(knowledge, own, partner)
    early = due(knowledge, own, late)
    findings = diagnose(knowledge, early, found)
    precursor = leak_precursor(knowledge, findings)
    repaired_s = max((when_s for when_s, _ in own.services if when_s <= time_s), default=-math.inf)
    changes: list[Change] = []
    trailing: dict[str, Trail] = {}
    left = {advisory.id: advisory for advisory in existing}
    for finding in findings:
        keys = symptoms_of(knowledge, finding, own.standing)
        symptoms = [own.standing[key].symptom for key in keys]
        current = _current(knowledge, left, finding, keys, time_s, repaired_s)
        known = None if current is None or trails is None else trails.get(current.id)
        cause, trail = cause_to_advise(knowledge, finding, current, known, time_s)
        if not _worth_saying(knowledge, cause, symptoms):
            continue
        if current is None and not _surely(knowledge, finding, early, late, found, symptoms):
            continue
        assessment = assess(knowledge, finding, precursor)
        message = same_event(compose(knowledge, table, row, finding, cause, symptoms, precursor, time_s), beside)
        entries = [own.standing[key] for key in keys]
        if current is None and not may_be_told(knowledge, finding, message.urgency, entries, own.time_s):
            continue
        rests_on = tuple(sorted({channel for symptom in symptoms for channel in sensors_of(symptom)}))
        if current is not None:
            left.pop(current.id)
            if trail is not None:
                trailing[current.id] = trail
        if current is not None and knowledge.current(current.message.cause) == message.cause:
            changes += _renew(current, message, keys, rests_on, assessment, time_s)
            continue
        raised = raise_advisory(message, row, keys, rests_on, assessment)
        if current is not None:
            reason = f"superseded: {message.title.lower()} is now more likely ({message.id})"
            changes.append(close(current, KERNEL, time_s, reason))
            raised = link(raised, current)
        changes.append(raised)
    for advisory in left.values():
        changes += _without_finding(advisory, own, partner, time_s)
    return Verdict(changes, precursor, trailing)


def _current(
    knowledge: Knowledge,
    left: Mapping[str, Advisory],
    finding: Finding,
    keys: tuple[str, ...],
    time_s: float,
    repaired_s: float,
) -> Advisory | None:
    """Return the open advisory that a finding continues.

    One of the same cause, else an active one on the same symptoms, else one that returned to normal not long ago.
    """
    name = UNEXPLAINED if finding.cause == NONE else finding.cause
    for advisory in left.values():
        if knowledge.current(advisory.message.cause) == name:
            return advisory
    for advisory in left.values():
        if advisory.active and set(advisory.symptoms) & set(keys):
            return advisory
    for advisory in left.values():
        if comes_back(knowledge, advisory, finding, keys, time_s, repaired_s):
            return advisory
    return None


def _surely(
    knowledge: Knowledge,
    finding: Finding,
    early: Mapping[str, bool],
    late: Mapping[str, bool],
    found: Mapping[str, str] | None,
    symptoms: Sequence[Symptom],
) -> bool:
    """Return whether a new finding is sure enough to be told, though all be silent that is silent yet.

    That silence may not tell yet which cause it is; whether anything is wrong at all is held against it.
    """
    probabilities = finding.probabilities
    if early != late:
        picture = {name: stands for name, stands in late.items() if not stands or name in finding.evidence}
        probabilities = posterior(knowledge, picture, found=found)
        if not _worth_saying(knowledge, next(iter(probabilities)), symptoms):
            return False
    return 1.0 - probabilities[NONE] >= LEAST_FAULTY or any(each.level >= 2 for each in symptoms)


def _worth_saying(knowledge: Knowledge, cause: str, symptoms: Sequence[Symptom]) -> bool:
    level = max((symptom.level for symptom in symptoms), default=0)
    return level >= (2 if cause == NONE else knowledge.causes[cause].minimum_level)


def _renew(
    current: Advisory,
    message: AdvisoryMessage,
    keys: tuple[str, ...],
    rests_on: tuple[str, ...],
    assessment: Assessment,
    time_s: float,
) -> list[Change]:
    changes: list[Change] = []
    if current.suppressed_by == KERNEL:
        changes.append(unsuppress(current, KERNEL, time_s, "the sensor can be believed again"))
        current = changes[-1][0]
    same = _content(message, keys) == _content(current.message, current.symptoms) and assessment == current.assessment
    if changes or not (current.active and same):
        changes.append(update(current, message, keys, rests_on, assessment))
    return changes


def _content(message: AdvisoryMessage, keys: tuple[str, ...]) -> tuple[object, ...]:
    """Return what a person would notice; times of looking again are left out."""
    evidence = [(piece.channel, piece.text, piece.begin_s) for piece in message.evidence]
    return message.urgency, message.confidence, message.summary, evidence, message.causes, message.same_event_as, keys


def _without_finding(advisory: Advisory, own: AxleView, partner: AxleView | None, time_s: float) -> list[Change]:
    """Return what becomes of an open advisory that nothing believable speaks for any more."""
    standing = [own.standing[key].symptom for key in advisory.symptoms if key in own.standing]
    hidden = bool(standing) and all(rests_on_faulty(symptom, own, partner) for symptom in standing)
    if hidden:
        return [] if advisory.suppressed_by else [suppress(advisory, KERNEL, time_s, SENSOR_REASON)]
    changes: list[Change] = []
    if advisory.suppressed_by == KERNEL:
        changes.append(unsuppress(advisory, KERNEL, time_s, "the sensor can be believed again"))
        advisory = changes[-1][0]
    if advisory.active:
        reason = "symptoms fell below what calls for action" if standing else "symptoms cleared"
        if standing and all(outdated(symptom, own) for symptom in standing):
            if len(standing) == len(advisory.symptoms):
                return changes  # the repair has ended none of them: nothing new is known of it yet
            reason = REPAIR_REASON
        changes.append(return_to_normal(advisory, time_s, reason))
    return changes
