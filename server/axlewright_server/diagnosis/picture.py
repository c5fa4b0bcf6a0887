"""What is seen on one axle: standing symptoms and recorded repairs become evidence, seen, absent or unknown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import msgspec

from axlewright_server.detectors.base import Symptom
from axlewright_server.diagnosis.case import COINCIDE
from axlewright_server.diagnosis.facts import EvidenceKind, Knowledge

ABRUPT_S = 2.0 * 3600.0
# What begins within so long after a repair may come from it (own choice).
AFTER_SERVICE_S = 7.0 * 86400.0
# A detector's onset may lie a little before the repair that caused it: it is dated by windows and gates.
BEFORE_SERVICE_S = 3600.0
_COINCIDING = frozenset({"lines-coincide", "ambiguous"})
# A lean or a difference to the partner falls with any of its sensors; other symptoms only with all of them.
_AGAINST_PARTNER = frozenset({"hotter-than-partner", "forward-hotter", "rear-hotter"})
_NEEDS_EVERY_SENSOR = frozenset({"lean-left", "lean-right"}) | _AGAINST_PARTNER


class Standing(msgspec.Struct, frozen=True):
    """A symptom that stands: its latest event, when it was first raised, and the detector that can end it."""

    symptom: Symptom
    raised_s: float
    detector: str = ""


@dataclass(frozen=True)
class AxleView:
    """One axle as the diagnosis sees it.

    ``standing``: by symptom key. ``observable``: keys that the detectors could show by now. ``faulty``: channels whose
    sensor cannot be believed. ``services``: time and touched parts of each recorded repair.
    """

    standing: Mapping[str, Standing]
    observable: frozenset[str]
    faulty: frozenset[str]
    services: Sequence[tuple[float, frozenset[str]]] = ()


def faulty_channels(standing: Mapping[str, Standing]) -> frozenset[str]:
    """Return the channels whose sensor a standing symptom calls faulty."""
    return frozenset(entry.symptom.channel for entry in standing.values() if entry.symptom.code.startswith("sensor-"))


def sensors_of(symptom: Symptom) -> frozenset[str]:
    """Return the channels that a symptom comes from; every vibration line comes from one sensor."""
    if symptom.channel.startswith("vib/"):
        return frozenset({"vib/rms"})
    return frozenset(symptom.channel.split(","))


def rests_on_faulty(symptom: Symptom, own: AxleView, partner: AxleView | None) -> bool:
    """Return whether a symptom is worth nothing because its sensors have failed."""
    if symptom.code.startswith("sensor-"):
        return False
    failed = {channel in own.faulty for channel in sensors_of(symptom)}
    if symptom.code in _AGAINST_PARTNER and partner is not None:
        failed.add("lube" in partner.faulty)
    return any(failed) if symptom.code in _NEEDS_EVERY_SENSOR else all(failed)


def seen(knowledge: Knowledge, own: AxleView, partner: AxleView | None) -> dict[str, bool]:
    """Return the evidence that stands (True) or could be seen and does not (False); the unknown is left out.

    One more entry, "lines-coincide", says that raised lines can't be told apart; see :func:`case.case_of`.
    """
    believed = {key for key, entry in own.standing.items() if not rests_on_faulty(entry.symptom, own, partner)}
    standing = {knowledge.evidence_of(key) for key in believed}
    doubted = {knowledge.evidence_of(key) for key in own.standing}
    visible = {knowledge.evidence_of(key) for key in own.observable if not _hidden(key, own, partner)}
    result: dict[str, bool] = {}
    for name, kind in knowledge.evidence.items():
        if kind.derived is not None:
            stands = _derived(knowledge, kind, believed, own, partner)
        elif name in standing:
            stands = True
        else:
            stands = False if name in visible and name not in doubted else None
        if stands is not None:
            result[name] = stands
    if any(key.split("/")[0] in _COINCIDING for key in believed):
        result[COINCIDE] = True
    return result


def _hidden(key: str, own: AxleView, partner: AxleView | None) -> bool:
    """Return whether a failed sensor keeps a symptom from being seen."""
    if key.startswith("sensor-"):
        return False
    if key in _AGAINST_PARTNER and partner is not None and "lube" in partner.faulty:
        return True
    if key.startswith(("lube-level", "guard")):
        return False
    if key in _AGAINST_PARTNER or key.startswith(("lube-", "heat-", "warms-")):
        return "lube" in own.faulty
    if "/" in key or key.startswith("source-"):
        return "vib/rms" in own.faulty
    heights = bool(own.faulty & {"height/left", "height/right"})
    return heights and key.startswith(("height", "hunting", "lean", "leak"))


def _derived(
    knowledge: Knowledge, kind: EvidenceKind, believed: set[str], own: AxleView, partner: AxleView | None
) -> bool | None:
    relevant = [own.standing[key] for key in sorted(believed) if knowledge.evidence_of(key) in kind.given]
    if not relevant:
        return None
    if kind.derived == "partner-above-model":
        return _partner_hot(partner) if "lube-above-model" in believed else None
    return _after_service(kind, relevant, own) if kind.derived == "after-service" else _abrupt(relevant)


def _abrupt(relevant: Sequence[Standing]) -> bool:
    # The steeper of two answers to the same change tells: a slow one may have waited for a cold start.
    return any(entry.raised_s - entry.symptom.since_s < ABRUPT_S for entry in relevant)


def _partner_hot(partner: AxleView | None) -> bool | None:
    if partner is None or "lube" in partner.faulty:
        return None
    if "lube-above-model" in partner.standing:
        return True
    return False if "lube-above-model" in partner.observable else None


def _after_service(kind: EvidenceKind, relevant: Sequence[Standing], own: AxleView) -> bool | None:
    """Return whether it began soon after such a repair; unknown where no repair is recorded: not all are."""
    if not own.services:
        return None
    begun_s = min(entry.symptom.since_s for entry in relevant)
    return any(
        -BEFORE_SERVICE_S <= begun_s - time_s <= AFTER_SERVICE_S and touched & set(kind.touched)
        for time_s, touched in own.services
    )
