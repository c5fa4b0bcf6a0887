"""The knowledge base: causes, what each shows on telemetry and in the shop, and why; data that a specialist edits.

``causes.toml`` is read and checked by ``knowledge``; this module says what it holds and turns it into arrays.
"""

from __future__ import annotations

from collections.abc import Collection
from functools import cached_property
from typing import Annotated, Literal

import msgspec
import numpy as np
from msgspec import Meta
from numpy.typing import NDArray

from axlewright_models.errors import ModelError
from axlewright_models.wire.messages import Urgency

Floats = NDArray[np.float64]
Probability = Annotated[float, Meta(gt=0.0, lt=1.0)]
Derived = Literal[
    "abrupt-onset", "partner-above-model", "abrupt-shaking", "abrupt-noise", "after-service", "came-first"
]
NONE = "none-of-these"
# What an advisory stands under whose symptoms none of the listed causes explains.
UNEXPLAINED = "unexplained"
DRY = "dry"


class KnowledgeError(ModelError):
    """The knowledge base is wrong; the text holds the path of the key."""


class Part(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of the file."""


class Likelihood(Part, frozen=True, kw_only=True):
    """How often a fault shows something, and why."""

    p: Probability
    reason: Annotated[str, Meta(min_length=10)]
    source: str = "judgement"


class EvidenceKind(Part, frozen=True, kw_only=True):
    """Something that telemetry can show: one or several symptoms, or something derived.

    ``symptoms``: keys of the detectors, "*" at the end for any rest. ``group``, ``implied_by``, ``given``: what keeps
    correlated evidence from being counted twice (see the head of ``causes.toml``). ``touched``: of "after-service".
    ``before``: of "came-first". ``takes_h``: hours after the onset that it may take to show; its absence tells nothing
    before.
    """

    title: str
    symptoms: tuple[str, ...] = ()
    derived: Derived | None = None
    group: str = ""
    implied_by: tuple[str, ...] = ()
    given: tuple[str, ...] = ()
    touched: tuple[str, ...] = ()
    before: tuple[str, ...] = ()
    takes_h: Annotated[float, Meta(ge=0.0)] = 0.0


class Outcome(Part, frozen=True, kw_only=True):
    """One outcome of a check, and how often it is found on an axle without any listed fault.

    ``instead``: another outcome by evidence: while that evidence stands, a cause that shows it (in a tenth of cases or
    more) makes this outcome the other one; what the sensors and the rule say of one thing is not independent.
    """

    title: str
    background: Probability
    instead: dict[str, str] = {}


class CheckKind(Part, frozen=True, kw_only=True):
    """What a check can find: outcomes that exclude each other; ``about``: the cause, or the path that lube takes."""

    minutes: Annotated[float, Meta(gt=0.0)]
    normal: str
    outcome: Annotated[dict[str, Outcome], Meta(min_length=2)]
    about: Literal["cause", "path"] = "cause"
    source: str = "judgement"


Found = dict[str, dict[str, Likelihood]]


class PathKind(Part, frozen=True, kw_only=True):
    """Where lube can leave the axle, and what the checks about paths find if it does."""

    title: str
    found: Found = {}


class CauseKind(Part, frozen=True, kw_only=True):
    """A fault: what it is, what it shows, and what to do about it.

    ``minimum_level``: level its symptoms must reach before anyone is told. ``escalation``: urgency once the named
    evidence stands at ``escalate_at_level``. ``leak_paths``: chance that the fault, left alone, opens each path.
    ``leaking``: chance that it leaks already when it shows. ``fails``: chance that the assembly fails within 20,000 km,
    left alone; by its urgency where not said. ``formerly``: older ids of the same cause.
    """

    title: str
    mechanism: str
    prior: Probability
    urgency: Urgency
    likelihood: dict[str, Likelihood]
    checks: Annotated[tuple[str, ...], Meta(min_length=1)]
    cautions: tuple[str, ...]
    leak_paths: dict[str, Probability]
    found: Found = {}
    leaking: Probability = 0.06
    fails: Probability | None = None
    minimum_level: Annotated[int, Meta(ge=1, le=2)] = 1
    escalation: dict[str, Urgency] = {}
    escalate_at_level: Annotated[int, Meta(ge=1, le=2)] = 2
    formerly: tuple[str, ...] = ()


class NoneOfThese(Part, frozen=True, kw_only=True):
    """The hypothesis that no listed fault is there."""

    title: str
    prior: Probability
    reason: str


class Knowledge:
    """Causes, evidence, checks and leak paths, checked against each other.

    Hypotheses are numbered: 0 is "none of these", then the causes in the file's order.
    """

    def __init__(
        self,
        none: NoneOfThese,
        background: dict[str, float],
        evidence: dict[str, EvidenceKind],
        checks: dict[str, CheckKind],
        paths: dict[str, PathKind],
        causes: dict[str, CauseKind],
    ) -> None:
        self.none = none
        self.background = background
        self.evidence = evidence
        self.checks = checks
        self.paths = paths
        self.causes = causes
        self.hypotheses = (NONE, *causes)
        self.number = {name: number for number, name in enumerate(self.hypotheses)}
        self._exact = {key: name for name, kind in evidence.items() for key in kind.symptoms if not key.endswith("*")}
        self._starts = [
            (key[:-1], name) for name, kind in evidence.items() for key in kind.symptoms if key.endswith("*")
        ]
        self._of_key: dict[str, str | None] = {}

    def evidence_of(self, key: str) -> str | None:
        """Return which evidence a symptom's key belongs to, None if to none."""
        if key not in self._of_key:
            starts = (name for start, name in self._starts if key.startswith(start))
            self._of_key[key] = self._exact[key] if key in self._exact else next(starts, None)
        return self._of_key[key]

    def takes_s(self, key: str) -> float:
        """Return how long after its onset a symptom may take to show, 0 where the file does not say. [s]"""
        name = self.evidence_of(key)
        return 0.0 if name is None else self.evidence[name].takes_h * 3600.0

    @cached_property
    def waits_s(self) -> tuple[float, ...]:
        """Times after an onset at which the absence of some evidence begins to tell, ascending. [s]"""
        return tuple(sorted({kind.takes_h * 3600.0 for kind in self.evidence.values() if kind.takes_h > 0.0}))

    def current(self, cause: str) -> str:
        """Return today's id of a cause that may have been stored under an older one."""
        return self._renamed.get(cause, cause)

    @cached_property
    def _renamed(self) -> dict[str, str]:
        return {old: name for name, kind in self.causes.items() for old in kind.formerly}

    def likelihood(self, cause: str, evidence: str) -> float:
        """Return the chance of seeing the evidence under a cause; its background where the cause does not say."""
        entry = None if cause == NONE else self.causes[cause].likelihood.get(evidence)
        return entry.p if entry is not None else self.background[evidence]

    @cached_property
    def log_prior(self) -> Floats:
        """Logarithm of each hypothesis's prior, (hypotheses,)."""
        return np.log([self.none.prior, *(kind.prior for kind in self.causes.values())])

    @cached_property
    def log_present(self) -> dict[str, Floats]:
        """Logarithm of the chance that each piece of evidence stands, (hypotheses,) each."""
        return {name: np.log([self.likelihood(one, name) for one in self.hypotheses]) for name in self.evidence}

    @cached_property
    def log_absent(self) -> dict[str, Floats]:
        """Logarithm of the chance that each piece of evidence does not stand, (hypotheses,) each."""
        return {name: np.log1p(-np.exp(column)) for name, column in self.log_present.items()}

    @cached_property
    def path_names(self) -> tuple[str, ...]:
        """What the lube may do now: nothing (:data:`DRY`), or leave by one path."""
        return (DRY, *self.paths)

    @cached_property
    def path_shares(self) -> Floats:
        """Chance of each of :attr:`path_names` now, under each hypothesis, (hypotheses, paths + 1); rows add to 1."""
        shares = np.zeros((len(self.hypotheses), len(self.path_names)))
        # An axle without any of the faults leaks as often as the leak check finds it on such an axle.
        own = [self._background_of_path(name) for name in self.paths]
        shares[0] = [1.0 - sum(own), *own]
        for row, kind in enumerate(self.causes.values(), start=1):
            chances = np.array([kind.leak_paths.get(name, 0.0) for name in self.paths])
            total = chances.sum()
            shares[row] = shares[0] if total == 0.0 else [1.0 - kind.leaking, *(kind.leaking * chances / total)]
        return shares

    def _background_of_path(self, path: str) -> float:
        outcomes = [
            kind.outcome[path] for kind in self.checks.values() if kind.about == "path" and path in kind.outcome
        ]
        return outcomes[0].background if outcomes else 1e-3

    @cached_property
    def outcome_chances(self) -> dict[str, Floats]:
        """Chance of each outcome of each check: (hypotheses, outcomes), or (paths + 1, outcomes) if about paths."""
        tables = {}
        for name, check in self.checks.items():
            if check.about == "path":
                given = [{}, *(kind.found.get(name, {}) for kind in self.paths.values())]
            else:
                given = [{}, *(kind.found.get(name, {}) for kind in self.causes.values())]
            tables[name] = np.array([outcome_row(check, entries) for entries in given])
        return tables

    def outcomes(self, check: str, standing: Collection[str] = ()) -> Floats:
        """Return :attr:`outcome_chances` of a check, given the evidence that stands."""
        table = self.outcome_chances[check]
        names = list(self.checks[check].outcome)
        for column, outcome in enumerate(self.checks[check].outcome.values()):
            for evidence in standing:
                if evidence in outcome.instead:
                    shows = np.exp(self.log_present[evidence]) >= _SHOWS
                    moved = np.where(shows, (1.0 - _STAYS) * table[:, column], 0.0)
                    table = table.copy()
                    table[:, column] -= moved
                    table[:, names.index(outcome.instead[evidence])] += moved
        return table


_SHOWS, _STAYS = 0.1, 0.02


def outcome_row(check: CheckKind, entries: dict[str, Likelihood]) -> list[float]:
    """Return the chance of each outcome: what the entries say, the rest in proportion to the backgrounds."""
    left = 1.0 - sum(entry.p for entry in entries.values())
    share = sum(outcome.background for name, outcome in check.outcome.items() if name not in entries)
    return [
        entries[name].p if name in entries else left * outcome.background / share
        for name, outcome in check.outcome.items()
    ]
