"""From a finding to the message that a person reads."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from axlewright_models.shop import CAUTIONS, CHECKS
from axlewright_models.wire.messages import AdvisoryMessage, Cause, CheckToDo, Evidence, Urgency
from axlewright_server.advisories import URGENCY_ORDER, advisory_id
from axlewright_server.detectors.base import Symptom
from axlewright_server.detectors.table import AxleTable
from axlewright_server.diagnosis.consequence import height_consequence
from axlewright_server.diagnosis.facts import UNEXPLAINED, Knowledge
from axlewright_server.diagnosis.picture import Standing
from axlewright_server.diagnosis.posterior import NONE, Finding
from axlewright_server.diagnosis.wording import channel_title, explanation, path_title, sureness, symptom_text

_CAUSES_SHOWN = 5
_LEAST_SHOWN = 0.01
_PLOT_MARGIN_S = 3600.0
_ALWAYS = ("no-remote-proof", "maker-data-first")


def symptoms_of(knowledge: Knowledge, finding: Finding, standing: Mapping[str, Standing]) -> tuple[str, ...]:
    """Return the keys of the standing symptoms that a finding is made of."""
    return tuple(sorted(key for key in standing if knowledge.evidence_of(key) in finding.evidence))


def compose(
    knowledge: Knowledge,
    table: AxleTable,
    row: int,
    finding: Finding,
    cause: str,
    symptoms: Iterable[Symptom],
    precursor: Mapping[str, float],
    time_s: float,
) -> AdvisoryMessage:
    """Return the message about one finding on one axle, raised at `time_s` under this cause."""
    listed = sorted(symptoms, key=lambda symptom: (-symptom.level, symptom.since_s, symptom.key))
    shown = _told(listed)
    vehicle, position = table.vehicle_id(row), int(table.position[row])
    name = UNEXPLAINED if cause == NONE else cause
    title = "Symptoms without a known cause" if cause == NONE else knowledge.causes[cause].title
    return AdvisoryMessage(
        id=advisory_id(table.fleet, vehicle, position, name, time_s),
        fleet=table.fleet,
        vehicle=vehicle,
        axle=position,
        cause=name,
        title=title,
        state="unacknowledged",
        urgency=urgency(knowledge, cause, finding, listed),
        confidence=_share(finding.probabilities[cause]),
        since_s=min(symptom.since_s for symptom in listed),
        updated_s=time_s,
        summary=_summary(knowledge, table, row, cause, finding, shown, precursor),
        evidence=[_evidence(symptom, time_s) for symptom in shown],
        causes=_causes(knowledge, finding, cause),
        checks=_checks(knowledge, cause),
        cautions=_cautions(knowledge, cause),
    )


def _told(symptoms: Iterable[Symptom]) -> list[Symptom]:
    """Return the symptoms that a person is told of, each thing once.

    Two of them (an axle against its partner, either way round) may read alike; and a line that is beyond its limit must
    not be said to rise "still below its limit" as well.
    """
    alike = {(symptom.channel, symptom_text(symptom)): symptom for symptom in reversed([*symptoms])}
    beyond = {symptom.key for symptom in alike.values()}
    return [one for one in reversed(alike.values()) if one.key.replace("-rising", "-high") not in beyond - {one.key}]


def urgency(knowledge: Knowledge, cause: str, finding: Finding, symptoms: Iterable[Symptom]) -> Urgency:
    """Return how soon to act: the cause's own urgency, or a sooner one that a standing symptom calls for."""
    level: dict[str | None, int] = {}
    for symptom in symptoms:
        name = knowledge.evidence_of(symptom.key)
        level[name] = max(symptom.level, level.get(name, 0))
    if level.get("guard-spoke", 0) > 0:
        # The driver has been told to stop; the office must not say anything slower.
        return "stop-safely-now"
    if cause == NONE:
        sudden = level.get("lube-rise", 0) > 0
        return "stop-safely-now" if sudden else "within-a-day"
    kind = knowledge.causes[cause]
    wanted: list[Urgency] = [kind.urgency]
    wanted += [soon for name, soon in kind.escalation.items() if level.get(name, 0) >= kind.escalate_at_level]
    return min(wanted, key=URGENCY_ORDER.index)


def _summary(
    knowledge: Knowledge,
    table: AxleTable,
    row: int,
    cause: str,
    finding: Finding,
    symptoms: list[Symptom],
    precursor: Mapping[str, float],
) -> str:
    position = int(table.position[row])
    said = "; ".join([*dict.fromkeys(symptom_text(symptom) for symptom in symptoms)][:3])
    # Evidence is told once, when a symptom rises or changes level: nobody must take its numbers for today's.
    parts = [f"Axle {position} of {table.vehicle_id(row)}, as measured when raised: {said}"]
    if cause == NONE:
        parts.append("No listed cause explains this better than chance; look at it at the next stop")
    else:
        kind, sure = knowledge.causes[cause], sureness(finding.probabilities[cause])
        parts.append(f"Most likely ({sure}): {kind.title.lower()}; {kind.mechanism}")
    heights = [symptom for symptom in symptoms if symptom.code in {"height-low", "height-high"}]
    if heights:
        parts.append(height_consequence(table.spec_of(row), position, heights[0].value))
    path = max(precursor, key=lambda name: (precursor[name], name))
    if precursor[path] >= 0.1:
        parts.append(f"Left alone, the likeliest leak path is the {path_title(path)} ({sureness(precursor[path])})")
    return ". ".join(part for part in parts if part) + "."


def _evidence(symptom: Symptom, time_s: float) -> Evidence:
    title, said = channel_title(symptom.channel), symptom_text(symptom)
    return Evidence(
        channel=symptom.channel.split(",")[0],
        text=(said if said.startswith(title) else f"{title}: {said}") + ", when raised",
        begin_s=symptom.since_s - _PLOT_MARGIN_S,
        end_s=max(time_s, symptom.time_s),
        value=_number(symptom.value),
        limit=_number(symptom.limit),
        unit=symptom.unit,
    )


def _causes(knowledge: Knowledge, finding: Finding, leading: str) -> list[Cause]:
    """Return the likeliest causes; the one that the advisory stands under is always among them."""
    names = [name for name, p in finding.probabilities.items() if p >= _LEAST_SHOWN][:_CAUSES_SHOWN]
    if leading not in names:
        names.append(leading)
    return [
        Cause(
            id=name,
            title=knowledge.none.title if name == NONE else knowledge.causes[name].title,
            probability=_share(finding.probabilities[name]),
            why=explanation(knowledge, name, finding),
            leak_path="" if name == NONE else _paths(knowledge.causes[name].leak_paths),
        )
        for name in names
    ]


def _paths(paths: Mapping[str, float]) -> str:
    return ", ".join(path_title(path) for path in sorted(paths, key=lambda name: (-paths[name], name)))


def _checks(knowledge: Knowledge, cause: str) -> list[CheckToDo]:
    names = ("leak-path", "lube-level", "ride-height") if cause == NONE else knowledge.causes[cause].checks
    return [
        CheckToDo(id=name, text=f"{CHECKS[name].title}: {CHECKS[name].how}", limit=CHECKS[name].limit_text)
        for name in names
    ]


def _cautions(knowledge: Knowledge, cause: str) -> list[str]:
    """Return the cause's cautions, then those of its first check, then those that always hold; each once."""
    own: tuple[str, ...] = ("hot-lube", "air-suspended-frame")
    if cause != NONE:
        kind = knowledge.causes[cause]
        own = (*kind.cautions, *CHECKS[kind.checks[0]].cautions)
    return [CAUTIONS[name] for name in dict.fromkeys((*own, *_ALWAYS))]


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _share(probability: float) -> float:
    return min(1.0, max(0.0, round(probability, 4)))
