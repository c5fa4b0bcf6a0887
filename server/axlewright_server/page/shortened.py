"""Say once what would otherwise be said several times."""

from __future__ import annotations

from dataclasses import dataclass

from axlewright_server.api.records import AdvisoryRecord, ChangeRecord, VehicleState
from axlewright_server.page.texts import ROLE_TEXTS

_MOST_LINES = 3


@dataclass(frozen=True)
class WhyLine:
    """One cause that stands against a truck, and on which axles."""

    id: str
    title: str
    where: str


@dataclass(frozen=True)
class Why:
    """Why a truck stands where it stands, in a few lines, and what else there is."""

    lines: list[WhyLine]
    rest: str


def why_lines(vehicle: VehicleState) -> Why:
    """Return the causes that stand against a truck, each once; the link leads to its worst advisory."""
    roles = {axle.position: ROLE_TEXTS[axle.role].lower().removesuffix(" axle") for axle in vehicle.axles}
    grouped: dict[str, list[int]] = {}
    first: dict[str, str] = {}
    for one in vehicle.advisories:
        if one.active:
            grouped.setdefault(one.title, []).append(one.axle)
            first.setdefault(one.title, one.id)
    driven = {axle.position for axle in vehicle.axles if axle.driven}
    lines = []
    for title, axles in grouped.items():
        everywhere = len(driven) > 1 and driven == set(axles)
        where = " and ".join(roles.get(axle, "whole truck") for axle in sorted(axles))
        lines.append(WhyLine(first[title], title, "all drive axles" if everywhere else where))
    unseen = sum(one.state == "returned-unacknowledged" for one in vehicle.advisories)
    aside = sum(one.state in ("shelved", "suppressed") for one in vehicle.advisories)
    rest = [f"{len(lines) - _MOST_LINES} more"] if len(lines) > _MOST_LINES else []
    rest += [f"{unseen} back to normal, not acknowledged"] if unseen else []
    rest += [f"{aside} set aside"] if aside else []
    return Why(lines[:_MOST_LINES], "; ".join(rest))


def all_cautions(advisory: AdvisoryRecord) -> list[str]:
    """Return the cautions of the advisory and of all its checks, each once, in order."""
    texts = list(advisory.cautions)
    for check in advisory.checks:
        texts += check.cautions
    return list(dict.fromkeys(texts))


def folded_log(changes: list[ChangeRecord]) -> list[tuple[ChangeRecord, int]]:
    """Return the log, the newest first; updates in a row become their newest with how many there were."""
    folded: list[tuple[ChangeRecord, int]] = []
    for change in reversed(changes):
        if folded and change.action == "updated" == folded[-1][0].action:
            folded[-1] = (folded[-1][0], folded[-1][1] + 1)
        else:
            folded.append((change, 1))
    return folded
