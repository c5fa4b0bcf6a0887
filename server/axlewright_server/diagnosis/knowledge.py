"""The knowledge base: causes, what each shows, and why; read from ``causes.toml`` and checked when loaded."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from functools import cached_property
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

import msgspec
from msgspec import Meta

from axlewright_models.errors import ModelError
from axlewright_models.shop import CAUTIONS, CHECKS
from axlewright_models.wire.messages import Urgency

Probability = Annotated[float, Meta(gt=0.0, lt=1.0)]
Derived = Literal["abrupt-onset", "partner-above-model"]
LEAK_PATHS = (
    "pinion-seal",
    "output-shaft-seal",
    "carrier-joint",
    "adjusting-ring-or-cover",
    "wheel-end-seal",
    "breather",
)


class KnowledgeError(ModelError):
    """The knowledge base is wrong; the text holds the path of the key."""


class _Part(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A table of the file."""


Part = TypeVar("Part", bound=_Part)


class Likelihood(_Part, frozen=True, kw_only=True):
    """How often a fault shows a symptom, and why."""

    p: Probability
    reason: Annotated[str, Meta(min_length=10)]
    source: str = "judgement"


class EvidenceKind(_Part, frozen=True, kw_only=True):
    """Something that can be seen: one or several symptoms, or something derived from them."""

    title: str
    background: Probability
    symptoms: tuple[str, ...] = ()
    derived: Derived | None = None


class CauseKind(_Part, frozen=True, kw_only=True):
    """A fault: what it is, what it shows, and what to do about it.

    ``minimum_level``: level its symptoms must reach before anyone is told. ``escalation``: urgency once the named
    evidence stands at ``escalate_at_level``. ``leak_paths``: chance that the fault, left alone, opens each path.
    """

    title: str
    mechanism: str
    prior: Probability
    urgency: Urgency
    likelihood: dict[str, Likelihood]
    checks: Annotated[tuple[str, ...], Meta(min_length=1)]
    cautions: tuple[str, ...]
    leak_paths: dict[str, Probability]
    minimum_level: Annotated[int, Meta(ge=1, le=2)] = 1
    escalation: dict[str, Urgency] = {}
    escalate_at_level: Annotated[int, Meta(ge=1, le=2)] = 2


class NoneOfThese(_Part, frozen=True, kw_only=True):
    """The hypothesis that no listed fault is there."""

    title: str
    prior: Probability
    reason: str


class Knowledge:
    """Causes and evidence, checked against each other."""

    def __init__(self, none: NoneOfThese, evidence: dict[str, EvidenceKind], causes: dict[str, CauseKind]) -> None:
        self.none = none
        self.evidence = evidence
        self.causes = causes

    @cached_property
    def evidence_of_symptom(self) -> dict[str, str]:
        """Return which evidence each symptom belongs to."""
        return {symptom: name for name, kind in self.evidence.items() for symptom in kind.symptoms}

    def likelihood(self, cause: str, evidence: str) -> float:
        """Return the chance of seeing the evidence under a cause; its background where the cause does not say."""
        entry = self.causes[cause].likelihood.get(evidence)
        return entry.p if entry is not None else self.evidence[evidence].background


def load_knowledge(path: str | Path | None = None) -> Knowledge:
    """Return the knowledge base of a file, or the packaged one.

    Raises
    ------
    KnowledgeError
        The file cannot be read, or a key is missing, unknown or wrong (the text holds its path).
    """
    if path is None:
        text = resources.files(__package__).joinpath("causes.toml").read_text(encoding="utf-8")
        return parse_knowledge(text, "causes.toml")
    try:
        return parse_knowledge(Path(path).read_text(encoding="utf-8"), str(path))
    except OSError as error:
        raise KnowledgeError(f"{path}: cannot be read: {error}") from error


def parse_knowledge(text: str, where: str = "causes.toml") -> Knowledge:
    """Return the knowledge base of a TOML text; `where` names it in errors.

    Raises
    ------
    KnowledgeError
        The text is no TOML, or a key is missing, unknown or wrong.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise KnowledgeError(f"{where}: not valid TOML: {error}") from error
    for key in table:
        if key not in {"none", "evidence", "cause"}:
            raise KnowledgeError(f"{where}: {key}: unknown key; allowed are none, evidence, cause")
    evidence = {
        name: _convert(entry, EvidenceKind, f"{where}: evidence.{name}")
        for name, entry in _table(table, "evidence", where).items()
    }
    causes = {name: _cause(entry, f"{where}: cause.{name}") for name, entry in _table(table, "cause", where).items()}
    knowledge = Knowledge(_convert(table.get("none"), NoneOfThese, f"{where}: none"), evidence, causes)
    _check(knowledge, where)
    return knowledge


def _cause(entry: object, where: str) -> CauseKind:
    """Convert the likelihoods one by one first: msgspec does not name the keys of a free table in its errors."""
    if isinstance(entry, dict) and isinstance(entry.get("likelihood"), dict):
        for name, likelihood in entry["likelihood"].items():
            _convert(likelihood, Likelihood, f"{where}.likelihood.{name}")
    return _convert(entry, CauseKind, where)


def _table(table: dict[str, Any], key: str, where: str) -> dict[str, Any]:
    value = table.get(key)
    if not isinstance(value, dict) or not value:
        raise KnowledgeError(f"{where}: {key}: at least one table [{key}.NAME] is needed")
    return value


def _convert(entry: object, kind: type[Part], where: str) -> Part:
    try:
        return msgspec.convert(entry, kind)
    except msgspec.ValidationError as error:
        problem, _, path = str(error).partition(" - at `$")
        raise KnowledgeError(f"{where}{path.rstrip('`')}: {problem}") from error


def _check(knowledge: Knowledge, where: str) -> None:
    for name, kind in knowledge.evidence.items():
        if bool(kind.symptoms) == (kind.derived is not None):
            raise KnowledgeError(f"{where}: evidence.{name}: give either symptoms or derived")
    seen: dict[str, str] = {}
    for name, kind in knowledge.evidence.items():
        for symptom in kind.symptoms:
            if symptom in seen:
                raise KnowledgeError(f"{where}: evidence.{name}.symptoms: {symptom!r} is evidence.{seen[symptom]}'s")
            seen[symptom] = name
    for name, cause in knowledge.causes.items():
        path = f"{where}: cause.{name}"
        _known(cause.likelihood, knowledge.evidence, f"{path}.likelihood", "evidence")
        _known(cause.escalation, knowledge.evidence, f"{path}.escalation", "evidence")
        _known(cause.checks, CHECKS, f"{path}.checks", "check of models.shop")
        _known(cause.cautions, CAUTIONS, f"{path}.cautions", "caution of models.shop")
        _known(cause.leak_paths, LEAK_PATHS, f"{path}.leak_paths", "leak path")
        if not cause.likelihood:
            raise KnowledgeError(f"{path}.likelihood: is empty; a cause that shows nothing can't be found")


def _known(names: Iterable[str], allowed: Iterable[str], path: str, what: str) -> None:
    known = tuple(allowed)
    for name in names:
        if name not in known:
            raise KnowledgeError(f"{path}: {name!r} is no known {what}; use one of {', '.join(known)}")
