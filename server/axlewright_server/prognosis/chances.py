"""Chance of a leak, and of a failed assembly, over the next kilometres: the diagnosis times hazard, and wear-out.

Each cause, left alone, opens each leak path (``leak_paths``) and fails the assembly (``fails``) with a chance that is
meant over :data:`MEANT_KM`; over other distances it is taken as a constant hazard, but for causes that want the truck
stopped at once: what they do they do within :data:`SUDDEN_KM` or so. An axle without any fault leaks and
fails as its kind does (Weibull lives), the seal's sooner the more of its life heat has used.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import msgspec
import numpy as np

from axlewright_models.reliability.weibull import Weibull
from axlewright_server.diagnosis.facts import CauseKind, Knowledge

DISTANCES_KM = (1_000.0, 5_000.0, 20_000.0)
# The distance over which a specialist means "left alone" in causes.toml (own choice).
MEANT_KM = 20_000.0
# Lives of an axle without any listed fault (own choices, no published figures): until it leaks somewhere, until the
# assembly fails. Its age is not known as a rule: then the mean over all ages of a fleet is meant.
LEAK_LIFE = Weibull(scale=900_000.0, shape=1.6)
FAILURE_LIFE = Weibull(scale=1_600_000.0, shape=2.0)
# Chance over MEANT_KM that the assembly fails, where the knowledge base does not say: by urgency (own choices).
FAILS_BY_URGENCY = {"stop-safely-now": 0.9, "within-a-day": 0.15, "next-service": 0.03}
# A sudden loss of lube ruins a gear set within tens of kilometres or not at all: mean distance, own choice.
SUDDEN_KM = 200.0
_AGES = 24


class Chance(msgspec.Struct, frozen=True):
    """Chance of a leak and of a failure within a distance, if nothing is done."""

    distance_km: float
    leak: float
    failure: float


class Chances(msgspec.Struct, frozen=True):
    """Chances over :data:`DISTANCES_KM`, and of what they are made: judgement until measured against outcomes."""

    ahead: list[Chance]
    leaks_already: float
    basis: str


def chances(
    knowledge: Knowledge,
    causes: Sequence[Mapping[str, float]],
    paths: Mapping[str, float],
    seal_used: float | None = None,
) -> Chances:
    """Return the chances of a leak and of a failure.

    Parameters
    ----------
    causes : sequence of mappings of str to float
        Chance of each cause by each standing advisory: within one they exclude each other, several are separate faults.
    paths : mapping of str to float
        Chance of each path that lube leaves there now.
    seal_used : float, optional
        Share of the pinion seal's expected life that heat has used; None where it is not known.

    Examples
    --------
    >>> from axlewright_server.diagnosis.knowledge import load_knowledge
    >>> knowledge = load_knowledge()
    >>> quiet, bad = (chances(knowledge, causes, {}).ahead for causes in ([], [{"blocked-breather": 1.0}]))
    >>> quiet[0].leak < quiet[2].leak < bad[2].leak
    True
    """
    already = 1.0 - math.prod(1.0 - min(max(share, 0.0), 1.0) for share in paths.values())
    ahead = []
    for distance in DISTANCES_KM:
        tight = (1.0 - already) * _survives(LEAK_LIFE, distance, _hazard_ratio(seal_used))
        whole = _survives(FAILURE_LIFE, distance, 1.0)
        for picture in causes:
            known = {name: chance for name, chance in picture.items() if name in knowledge.causes}
            kinds = [(knowledge.causes[name], chance) for name, chance in known.items()]
            tight *= 1.0 - sum(p * _within(_leaks(kind), distance, kind) for kind, p in kinds)
            whole *= 1.0 - sum(p * _within(_fails(kind), distance, kind) for kind, p in kinds)
        ahead.append(Chance(distance, round(1.0 - tight, 5), round(1.0 - whole, 5)))
    basis = "judgement of causes and lives; chances of failure held against simulated failures only"
    return Chances(ahead, round(already, 4), basis)


def _within(chance: float, distance_km: float, kind: CauseKind) -> float:
    """Return a chance meant over MEANT_KM for another distance: at constant hazard, or soon if at all."""
    if kind.urgency == "stop-safely-now":
        return chance * math.expm1(-distance_km / SUDDEN_KM) / math.expm1(-MEANT_KM / SUDDEN_KM)
    return float(1.0 - (1.0 - chance) ** (distance_km / MEANT_KM))


def _leaks(kind: CauseKind) -> float:
    return 1.0 - math.prod(1.0 - p for p in kind.leak_paths.values())


def _fails(kind: CauseKind) -> float:
    return kind.fails if kind.fails is not None else FAILS_BY_URGENCY[kind.urgency]


def _survives(life: Weibull, distance_km: float, ratio: float) -> float:
    """Return the chance to go a distance from an age that is not known: the mean over ages up to the life's scale."""
    ages = life.scale * (np.arange(_AGES) + 0.5) / _AGES
    return float(np.mean(life.survival_from(ages, distance_km, ratio)))


def _hazard_ratio(seal_used: float | None) -> float:
    """Return how much likelier a leak is than on the average axle: a seal that heat has used up leaks sooner."""
    return 1.0 if seal_used is None else float(np.clip(2.0 * seal_used, 0.2, 5.0))
