"""From findings to advisories: raise, update, replace, return, suppress; one per cause and axle."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

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
from axlewright_server.diagnosis.facts import Knowledge
from axlewright_server.diagnosis.picture import AxleView, rests_on_faulty, seen, sensors_of
from axlewright_server.diagnosis.posterior import NONE, Finding, diagnose
from axlewright_server.diagnosis.precursor import leak_precursor
from axlewright_server.diagnosis.report import UNEXPLAINED, compose, symptoms_of

# A rival cause must be this many times as likely before an open advisory is replaced: no wavering.
REPLACE_RATIO = 2.0
# A caution-level finding is told once it is at least this likely that any listed fault is there; a limit always is.
LEAST_FAULTY = 0.7
SENSOR_REASON = "rests only on a sensor that cannot be believed"


@dataclass(frozen=True)
class Verdict:
    """What the diagnosis of one axle came to."""

    changes: list[Change]
    precursor: dict[str, float]


def decide(
    knowledge: Knowledge,
    table: AxleTable,
    row: int,
    time_s: float,
    own: AxleView,
    partner: AxleView | None,
    existing: Sequence[Advisory],
    found: Mapping[str, str] | None = None,
) -> Verdict:
    """Return the changes that an axle's symptoms make to its open advisories.

    Parameters
    ----------
    existing : sequence of Advisory
        The axle's advisories that are not closed.
    found : mapping of str to str, optional
        Outcome by check, of what the shop has found on this axle.
    """
    findings = diagnose(knowledge, seen(knowledge, own, partner), found)
    precursor = leak_precursor(knowledge, findings)
    changes: list[Change] = []
    left = {advisory.id: advisory for advisory in existing}
    for finding in findings:
        keys = symptoms_of(knowledge, finding, own.standing)
        symptoms = [own.standing[key].symptom for key in keys]
        current = _current(knowledge, left, finding, keys)
        cause = _cause(knowledge, finding, current)
        if not _worth_saying(knowledge, cause, symptoms):
            continue
        if (
            current is None
            and 1.0 - finding.probabilities[NONE] < LEAST_FAULTY
            and all(each.level < 2 for each in symptoms)
        ):
            continue
        assessment = assess(knowledge, finding, precursor)
        message = compose(knowledge, table, row, finding, cause, symptoms, precursor, time_s)
        rests_on = tuple(sorted({channel for symptom in symptoms for channel in sensors_of(symptom)}))
        if current is not None:
            left.pop(current.id)
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
    return Verdict(changes, precursor)


def _current(
    knowledge: Knowledge, left: Mapping[str, Advisory], finding: Finding, keys: tuple[str, ...]
) -> Advisory | None:
    """Return the open advisory that a finding continues: of the same cause, else an active one on the same symptoms."""
    name = UNEXPLAINED if finding.cause == NONE else finding.cause
    for advisory in left.values():
        if knowledge.current(advisory.message.cause) == name:
            return advisory
    for advisory in left.values():
        if advisory.active and set(advisory.symptoms) & set(keys):
            return advisory
    return None


def _cause(knowledge: Knowledge, finding: Finding, current: Advisory | None) -> str:
    """Return the cause to advise: the leading one, unless the advised one is nearly as likely."""
    if current is None:
        return finding.cause
    advised = NONE if current.message.cause == UNEXPLAINED else knowledge.current(current.message.cause)
    if advised in finding.probabilities:
        lead = finding.probabilities[finding.cause]
        if finding.probabilities[advised] * REPLACE_RATIO >= lead and advised != NONE:
            return advised
    return finding.cause


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
    return message.urgency, message.confidence, message.summary, evidence, message.causes, keys


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
        changes.append(return_to_normal(advisory, time_s, reason))
    return changes
