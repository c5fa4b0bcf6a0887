"""Exact posterior over causes: one fault per picture, and as many pictures as the symptoms need.

Within a picture the faults exclude each other and the pieces that count are independent given the fault, so Bayes' rule
can be summed exactly over all causes and "none of these". Two faults at once are told apart one after the other: what
the leading cause explains is set aside, and the rest is looked at again. What a technician found counts in every
picture until a leading cause has explained it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from axlewright_server.diagnosis.case import Case, Piece, case_of
from axlewright_server.diagnosis.facts import NONE, Knowledge

__all__ = ["NONE", "Finding", "diagnose", "posterior"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Finding:
    """One picture: the evidence that belongs together, and the causes' probabilities in falling order.

    ``evidence``: what stands and is explained by the leading cause. ``absent``: what could be seen and is not.
    ``pieces``: all that was weighed, findings included. ``found``: outcome by check, as far as it counts here.
    """

    cause: str
    probabilities: dict[str, float]
    evidence: tuple[str, ...]
    absent: tuple[str, ...]
    pieces: tuple[Piece, ...] = field(default=(), repr=False, compare=False)
    found: Mapping[str, str] = field(default_factory=dict)

    @property
    def probability(self) -> float:
        """Return the leading cause's probability."""
        return self.probabilities[self.cause]


def posterior(
    knowledge: Knowledge,
    seen: Mapping[str, bool],
    exclude: frozenset[str] = frozenset(),
    found: Mapping[str, str] | None = None,
) -> dict[str, float]:
    """Return the probability of each cause and of :data:`NONE`, in falling order.

    Parameters
    ----------
    knowledge : Knowledge
    seen : mapping of str to bool
        Evidence that stands (True) or could be seen and does not (False); what is unknown is left out.
    exclude : frozenset of str
        Causes not considered.
    found : mapping of str to str
        Outcome by check of the shop.

    Examples
    --------
    >>> from axlewright_server.diagnosis.knowledge import load_knowledge
    >>> probabilities = posterior(load_knowledge(), {"driveshaft-1": True, "driveshaft-2": False})
    >>> next(iter(probabilities))
    'driveshaft-unbalance'
    >>> probabilities = posterior(load_knowledge(), {"driveshaft-1": True}, found={"yoke-by-hand": "moves"})
    >>> next(iter(probabilities))
    'worn-yoke-or-splines'
    """
    case = case_of(knowledge, seen, found)
    return _shares(case, case.pieces, exclude)


def diagnose(knowledge: Knowledge, seen: Mapping[str, bool], found: Mapping[str, str] | None = None) -> list[Finding]:
    """Return one finding per picture that the standing symptoms need, the clearest first.

    A finding whose cause is :data:`NONE` holds what no listed cause explains better than chance does; it comes last.
    """
    case = case_of(knowledge, seen, found)
    left = [piece for piece in case.pieces if piece.stands and (piece.symptom or piece.finding)]
    rest = [piece for piece in case.pieces if not (piece.stands and (piece.symptom or piece.finding))]
    findings: list[Finding] = []
    taken: frozenset[str] = frozenset()
    while any(piece.symptom for piece in left):
        cause = _leader(case, left, rest, taken)
        own = [piece for piece in left if cause == NONE or case.explained(piece, cause)]
        if not any(piece.symptom for piece in own):
            cause, own = NONE, left
        own += [piece for piece in left if piece not in own and piece.implied_by & _names(own)]
        findings.append(_finding(case, cause, own, left, rest, taken))
        taken |= {cause}
        left = [piece for piece in left if piece not in own]
    return findings


def _finding(
    case: Case, cause: str, own: list[Piece], left: list[Piece], rest: list[Piece], taken: frozenset[str]
) -> Finding:
    picture = [*own, *(piece for piece in left if piece.finding and piece not in own), *rest]
    names = _names(own)
    beside = [piece for piece in rest if piece.stands and piece.given & names]
    evidence = sorted(name for piece in [*own, *beside] if not piece.finding for name in piece.names)
    absent = [
        name
        for piece in rest
        if not (piece.stands or piece.finding) and (not piece.given or piece.given & names)
        for name in piece.names
    ]
    found = dict(name.split("=") for piece in picture if piece.finding for name in piece.names)
    return Finding(cause, _shares(case, picture, taken), tuple(evidence), tuple(absent), tuple(picture), found)


def _shares(case: Case, pieces: Collection[Piece], exclude: frozenset[str]) -> dict[str, float]:
    weights = case.weights(pieces)
    names = [name for name in case.knowledge.hypotheses if name not in exclude]
    logs = {name: float(weights[case.knowledge.number[name]]) for name in names}
    top = max(logs.values())
    shares = {name: math.exp(value - top) for name, value in logs.items()}
    total = math.fsum(shares.values())
    # Equal probabilities are ordered by name, so that the order never hangs on the file's.
    return {name: shares[name] / total for name in sorted(shares, key=lambda name: (-shares[name], name))}


def _leader(case: Case, left: list[Piece], rest: list[Piece], taken: frozenset[str]) -> str:
    """Return the cause that leads on what it explains, when chance or one more fault has to explain the rest."""
    best, best_score = NONE, -math.inf
    for cause in sorted(set(case.knowledge.causes) - taken):
        own = [piece for piece in left if case.explained(piece, cause)]
        if not any(piece.symptom for piece in own):
            continue
        weights = case.weights([*own, *rest])
        weight = float(weights[case.knowledge.number[cause]])
        others = [piece for piece in left if piece not in own and not piece.implied_by & _names(own)]
        score = weight + (_rest(case, others, rest, taken | {cause}) if others else 0.0)
        if weight > weights[0] and score > best_score:
            best, best_score = cause, score
    return best


def _rest(case: Case, left: list[Piece], rest: list[Piece], taken: frozenset[str]) -> float:
    """Return the logarithm of the best that chance or one further fault makes of what is left."""
    weights = case.weights([*left, *(piece for piece in rest if not piece.finding)])
    allowed = [number for name, number in case.knowledge.number.items() if name not in taken]
    return float(weights[allowed].max() - case.knowledge.log_prior[0])


def _names(pieces: Collection[Piece]) -> set[str]:
    return {name for piece in pieces for name in piece.names}
