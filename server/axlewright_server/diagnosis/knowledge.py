"""Read the knowledge base from its file and say what is wrong in it, with the path of the key."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from axlewright_models.file_errors import meant
from axlewright_models.shop import CAUTIONS, CHECKS
from axlewright_models.shop.service import TOUCHED
from axlewright_server.diagnosis.facts import (
    DRY,
    CauseKind,
    CheckKind,
    EvidenceKind,
    Found,
    Knowledge,
    KnowledgeError,
    Likelihood,
    NoneOfThese,
    Part,
    PathKind,
)

__all__ = ["Knowledge", "KnowledgeError", "load_knowledge", "parse_knowledge"]

Kind = TypeVar("Kind", bound=Part)
TABLES = ("none", "background", "evidence", "check", "path", "cause")


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
    except (OSError, UnicodeDecodeError) as error:
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
        if key not in TABLES:
            raise KnowledgeError(f"{where}: {key}: unknown key; allowed are {', '.join(TABLES)}")
    if "none" not in table:
        raise KnowledgeError(
            f"{where}: none: is missing; a knowledge base begins with [none], as the packaged one does"
        )
    knowledge = Knowledge(
        convert(table.get("none"), NoneOfThese, f"{where}: none"),
        _background(_table(table, "background", where), f"{where}: background"),
        {
            name: convert(entry, EvidenceKind, f"{where}: evidence.{name}")
            for name, entry in _each(table, "evidence", where)
        },
        {name: _check_kind(entry, f"{where}: check.{name}") for name, entry in _each(table, "check", where)},
        {name: _with_found(entry, PathKind, f"{where}: path.{name}") for name, entry in _each(table, "path", where)},
        {name: _cause(entry, f"{where}: cause.{name}") for name, entry in _each(table, "cause", where)},
    )
    _check(knowledge, where)
    return knowledge


def _each(table: dict[str, Any], key: str, where: str) -> list[tuple[str, Any]]:
    return list(_table(table, key, where).items())


def _table(table: dict[str, Any], key: str, where: str) -> dict[str, Any]:
    value = table.get(key)
    if not isinstance(value, dict) or not value:
        raise KnowledgeError(f"{where}: {key}: at least one entry in [{key}] or table [{key}.NAME] is needed")
    return value


def _background(table: dict[str, Any], where: str) -> dict[str, float]:
    for name, value in table.items():
        if not isinstance(value, float) or not 0.0 < value < 1.0:
            raise KnowledgeError(f"{where}.{name}: is {value!r}, must be a number between 0 and 1")
    return dict(table)


def convert(entry: object, kind: type[Kind], where: str) -> Kind:
    """Return a table as its structure; the path of a wrong key follows `where`."""
    try:
        return msgspec.convert(entry, kind)
    except msgspec.ValidationError as error:
        problem, _, path = str(error).partition(" - at `$")
        raise KnowledgeError(f"{where}{path.rstrip('`')}: {problem}") from error


def _check_kind(entry: object, where: str) -> CheckKind:
    kind = convert(entry, CheckKind, where)
    if kind.normal not in kind.outcome:
        raise KnowledgeError(f"{where}.normal: {kind.normal!r} is no outcome; use one of {', '.join(kind.outcome)}")
    total = math.fsum(outcome.background for outcome in kind.outcome.values())
    if abs(total - 1.0) > 1e-6:
        raise KnowledgeError(f"{where}.outcome: backgrounds add up to {total:g}, must be 1")
    return kind


def _with_found(entry: object, kind: type[Kind], where: str) -> Kind:
    """Convert free tables entry by entry first: msgspec does not name the keys of one in its errors."""
    if isinstance(entry, dict):
        found = entry.get("found", {})
        for check, outcomes in found.items() if isinstance(found, dict) else ():
            for outcome, likelihood in outcomes.items() if isinstance(outcomes, dict) else ():
                convert(likelihood, Likelihood, f"{where}.found.{check}.{outcome}")
    return convert(entry, kind, where)


def _cause(entry: object, where: str) -> CauseKind:
    if isinstance(entry, dict) and isinstance(entry.get("likelihood"), dict):
        for name, likelihood in entry["likelihood"].items():
            convert(likelihood, Likelihood, f"{where}.likelihood.{name}")
    return _with_found(entry, CauseKind, where)


def _check(knowledge: Knowledge, where: str) -> None:
    _known(knowledge.background, knowledge.evidence, f"{where}: background", "evidence")
    owners: dict[str, str] = {}
    for name, kind in knowledge.evidence.items():
        path = f"{where}: evidence.{name}"
        if name not in knowledge.background:
            raise KnowledgeError(f"{path}: has no number in [background]; give one there")
        _check_evidence(knowledge, kind, path)
        for symptom in kind.symptoms:
            if symptom in owners:
                raise KnowledgeError(f"{path}.symptoms: {symptom!r} belongs to evidence.{owners[symptom]} already")
            owners[symptom] = name
    _known(knowledge.checks, CHECKS, f"{where}: check", "check of models.shop")
    for name, check in knowledge.checks.items():
        for outcome in check.outcome.values():
            _known(outcome.instead, knowledge.evidence, f"{where}: check.{name}.outcome.instead", "evidence")
            _known(outcome.instead.values(), check.outcome, f"{where}: check.{name}.outcome.instead", "outcome")
    for name, path_kind in knowledge.paths.items():
        _check_found(knowledge, path_kind.found, "path", f"{where}: path.{name}.found")
    if DRY in knowledge.paths:
        raise KnowledgeError(f"{where}: path.{DRY}: is the word for no leak; name the path differently")
    for name, cause in knowledge.causes.items():
        _check_cause(knowledge, cause, f"{where}: cause.{name}")


def _check_evidence(knowledge: Knowledge, kind: EvidenceKind, path: str) -> None:
    if bool(kind.symptoms) == (kind.derived is not None):
        raise KnowledgeError(f"{path}: give either symptoms or derived")
    if kind.derived is not None and not kind.given:
        raise KnowledgeError(f"{path}.given: what is derived is asked only while something stands; say what")
    if bool(kind.touched) != (kind.derived == "after-service"):
        raise KnowledgeError(f'{path}.touched: belongs to derived = "after-service", which needs it')
    if bool(kind.before) != (kind.derived == "came-first"):
        raise KnowledgeError(f'{path}.before: belongs to derived = "came-first", which needs it')
    _known(kind.touched, sorted(TOUCHED), f"{path}.touched", "word of models.shop.service")
    for key, names in (("given", kind.given), ("implied_by", kind.implied_by), ("before", kind.before)):
        _known(names, knowledge.evidence, f"{path}.{key}", "evidence")
    for parent in (*kind.given, *kind.implied_by):
        if knowledge.evidence[parent].given:
            raise KnowledgeError(f"{path}: {parent!r} is itself asked only while something else stands")


def _check_cause(knowledge: Knowledge, cause: CauseKind, path: str) -> None:
    _known(cause.likelihood, knowledge.evidence, f"{path}.likelihood", "evidence")
    _known(cause.escalation, knowledge.evidence, f"{path}.escalation", "evidence")
    _known(cause.checks, CHECKS, f"{path}.checks", "check of models.shop")
    _known(cause.cautions, CAUTIONS, f"{path}.cautions", "caution of models.shop")
    _known(cause.leak_paths, knowledge.paths, f"{path}.leak_paths", "leak path")
    _check_found(knowledge, cause.found, "cause", f"{path}.found")
    if not cause.likelihood:
        raise KnowledgeError(f"{path}.likelihood: is empty; a cause that shows nothing can't be found")
    for old in cause.formerly:
        if old in knowledge.causes:
            raise KnowledgeError(f"{path}.formerly: {old!r} is a cause of today")


def _check_found(knowledge: Knowledge, found: Found, about: str, path: str) -> None:
    checks = {name: kind for name, kind in knowledge.checks.items() if kind.about == about}
    _known(found, checks, path, f"check about the {about}")
    for name, outcomes in found.items():
        _known(outcomes, checks[name].outcome, f"{path}.{name}", "outcome")
        total = math.fsum(entry.p for entry in outcomes.values())
        if total >= 1.0:
            raise KnowledgeError(f"{path}.{name}: chances add up to {total:g}; leave something for the other outcomes")
        if len(outcomes) == len(checks[name].outcome):
            raise KnowledgeError(f"{path}.{name}: leave one outcome out; it gets the rest")


def _known(names: Iterable[str], allowed: Iterable[str], path: str, what: str) -> None:
    known = tuple(allowed)
    for name in names:
        if name not in known:
            raise KnowledgeError(f"{path}: {name!r} is no known {what}; {meant(name, [*known])}")
