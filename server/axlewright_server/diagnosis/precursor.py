"""Leak precursor: the causes' probabilities fused into one probability per leak path."""

from __future__ import annotations

from collections.abc import Iterable

from axlewright_server.diagnosis.facts import Knowledge
from axlewright_server.diagnosis.posterior import NONE, Finding


def leak_precursor(knowledge: Knowledge, findings: Iterable[Finding]) -> dict[str, float]:
    """Return, per leak path, the chance that what is seen opens it if nothing is done.

    Within a finding causes exclude each other, so their shares add up; findings are separate faults, so their chances
    combine as independent ones.

    Examples
    --------
    >>> from axlewright_server.diagnosis.knowledge import load_knowledge
    >>> from axlewright_server.diagnosis.posterior import diagnose
    >>> knowledge = load_knowledge()
    >>> paths = leak_precursor(knowledge, diagnose(knowledge, {"sump-pressure": True}))
    >>> max(paths, key=paths.__getitem__)
    'pinion-seal'
    """
    tight = dict.fromkeys(knowledge.paths, 1.0)
    for finding in findings:
        for path in knowledge.paths:
            share = sum(
                probability * knowledge.causes[cause].leak_paths.get(path, 0.0)
                for cause, probability in finding.probabilities.items()
                if cause != NONE
            )
            tight[path] *= 1.0 - share
    return {path: 1.0 - chance for path, chance in tight.items()}
