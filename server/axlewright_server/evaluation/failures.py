"""Whether the chances of failure that go with an advisory come true: reliability by distance.

When an advisory is raised its causes give a chance that the assembly fails within 1,000, 5,000 and 20,000 km if nothing
is done (:mod:`~axlewright_server.prognosis.chances`). The simulated truck drives on, so it can be seen. Readings end
before most distances do: the measured share is Kaplan and Meier's over the distance driven since, up to the failure,
the end of the readings, the end of the fault, or the onset of a fault that was not there yet. Trucks of scenarios have
far more faults than a fleet: shares of a group count, not how large it is. Leaks are not part of a truth file and are
not judged.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from axlewright_server.diagnosis.facts import Knowledge
from axlewright_server.evaluation.counting import distance_between, on_right_axle
from axlewright_server.evaluation.record import Alert, Run, Unit
from axlewright_server.evaluation.survival import later_than
from axlewright_server.evaluation.table import Table
from axlewright_server.prognosis.chances import DISTANCES_KM, chances

GROUPS = (0.0, 0.02, 0.1, 0.3, 1.0)  # edges of stated chances that are judged together: own choice


@dataclass(frozen=True)
class Told:
    """One advisory: chances by distance when it was raised, and how far the truck went until it failed or was seen."""

    chances: tuple[float, ...]
    km: float
    failed: bool


def told_of(runs: Iterable[Run], knowledge: Knowledge) -> list[Told]:
    """Return what was told when each advisory was raised, with what came; harmless events are left out."""
    return [one for run in runs for one in _told_of_run(run, knowledge)]


def _told_of_run(run: Run, knowledge: Knowledge) -> Iterator[Told]:
    units: dict[str, list[Unit]] = {}
    for unit in run.units:
        units.setdefault(unit.vehicle, []).append(unit)
    for alert in run.alerts:
        for unit in units.get(alert.vehicle, []):
            end = _end_of(unit, alert)
            km = None if end is None else distance_between(unit, alert.time_s, end[0])
            if end is not None and km is not None:
                ahead = chances(knowledge, [dict(alert.first.causes)], {}).ahead
                yield Told(tuple(one.failure for one in ahead), max(km, 0.0), end[1])


def _end_of(unit: Unit, alert: Alert) -> tuple[float, bool] | None:
    """Return until when an advisory's truck tells of it and whether that is its failure; None where it is another's."""
    event = unit.event
    if unit.begin_s <= alert.time_s < unit.quiet_until_s:
        return unit.quiet_until_s, False
    if event is None or event.harmless or not on_right_axle(unit, alert.axle):
        return None
    if not event.onset_s <= alert.time_s < unit.horizon_s:
        return None
    return unit.horizon_s, event.failure_s is not None and event.failure_s <= unit.horizon_s


def share_failed(told: Sequence[Told], distance_km: float) -> float:
    """Return the share that fails within a distance, by Kaplan and Meier's curve.

    Examples
    --------
    >>> share_failed([Told((), 500.0, True), Told((), 900.0, False), Told((), 3000.0, True)], 5000.0)
    1.0
    >>> round(share_failed([Told((), 500.0, True), Told((), 900.0, False), Told((), 3000.0, True)], 1000.0), 3)
    0.333
    """
    whole = later_than([one.km for one in told], [one.failed for one in told], [distance_km])
    return 1.0 - float(whole[0])


def failure_table(runs: Sequence[Run], knowledge: Knowledge) -> Table:
    """Return stated chances of failure against what came, by distance and group of chances."""
    told = told_of(runs, knowledge)
    rows = []
    for place, distance_km in enumerate(DISTANCES_KM):
        stated = np.array([one.chances[place] for one in told])
        groups = np.clip(np.searchsorted(GROUPS, stated, side="right") - 1, 0, len(GROUPS) - 2)
        for group in np.unique(groups).tolist():
            members = [told[number] for number in np.flatnonzero(groups == group).tolist()]
            reached = sum(one.km >= distance_km or one.failed for one in members)
            failed = sum(one.failed and one.km <= distance_km for one in members)
            rows.append(
                (
                    f"{distance_km:,.0f} km",
                    str(len(members)),
                    f"{100.0 * float(stated[groups == group].mean()):.1f} %",
                    f"{100.0 * share_failed(members, distance_km):.0f} %",
                    str(failed),
                    str(reached),
                )
            )
    note = (
        "Of every advisory when it was raised. Measured: Kaplan and Meier, since most readings end before the distance "
        "does. Chances are of an axle that nobody mends."
    )
    head = ("within", "advisories", "stated, mean", "measured", "failed", "seen to the end")
    return Table("Chances of failure, and what came", head, rows, note)
