"""One axle's case: everything known of it, each piece as the logarithm of its chance under every hypothesis.

Nothing is counted twice. Pieces of one ``group`` tell the same thing: of those that stand only the most telling one
counts, and while one stands the absence of the others says nothing. A piece that is ``implied_by`` another that stands
is shown, not counted. A piece with ``given`` is asked only beside what it is given; its likelihood is conditional.
Lines that coincide in every gear seen are one piece: it stands if any of the sources behind it is there.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from axlewright_server.diagnosis.facts import Knowledge

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
# Evidence of one line each: what a coincidence of lines makes one.
LINES = ("wheel-orders", "driveshaft-1", "driveshaft-2", "engine-orders", "mesh-orders")
SOURCES = "source-"
COINCIDE = "lines-coincide"
# A cause explains what it makes this many times as likely as it is without any fault.
EXPLAINS_RATIO = 5.0


@dataclass(frozen=True, eq=False)
class Piece:
    """One piece of a case.

    ``names``: evidence, or "check=outcome"; several where they are one. ``log``: (hypotheses,). ``stands``: seen, or an
    outcome that is not the normal one. ``symptom``: rests on a symptom of its own, so that it may call for an advisory.
    """

    names: tuple[str, ...]
    log: Floats
    stands: bool
    symptom: bool = False
    finding: bool = False
    group: str = ""
    given: frozenset[str] = frozenset()
    implied_by: frozenset[str] = frozenset()

    @property
    def telling(self) -> float:
        """Return how much it tells at most: the greatest departure from "none of these"."""
        return float(np.max(np.abs(self.log - self.log[0])))


@dataclass(frozen=True)
class Case:
    """The pieces known of one axle, and the logarithm of the hypotheses' priors."""

    knowledge: Knowledge
    pieces: tuple[Piece, ...]
    found: Mapping[str, str] = field(default_factory=dict)

    def explained(self, piece: Piece, cause: str) -> bool:
        """Return whether a cause explains a piece: makes it so much likelier than no fault does."""
        number = self.knowledge.number[cause]
        return bool(piece.log[number] - piece.log[0] >= np.log(EXPLAINS_RATIO))

    def weights(self, pieces: Iterable[Piece]) -> Floats:
        """Return the logarithm of prior times likelihood of what counts among these pieces, (hypotheses,)."""
        total = self.knowledge.log_prior.copy()
        for piece in counted(pieces):
            total += piece.log
        return total


def counted(pieces: Iterable[Piece]) -> list[Piece]:
    """Return the pieces that count: no group twice, nothing that another one implies, nothing without its given."""
    listed = list(pieces)
    standing = {name for piece in listed if piece.stands for name in piece.names}
    kept: list[Piece] = []
    groups: dict[str, list[Piece]] = {}
    for piece in listed:
        if piece.given and not piece.given & standing:
            continue
        if piece.stands and piece.implied_by & standing:
            continue
        if piece.group:
            groups.setdefault(piece.group, []).append(piece)
        else:
            kept.append(piece)
    for members in groups.values():
        told = [piece for piece in members if piece.stands] or members
        kept.append(max(told, key=lambda piece: (piece.telling, piece.names)))
    return kept


def case_of(knowledge: Knowledge, seen: Mapping[str, bool], found: Mapping[str, str] | None = None) -> Case:
    """Return the case of what telemetry shows and what the shop found.

    Parameters
    ----------
    knowledge : Knowledge
    seen : mapping of str to bool
        Evidence that stands (True) or could be seen and does not (False); what is unknown is left out.
        "lines-coincide" is no evidence of a cause: it says that lines can't be told apart.
    found : mapping of str to str
        Outcome by check. Checks that the knowledge base does not list tell nothing of the cause.
    """
    outcomes = {check: outcome for check, outcome in (found or {}).items() if check in knowledge.checks}
    evidence = dict(seen)
    merged = [name for name in LINES if evidence.get(name)] if evidence.pop(COINCIDE, False) else []
    pieces = [
        _piece(knowledge, name, stands)
        for name, stands in evidence.items()
        if not (len(merged) > 1 and (name in merged or name.startswith(SOURCES)))
    ]
    if len(merged) > 1:
        silent = np.sum([knowledge.log_absent[name] for name in merged], axis=0)
        pieces.append(Piece(tuple(merged), np.log(-np.expm1(silent)), True, symptom=True))
    pieces += _findings(knowledge, outcomes, {name for name, stands in seen.items() if stands})
    return Case(knowledge, tuple(pieces), outcomes)


def _piece(knowledge: Knowledge, name: str, stands: bool) -> Piece:
    kind = knowledge.evidence[name]
    return Piece(
        (name,),
        (knowledge.log_present if stands else knowledge.log_absent)[name],
        stands,
        symptom=bool(kind.symptoms) and not kind.given,
        group=kind.group,
        given=frozenset(kind.given),
        implied_by=frozenset(kind.implied_by),
    )


def _findings(knowledge: Knowledge, found: Mapping[str, str], standing: set[str]) -> list[Piece]:
    pieces = []
    on_path: dict[str, str] = {}
    for check, outcome in found.items():
        kind = knowledge.checks[check]
        if kind.about == "path":
            on_path[check] = outcome
            continue
        column = list(kind.outcome).index(outcome)
        log = np.log(knowledge.outcomes(check, standing)[:, column])
        pieces.append(Piece((f"{check}={outcome}",), log, outcome != kind.normal, finding=True))
    if on_path:
        # What checks about the path say goes together: they look at the same lube.
        chance = np.log(knowledge.path_shares @ path_likelihood(knowledge, on_path))
        names = tuple(f"{check}={outcome}" for check, outcome in on_path.items())
        stands = any(outcome != knowledge.checks[check].normal for check, outcome in on_path.items())
        pieces.append(Piece(names, chance, stands, finding=True))
    return pieces


def path_likelihood(knowledge: Knowledge, found: Mapping[str, str]) -> Floats:
    """Return the chance of what the checks about paths found, given each of ``knowledge.path_names``."""
    chance = np.ones(len(knowledge.path_names))
    for check, outcome in found.items():
        kind = knowledge.checks[check]
        if kind.about == "path":
            chance = chance * knowledge.outcome_chances[check][:, list(kind.outcome).index(outcome)]
    return chance
