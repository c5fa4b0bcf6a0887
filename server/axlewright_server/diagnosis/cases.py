"""Try a knowledge base on cases from a file: what is seen and found, and the ranking that a specialist expects."""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from axlewright_server.diagnosis.assessment import Assessment, assess
from axlewright_server.diagnosis.case import COINCIDE
from axlewright_server.diagnosis.facts import NONE, Knowledge, KnowledgeError, Part
from axlewright_server.diagnosis.knowledge import convert
from axlewright_server.diagnosis.posterior import Finding, diagnose
from axlewright_server.diagnosis.precursor import leak_precursor


class Case(Part, frozen=True, kw_only=True):
    """One case: what stands, what could be seen and does not, what the shop found, and what should come of it.

    ``seen`` and ``absent`` hold evidence or symptom keys; ``absent = ["*"]``: all evidence with a symptom of its own
    that is not seen. ``expected``: the leading causes, in this order, of the picture that the first of them leads.
    """

    title: str
    expected: tuple[str, ...]
    seen: tuple[str, ...]
    absent: tuple[str, ...] = ()
    found: dict[str, str] = {}  # noqa: RUF012  # msgspec makes one for each
    leak_path: str = ""
    next_check: str = ""
    contradiction: bool = False


@dataclass(frozen=True)
class Result:
    """What became of a case; ``faults`` is empty where all is as expected."""

    case: Case
    ranking: tuple[tuple[str, float], ...]
    assessment: Assessment | None
    faults: tuple[str, ...]


def load_cases(path: str | Path | None = None) -> list[Case]:
    """Return the cases of a file, or the packaged ones.

    Raises
    ------
    KnowledgeError
        The file cannot be read, or a key is missing, unknown or wrong (the text holds its path).
    """
    where = "cases.toml" if path is None else str(path)
    try:
        text = (
            resources.files(__package__).joinpath("cases.toml").read_text(encoding="utf-8")
            if path is None
            else Path(path).read_text(encoding="utf-8")
        )
        table = tomllib.loads(text)
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise KnowledgeError(f"{where}: cannot be read: {error}") from error
    entries = table.pop("case", None)
    if not isinstance(entries, list) or not entries or table:
        raise KnowledgeError(f"{where}: write one or more [[case]] tables and nothing else")
    return [convert(entry, Case, f"{where}: case {number}") for number, entry in enumerate(entries, start=1)]


def try_cases(knowledge: Knowledge, cases: Sequence[Case]) -> list[Result]:
    """Return what the knowledge base makes of each case.

    Raises
    ------
    KnowledgeError
        A case names evidence, a check, an outcome or a cause that the knowledge base does not have.
    """
    return [_try(knowledge, case) for case in cases]


def _try(knowledge: Knowledge, case: Case) -> Result:
    seen = _seen(knowledge, case)
    for check, outcome in case.found.items():
        if check not in knowledge.checks or outcome not in knowledge.checks[check].outcome:
            raise KnowledgeError(f"case {case.title!r}: found.{check}: {outcome!r} is no outcome of a listed check")
    for cause in case.expected:
        if cause not in knowledge.hypotheses:
            raise KnowledgeError(f"case {case.title!r}: expected: {cause!r} is no cause of this knowledge base")
    findings = diagnose(knowledge, seen, case.found)
    first = [one for one in findings if one.cause == case.expected[0]]
    chosen = first[0] if first else findings[0] if findings else None
    if chosen is None:
        return Result(case, (), None, ("nothing stands that calls for a cause",))
    assessment = assess(knowledge, chosen, leak_precursor(knowledge, findings))
    return Result(case, tuple(chosen.probabilities.items()), assessment, tuple(_faults(case, chosen, assessment)))


def _seen(knowledge: Knowledge, case: Case) -> dict[str, bool]:
    seen: dict[str, bool] = {}
    if "*" in case.absent:
        seen = {name: False for name, kind in knowledge.evidence.items() if kind.symptoms}
    for name in case.absent:
        if name != "*":
            seen[_evidence(knowledge, case, name)] = False
    for name in case.seen:
        seen[name if name == COINCIDE else _evidence(knowledge, case, name)] = True
    return seen


def _evidence(knowledge: Knowledge, case: Case, name: str) -> str:
    found = name if name in knowledge.evidence else knowledge.evidence_of(name)
    if found is None:
        raise KnowledgeError(f"case {case.title!r}: {name!r} is neither evidence nor a symptom of any")
    return found


def _faults(case: Case, chosen: Finding, assessment: Assessment) -> list[str]:
    faults = []
    lead = tuple(chosen.probabilities)[: len(case.expected)]
    if lead != case.expected:
        faults.append(f"leads: {', '.join(lead)}; expected: {', '.join(case.expected)}")
    path = assessment.paths[0].id
    if case.leak_path and path != case.leak_path:
        faults.append(f"likeliest leak path now: {path}; expected: {case.leak_path}")
    best = assessment.next_checks[0].id if assessment.next_checks else ""
    if case.next_check and best != case.next_check:
        faults.append(f"next best check: {best or 'none'}; expected: {case.next_check}")
    if case.contradiction != bool(assessment.contradiction):
        faults.append("a contradiction was expected" if case.contradiction else assessment.contradiction)
    return faults


def untried(knowledge: Knowledge, cases: Sequence[Case]) -> list[str]:
    """Return the causes that no case expects to lead."""
    led = {case.expected[0] for case in cases if case.expected}
    return [name for name in (*knowledge.causes, NONE) if name not in led]
