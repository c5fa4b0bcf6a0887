"""What is seen on one axle: standing symptoms become evidence, seen, absent or unknown."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import msgspec

from axlewright_server.detectors.base import Symptom
from axlewright_server.diagnosis.knowledge import Knowledge

ABRUPT_S = 2.0 * 3600.0
# A lean or a difference to the partner falls with any of its sensors; other symptoms only with all of them.
_NEEDS_EVERY_SENSOR = frozenset({"lean-left", "lean-right", "hotter-than-partner"})


class Standing(msgspec.Struct, frozen=True):
    """A symptom that stands: its latest event, when it was first raised, and the detector that can end it."""

    symptom: Symptom
    raised_s: float
    detector: str = ""


@dataclass(frozen=True)
class AxleView:
    """One axle as the diagnosis sees it.

    ``standing``: by symptom key. ``observable``: keys that the detectors could show by now. ``faulty``: channels whose
    sensor cannot be believed.
    """

    standing: Mapping[str, Standing]
    observable: frozenset[str]
    faulty: frozenset[str]


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
    if symptom.code == "hotter-than-partner" and partner is not None:
        failed.add("lube" in partner.faulty)
    return any(failed) if symptom.code in _NEEDS_EVERY_SENSOR else all(failed)


def seen(knowledge: Knowledge, own: AxleView, partner: AxleView | None) -> dict[str, bool]:
    """Return the evidence that stands (True) or could be seen and does not (False); the unknown is left out."""
    believed = {key for key, entry in own.standing.items() if not rests_on_faulty(entry.symptom, own, partner)}
    result: dict[str, bool] = {}
    for name, kind in knowledge.evidence.items():
        if kind.derived is not None:
            stands = _derived(kind.derived, believed, own, partner)
        elif any(key in believed for key in kind.symptoms):
            stands = True
        else:
            visible = any(key in own.observable and not _hidden(key, own, partner) for key in kind.symptoms)
            doubted = any(key in own.standing for key in kind.symptoms)
            stands = False if visible and not doubted else None
        if stands is not None:
            result[name] = stands
    return result


def _hidden(key: str, own: AxleView, partner: AxleView | None) -> bool:
    """Return whether a failed sensor keeps a symptom from being seen."""
    if key.startswith("sensor-"):
        return False
    if key == "hotter-than-partner" and partner is not None and "lube" in partner.faulty:
        return True
    if key.startswith("lube-") or key == "hotter-than-partner":
        return "lube" in own.faulty
    if "/" in key:
        return "vib/rms" in own.faulty
    return bool(own.faulty & {"height/left", "height/right"}) and key.startswith(("height", "lean", "leak"))


def _derived(what: str, believed: set[str], own: AxleView, partner: AxleView | None) -> bool | None:
    if what == "abrupt-onset":
        heat = [own.standing[key] for key in ("lube-above-model", "hotter-than-partner") if key in believed]
        # The steeper of two answers to the same heat tells: a slow one may have waited for a cold start.
        return any(entry.raised_s - entry.symptom.since_s < ABRUPT_S for entry in heat) if heat else None
    if "lube-above-model" not in believed:
        return None
    if partner is None or "lube" in partner.faulty:
        return None
    if "lube-above-model" in partner.standing:
        return True
    return False if "lube-above-model" in partner.observable else None
