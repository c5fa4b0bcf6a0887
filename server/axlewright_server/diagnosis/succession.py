"""Which of two things that are wrong with an axle came first: what follows is mostly the consequence.

A leak heats the axle first and lets the gears be heard later; worn gears are heard first. The order in time is known to
the detectors, and Bayes' rule can count it like any other evidence.
"""

from __future__ import annotations

from collections.abc import Iterable

from axlewright_server.detectors.base import Symptom

# Onsets are dated by detectors that gather hours of driving: less than a day apart says nothing (own choice).
APART_S = 86400.0


def came_first(some: Iterable[Symptom], others: Iterable[Symptom]) -> bool | None:
    """Return whether the first of some symptoms began before the first of the others.

    Parameters
    ----------
    some, others : iterable of Symptom
        That stand now.

    Returns
    -------
    bool or None
        None where one kind is not there, or both began within a day.

    Examples
    --------
    >>> mesh = Symptom(0, 9e5, "order-high", "vib/order/mesh-1", 1, 1e5, 3.0, 2.0, "", 1.0)
    >>> heat = Symptom(0, 9e5, "lube-above-model", "lube", 1, 5e5, 12.0, 8.0, "Cel", 1.0)
    >>> came_first([mesh], [heat]), came_first([heat], [mesh]), came_first([mesh], [])
    (True, False, None)
    """
    begun_s = min((symptom.since_s for symptom in some), default=None)
    other_s = min((symptom.since_s for symptom in others), default=None)
    if begun_s is None or other_s is None or abs(begun_s - other_s) < APART_S:
        return None
    return begun_s < other_s
