"""What is seen on one axle: standing symptoms and recorded repairs become evidence, seen, absent or unknown."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import msgspec

from axlewright_server.detectors.base import Symptom
from axlewright_server.detectors.vibration import CREPT_S
from axlewright_server.diagnosis.case import COINCIDE, SOURCES
from axlewright_server.diagnosis.facts import EvidenceKind, Knowledge
from axlewright_server.diagnosis.succession import came_first

ABRUPT_S = 2.0 * 3600.0
# What begins within so long after a repair may come from it (own choice).
AFTER_SERVICE_S = 7.0 * 86400.0
# A detector's onset may lie a little before the repair that caused it: it is dated by windows and gates.
BEFORE_SERVICE_S = 3600.0
# So long after a repair a symptom that stood before it must still stand to count again (own choice): a day's driving,
# since detectors gather hours of steady driving before they end what they have raised.
CONFIRM_S = 24.0 * 3600.0
_DRY_GEARS = ("mesh", "source-gear-mesh", "rms", "kurtosis")
_HEAT = ("lube-", "heat-", "warms-", "hotter-than-partner", "colder-than-partner", "forward-hotter", "rear-hotter")
# What a repair may end, though the detector's record of it is kept: by the word for what was touched, the beginnings of
# keys and of vibration lines. Common practice, no published source: gears that run dry are loud and hot (a bearing's
# defect stays one in fresh lube, so its lines are not among these); a height out of set bends the joints; a dragging
# brake or a tyre heats the axle; a driveshaft that shakes raises the sum.
_MAY_END: dict[str, tuple[str, ...]] = {
    "lube": _DRY_GEARS,
    "pinion-seal": _DRY_GEARS + _HEAT,
    "output-seal": _DRY_GEARS + _HEAT,
    "carrier-joint": _DRY_GEARS + _HEAT,
    "breather": (*_HEAT, "sump-pressure"),
    "height-valve": ("driveshaft", "source-joint-angle", "rms"),
    "air-spring": ("driveshaft", "source-joint-angle", "rms"),
    "driveshaft": ("rms",),
    "joint": ("rms",),
    "centre-bearing": ("rms",),
    "wheel-or-tyre": ("rms", *_HEAT),
    "brake": ("rms", *_HEAT),
    "gear-set": _HEAT,
    "bearing": _HEAT,
}
# A lean or a difference to the partner falls with any of its sensors; other symptoms only with all of them.
_AGAINST_PARTNER = frozenset(
    {"hotter-than-partner", "colder-than-partner", "partner-left-model", "forward-hotter", "rear-hotter"}
)
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
    sensor cannot be believed. ``services``: time and touched parts of each recorded repair. ``time_s``: event time of
    the look, infinity for "long after every repair".
    """

    standing: Mapping[str, Standing]
    observable: frozenset[str]
    faulty: frozenset[str]
    services: Sequence[tuple[float, frozenset[str]]] = ()
    time_s: float = math.inf


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


def counts_again_s(symptom: Symptom, services: Sequence[tuple[float, frozenset[str]]]) -> float:
    """Return when a symptom counts although repairs since its latest event may have ended it; -infinity if none may.

    Examples
    --------
    >>> mesh = Symptom(0, 1000.0, "order-high", "vib/order/mesh-1", 1, 900.0, 3.0, 2.0, "", 1.0)
    >>> counts_again_s(mesh, [(2000.0, frozenset({"lube"}))]) == 2000.0 + CONFIRM_S
    True
    """
    line = "" if symptom.key.startswith("source-") else symptom.key.rsplit("/", 1)[-1]
    return max(
        (
            time_s + CONFIRM_S
            for time_s, touched in services
            if symptom.time_s <= time_s
            and any(name.startswith(_MAY_END.get(word, ("-",))) for word in touched for name in (symptom.key, line))
        ),
        default=-math.inf,
    )


def outdated(symptom: Symptom, own: AxleView) -> bool:
    """Return whether a symptom is older than a repair that may have ended it, and has not been seen or stayed since."""
    recent = [entry for entry in own.services if entry[0] <= own.time_s]
    return counts_again_s(symptom, recent) > own.time_s


def seen(knowledge: Knowledge, own: AxleView, partner: AxleView | None) -> dict[str, bool]:
    """Return the evidence that stands (True) or could be seen and does not (False); the unknown is left out.

    One more entry, "lines-coincide", says that raised lines can't be told apart; see :func:`case.case_of`.
    """
    believed = {
        key
        for key, entry in own.standing.items()
        if not (rests_on_faulty(entry.symptom, own, partner) or outdated(entry.symptom, own))
    }
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
    if COINCIDE in believed:
        result[COINCIDE] = True
    return result


def due(knowledge: Knowledge, own: AxleView, evidence: Mapping[str, bool]) -> dict[str, bool]:
    """Return evidence without the absence that tells nothing yet.

    That is of what may take longer to show than the onset is old, and of every source while none is named: where no
    line is raised, or none can be told apart yet, nothing is said of sources at all.

    Parameters
    ----------
    evidence : mapping of str to bool
        Of :func:`seen`.
    """
    begun_s = onset_s(knowledge, own.standing)
    age_h = math.inf if begun_s is None else max(own.time_s - begun_s, 0.0) / 3600.0
    named = any(stands for name, stands in evidence.items() if name.startswith(SOURCES))
    return {
        name: stands
        for name, stands in evidence.items()
        if stands or (age_h >= knowledge.evidence[name].takes_h and (named or not name.startswith(SOURCES)))
    }


def onset_s(knowledge: Knowledge, standing: Mapping[str, Standing]) -> float | None:
    """Return when the first began of what stands and is of the evidence that takes its time; None if nothing does.

    Sensors' own troubles tell nothing of when the axle's began.
    """
    return min(
        (
            entry.symptom.since_s
            for key, entry in standing.items()
            if not key.startswith("sensor-") and knowledge.takes_s(key) > 0.0
        ),
        default=None,
    )


def silence_tells_s(knowledge: Knowledge, standing: Mapping[str, Standing]) -> list[float]:
    """Return the times from which on the absence of more evidence counts, see :func:`due`."""
    begun_s = onset_s(knowledge, standing)
    return [] if begun_s is None else [begun_s + wait_s for wait_s in knowledge.waits_s]


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
    if kind.derived == "came-first":
        later = [own.standing[key] for key in believed if knowledge.evidence_of(key) in kind.before]
        return came_first([entry.symptom for entry in relevant], [entry.symptom for entry in later])
    if kind.derived == "partner-above-model":
        return _partner_hot(partner) if "lube-above-model" in believed else None
    if kind.derived == "abrupt-shaking":
        # What has crept for days may cross a second limit within the hour: the first to be told tells.
        return _abrupt([min(relevant, key=lambda entry: entry.raised_s)], CREPT_S)
    if kind.derived == "abrupt-noise":
        # What wears is heard on one line before the others, and that one comes slowly.
        return _abrupt([min(relevant, key=lambda entry: entry.symptom.since_s)])
    return _after_service(kind, relevant, own) if kind.derived == "after-service" else _abrupt(relevant)


def _abrupt(relevant: Sequence[Standing], within_s: float = ABRUPT_S) -> bool:
    # The steeper of two answers to the same change tells: a slow one may have waited for a cold start.
    return any(entry.raised_s - entry.symptom.since_s < within_s for entry in relevant)


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
