"""What follows from a posterior: the next best check, the leak path as a second answer, contradictions."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import msgspec
import numpy as np
from numpy.typing import NDArray

from axlewright_models.reliability.information import information_bits
from axlewright_models.shop import CHECKS
from axlewright_server.diagnosis.case import EXPLAINS_RATIO, counted, path_likelihood
from axlewright_server.diagnosis.facts import DRY, NONE, Knowledge
from axlewright_server.diagnosis.posterior import Finding

Floats = NDArray[np.float64]
CHECKS_SHOWN = 3
OUTCOMES_SHOWN = 3
# A check that is expected to tell less is not worth the walk (own choice). [bit]
LEAST_BITS = 0.03
# What is so much less likely under a hypothesis than the best one makes it, may be left unexplained by it.
CONTRADICTS_RATIO = 0.1


class Expected(msgspec.Struct, frozen=True):
    """One outcome of a check not yet made: how likely it is, and the cause that would then lead."""

    outcome: str
    title: str
    chance: float
    cause: str
    cause_title: str
    probability: float


class NextCheck(msgspec.Struct, frozen=True):
    """A check not yet made: expected information about the cause [bit], minutes, and what each outcome would mean."""

    id: str
    title: str
    bits: float
    minutes: float
    minutes_source: str
    expected: list[Expected]


class PathShare(msgspec.Struct, frozen=True):
    """One leak path: the chance that lube leaves there now, and that it will if nothing is done."""

    id: str
    title: str
    leaks_now: float
    left_alone: float


class FoundHere(msgspec.Struct, frozen=True):
    """A finding that was weighed."""

    check: str
    outcome: str
    title: str


class Assessment(msgspec.Struct, frozen=True):
    """What the diagnosis says beside the causes.

    ``open_bits``: how much about the cause is still open (entropy of the posterior). ``contradiction``: in words, ""
    when the pieces fit together.
    """

    open_bits: float
    next_checks: list[NextCheck]
    paths: list[PathShare]
    found: list[FoundHere]
    contradiction: str = ""


def assess(knowledge: Knowledge, finding: Finding, left_alone: Mapping[str, float]) -> Assessment:
    """Return what follows from one finding; `left_alone`: the leak precursor of the axle."""
    chance = _vector(knowledge, finding)
    now = leaks_now(knowledge, chance, finding.found)
    paths = [
        PathShare(name, kind.title, _round(now[name]), _round(left_alone.get(name, 0.0)))
        for name, kind in knowledge.paths.items()
    ]
    return Assessment(
        _round(entropy_bits(chance)),
        next_checks(knowledge, chance, finding.found, finding.evidence),
        sorted(paths, key=lambda path: (-path.leaks_now, -path.left_alone, path.id)),
        [
            FoundHere(check, outcome, knowledge.checks[check].outcome[outcome].title)
            for check, outcome in finding.found.items()
        ],
        contradiction(knowledge, finding),
    )


def entropy_bits(chance: Floats) -> float:
    """Return the entropy of a distribution. [bit]

    Examples
    --------
    >>> entropy_bits(np.array([0.5, 0.25, 0.25]))
    1.5
    """
    some = chance[chance > 0.0]
    return float(-np.sum(some * np.log2(some)))


def next_checks(
    knowledge: Knowledge, chance: Floats, found: Mapping[str, str], standing: Collection[str]
) -> list[NextCheck]:
    """Return the checks not yet made that tell most about the cause per minute, the best first."""
    ranked = []
    for name, kind in knowledge.checks.items():
        if name in found:
            continue
        table = _outcome_table(knowledge, name, found, standing)
        bits = float(information_bits(chance, table.T))
        if bits >= LEAST_BITS:
            ranked.append((-bits / kind.minutes, name, bits, table))
    return [
        NextCheck(
            name,
            CHECKS[name].title,
            _round(bits),
            knowledge.checks[name].minutes,
            knowledge.checks[name].source,
            _expected(knowledge, name, chance, table),
        )
        for _, name, bits, table in sorted(ranked, key=lambda entry: entry[:2])[:CHECKS_SHOWN]
    ]


def _outcome_table(knowledge: Knowledge, check: str, found: Mapping[str, str], standing: Collection[str]) -> Floats:
    """Return the chance of each outcome under each hypothesis, what was found about paths taken into account."""
    table = knowledge.outcomes(check, standing)
    if knowledge.checks[check].about == "cause":
        return table
    joint = knowledge.path_shares * path_likelihood(knowledge, found_on_paths(knowledge, found))
    return np.asarray(joint / joint.sum(axis=1, keepdims=True) @ table)


def _expected(knowledge: Knowledge, check: str, chance: Floats, table: Floats) -> list[Expected]:
    joint = chance[:, None] * table
    outcome_chance = joint.sum(axis=0)
    expected = []
    for column, (name, outcome) in enumerate(knowledge.checks[check].outcome.items()):
        after = joint[:, column] / outcome_chance[column]
        lead = knowledge.hypotheses[int(np.argmax(after))]
        expected.append(
            Expected(
                name,
                outcome.title,
                _round(float(outcome_chance[column])),
                lead,
                knowledge.none.title if lead == NONE else knowledge.causes[lead].title,
                _round(float(after.max())),
            )
        )
    return sorted(expected, key=lambda one: (-one.chance, one.outcome))[:OUTCOMES_SHOWN]


def leaks_now(knowledge: Knowledge, chance: Floats, found: Mapping[str, str]) -> dict[str, float]:
    """Return where lube leaves the axle now: the chance of each path, and of :data:`facts.DRY`, adding up to 1.

    Parameters
    ----------
    chance : ndarray, shape (hypotheses,)
        Posterior of the causes; what the checks about paths found is already in it.
    found : mapping of str to str
        Outcome by check.
    """
    joint = knowledge.path_shares * path_likelihood(knowledge, found_on_paths(knowledge, found))
    shares = chance @ (joint / joint.sum(axis=1, keepdims=True))
    return dict(zip((DRY, *knowledge.paths), shares.tolist(), strict=True))


def found_on_paths(knowledge: Knowledge, found: Mapping[str, str]) -> dict[str, str]:
    """Return the findings of checks about the path."""
    return {check: outcome for check, outcome in found.items() if knowledge.checks[check].about == "path"}


def contradiction(knowledge: Knowledge, finding: Finding) -> str:
    """Return in words what does not fit together, "" when something listed explains all of it tolerably.

    It contradicts when every hypothesis leaves at least one piece unexplained: ten times less likely than the best
    makes it, and hardly likelier than without any fault.
    """
    logs: dict[str, Floats] = {}
    for piece in counted(finding.pieces):
        if piece.stands and piece.symptom:
            logs[" or ".join(knowledge.evidence[name].title for name in piece.names)] = piece.log
    for check, outcome in finding.found.items():
        kind = knowledge.checks[check]
        table = knowledge.outcomes(check, finding.evidence)[:, list(kind.outcome).index(outcome)]
        chance = knowledge.path_shares @ table if kind.about == "path" else table
        logs[kind.outcome[outcome].title] = np.log(chance)
    if not finding.found or len(logs) < 2:
        return ""
    names = list(logs)
    short = np.array([logs[name] - logs[name].max() for name in names])
    gained = np.array([logs[name] - logs[name][0] for name in names])
    unexplained = (short < np.log(CONTRADICTS_RATIO)) & (gained < np.log(EXPLAINS_RATIO))
    if not unexplained.any(axis=0).all():
        return _paths_contradict(knowledge, finding.found)
    lead = knowledge.number[next(iter(finding.probabilities))]
    odd = names[int(np.argmin(np.where(unexplained[:, lead], short[:, lead], 0.0)))]
    rival = int(np.argmax(logs[odd]))
    return (
        f"These do not fit together under any one listed cause: {_title(knowledge, lead)} does not explain "
        f'"{odd}", which speaks for {_title(knowledge, rival)}. Either two faults are there at once, or one finding is '
        "to be checked again, or the cause is not listed"
    )


def _paths_contradict(knowledge: Knowledge, found: Mapping[str, str]) -> str:
    paths = found_on_paths(knowledge, found)
    if len(paths) < 2:
        return ""
    columns = np.log([path_likelihood(knowledge, {check: outcome}) for check, outcome in paths.items()])
    if (columns - columns.max(axis=1, keepdims=True)).min(axis=0).max() >= np.log(CONTRADICTS_RATIO):
        return ""
    said = " and ".join(f'"{knowledge.checks[check].outcome[outcome].title}"' for check, outcome in paths.items())
    return f"These do not fit together under any one leak path: {said}. Clean the housing, drive, and look again"


def _title(knowledge: Knowledge, number: int) -> str:
    return "no listed cause" if number == 0 else f'"{knowledge.causes[knowledge.hypotheses[number]].title}"'


def _vector(knowledge: Knowledge, finding: Finding) -> Floats:
    return np.array([finding.probabilities.get(name, 0.0) for name in knowledge.hypotheses])


def _round(value: float) -> float:
    return round(value, 4)
