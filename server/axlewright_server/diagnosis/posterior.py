"""Exact posterior over causes: one fault per picture, and as many pictures as the symptoms need.

Within a picture the faults exclude each other and pieces of evidence are independent given the fault, so Bayes' rule
can be summed exactly over all causes and "none of these". Two faults at once are told apart one after the other: what
the leading cause explains is set aside, and the rest is looked at again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from axlewright_server.diagnosis.knowledge import Knowledge

NONE = "none-of-these"
# A cause explains what it makes this many times as likely as it is without any fault.
EXPLAINS_RATIO = 5.0


@dataclass(frozen=True)
class Finding:
    """One picture: the evidence that belongs together, and the causes' probabilities in falling order.

    ``evidence``: what stands and is explained by the leading cause. ``absent``: what could be seen and is not.
    """

    cause: str
    probabilities: dict[str, float]
    evidence: tuple[str, ...]
    absent: tuple[str, ...]

    @property
    def probability(self) -> float:
        """Return the leading cause's probability."""
        return self.probabilities[self.cause]


def posterior(
    knowledge: Knowledge, seen: Mapping[str, bool], exclude: frozenset[str] = frozenset()
) -> dict[str, float]:
    """Return the probability of each cause and of :data:`NONE`, in falling order.

    Parameters
    ----------
    knowledge : Knowledge
    seen : mapping of str to bool
        Evidence that stands (True) or could be seen and does not (False); what is unknown is left out.
    exclude : frozenset of str
        Causes not considered.

    Examples
    --------
    >>> from axlewright_server.diagnosis.knowledge import load_knowledge
    >>> probabilities = posterior(load_knowledge(), {"driveshaft-1": True, "driveshaft-2": False})
    >>> next(iter(probabilities))
    'driveshaft-unbalance'
    """
    logs = {cause: _weight(knowledge, cause, seen) for cause in (NONE, *knowledge.causes) if cause not in exclude}
    top = max(logs.values())
    weights = {cause: math.exp(value - top) for cause, value in logs.items()}
    total = math.fsum(weights.values())
    # Equal probabilities are ordered by name, so that the order never hangs on the file's.
    ordered = sorted(weights, key=lambda cause: (-weights[cause], cause))
    return {cause: weights[cause] / total for cause in ordered}


def diagnose(knowledge: Knowledge, seen: Mapping[str, bool]) -> list[Finding]:
    """Return one finding per picture that the standing evidence needs, the clearest first.

    A finding whose cause is :data:`NONE` holds what no listed cause explains better than chance does; it comes last.
    """
    open_evidence = {name for name, stands in seen.items() if stands and knowledge.evidence[name].symptoms}
    findings: list[Finding] = []
    taken: frozenset[str] = frozenset()
    while open_evidence:
        cause = _leader(knowledge, seen, open_evidence, taken)
        explained = open_evidence if cause == NONE else _explained(knowledge, cause, open_evidence)
        if not explained:
            cause, explained = NONE, open_evidence
        picture = _picture(knowledge, seen, explained)
        probabilities = posterior(knowledge, picture, taken)
        absent = tuple(name for name, stands in picture.items() if not stands)
        findings.append(Finding(cause, probabilities, tuple(sorted(explained)), absent))
        taken = taken | {cause}
        open_evidence = open_evidence - explained
    return findings


def _leader(knowledge: Knowledge, seen: Mapping[str, bool], present: set[str], taken: frozenset[str]) -> str:
    """Return the cause that leads on what it explains, when chance or one more fault has to explain the rest."""
    best, best_score = NONE, -math.inf
    for cause in sorted(set(knowledge.causes) - taken):
        explained = _explained(knowledge, cause, present)
        if not explained:
            continue
        picture = _picture(knowledge, seen, explained)
        probabilities = posterior(knowledge, picture, taken)
        rest = present - explained
        score = _weight(knowledge, cause, picture) + (_rest(knowledge, seen, rest, taken | {cause}) if rest else 0.0)
        if probabilities[cause] > probabilities[NONE] and score > best_score:
            best, best_score = cause, score
    return best


def _rest(knowledge: Knowledge, seen: Mapping[str, bool], rest: set[str], taken: frozenset[str]) -> float:
    """Return the logarithm of the best that chance or one further fault makes of the rest."""
    picture = _picture(knowledge, seen, rest)
    none = math.log(knowledge.none.prior)
    others = (NONE, *(cause for cause in knowledge.causes if cause not in taken))
    return max(_weight(knowledge, cause, picture) for cause in others) - none


def _weight(knowledge: Knowledge, cause: str, seen: Mapping[str, bool]) -> float:
    """Return the logarithm of prior times likelihood."""
    total = math.log(knowledge.none.prior if cause == NONE else knowledge.causes[cause].prior)
    for evidence, stands in seen.items():
        p = knowledge.evidence[evidence].background if cause == NONE else knowledge.likelihood(cause, evidence)
        total += math.log(p if stands else 1.0 - p)
    return total


def _explained(knowledge: Knowledge, cause: str, present: set[str]) -> set[str]:
    return {
        name
        for name in present
        if knowledge.likelihood(cause, name) >= EXPLAINS_RATIO * knowledge.evidence[name].background
    }


def _picture(knowledge: Knowledge, seen: Mapping[str, bool], explained: set[str]) -> dict[str, bool]:
    """Return what speaks for or against a picture: its own evidence, what is derived from it, what is absent."""
    about_heat = bool({"lube-above-model", "hotter-than-partner"} & explained)
    return {
        name: stands
        for name, stands in seen.items()
        if name in explained or not stands or (knowledge.evidence[name].derived is not None and about_heat)
    }
