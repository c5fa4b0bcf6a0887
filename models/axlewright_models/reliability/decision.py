r"""Run on, repair or replace: expected cost over a horizon, with discounting and warranty.

A unit of age a whose hazard is m times that of its kind fails within x more with probability
:math:`1 - [R(a+x)/R(a)]^m`. A failure on the road costs the new assembly and the trouble around it; the new one then
runs on, may fail again, and so on until the horizon: a renewal equation, solved on a grid. A repair takes away a share
of the age and the raised hazard. No value is given to what remains of an assembly at the horizon: choose the horizon
as the time for which the truck will be kept, or add that value yourself.

All exposure (age, horizon, warranty) is in one unit, that of the life: km, h or days.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from axlewright_models.errors import ModelError
from axlewright_models.reliability.weibull import Weibull

Floats = NDArray[np.float64]

STEPS = 400


class Action(Enum):
    """What can be done with an assembly."""

    RUN = "run"
    REPAIR = "repair"
    REPLACE = "replace"


@dataclass(frozen=True)
class Costs:
    """Money, one currency: a new assembly fitted, a repair, a planned stop, and what a failure on the road adds.

    ``on_road`` holds tow, unplanned downtime and secondary damage; the assembly comes on top.
    """

    assembly: float
    repair: float
    planned_stop: float
    on_road: float


@dataclass(frozen=True)
class Terms:
    """Horizon, discount rate per unit of exposure, and warranties.

    Within ``warranty`` of the fitting of an assembly, ``warranty_share`` of a new one is paid by its seller (never the
    trouble on the road). ``repair_warranty`` runs likewise from a repair.
    """

    horizon: float
    discount_rate: float = 0.0
    warranty: float = 0.0
    repair_warranty: float = 0.0
    warranty_share: float = 1.0


@dataclass(frozen=True)
class Condition:
    """The unit today: age since it was fitted, hazard against its kind, share of the age that a repair removes."""

    age: float
    hazard_ratio: float = 1.0
    repair_renews: float = 0.5


@dataclass(frozen=True)
class Outlook:
    """What an action comes to over the horizon: expected discounted cost, and chance of a failure on the road."""

    action: Action
    wait: float
    expected_cost: float
    failure_chance: float


def renewal_cost(life: Weibull, costs: Costs, terms: Terms, steps: int = STEPS) -> tuple[Floats, Floats]:
    r"""Return the expected discounted cost of a new assembly over spans from 0 to the horizon.

    Returns
    -------
    (spans, cost) : tuple of ndarray, shape (steps + 1,)
        :math:`V(h) = \int_0^h f(x)\,e^{-rx}\,[c(x) + V(h - x)]\,dx`, without the first fitting.
    """
    if not (terms.horizon > 0.0 and terms.discount_rate >= 0.0 and 0.0 <= terms.warranty_share <= 1.0):
        raise ModelError(f"terms need horizon > 0, discount_rate >= 0, 0 <= warranty_share <= 1; got {terms}")
    spans = np.linspace(0.0, terms.horizon, steps + 1)
    middle = 0.5 * (spans[1:] + spans[:-1])
    weight = -np.diff(life.survival(spans)) * np.exp(-terms.discount_rate * middle)
    direct = np.concatenate([[0.0], np.cumsum(weight * _failure_cost(middle, terms.warranty, costs, terms))])
    cost = np.zeros(steps + 1)
    for i in range(1, steps + 1):
        # What remains after a failure in slice j lies between cost[i-j-1] and cost[i-j]: take the mean.
        later = weight[1:i] @ (0.5 * (cost[i - 1 : 0 : -1] + cost[i - 2 :: -1])) if i > 1 else 0.0
        cost[i] = (direct[i] + later + weight[0] * 0.5 * cost[i - 1]) / (1.0 - 0.5 * weight[0])
    return spans, cost


def _failure_cost(exposure: Floats, warranty_left: float, costs: Costs, terms: Terms) -> Floats:
    """Return what a failure costs at an exposure from now, given the warranty that is left now."""
    covered = np.where(exposure < warranty_left, terms.warranty_share, 0.0)
    return costs.on_road + (1.0 - covered) * costs.assembly


def outlook(
    action: Action, condition: Condition, life: Weibull, costs: Costs, terms: Terms, wait: float = 0.0
) -> Outlook:
    """Return what it comes to to run for `wait` and then, unless it has failed, take the action.

    Parameters
    ----------
    action : Action
        With RUN, `wait` means nothing: nothing is ever planned.
    condition : Condition
        The unit today.
    life : Weibull
        Life of its kind, when fitted new.
    costs, terms : Costs, Terms
        Money and rules.
    wait : float
        Exposure until the planned stop, 0 to the horizon.

    Raises
    ------
    ModelError
        `wait` outside, or terms that make no sense.

    Examples
    --------
    >>> life = Weibull(scale=900e3, shape=2.5)
    >>> costs = Costs(assembly=6000.0, repair=1500.0, planned_stop=600.0, on_road=9000.0)
    >>> worn = Condition(age=600e3, hazard_ratio=8.0)
    >>> options = [outlook(action, worn, life, costs, Terms(horizon=300e3)) for action in Action]
    >>> min(options, key=lambda option: option.expected_cost).action.value
    'repair'
    """
    until = terms.horizon if action is Action.RUN else wait
    if not 0.0 <= until <= terms.horizon:
        raise ModelError(f"wait is {wait}, but must lie within the horizon, 0 to {terms.horizon}")
    spans, new_cost = renewal_cost(life, costs, terms)
    grid = np.linspace(0.0, until, STEPS + 1)
    warranty_left = terms.warranty - condition.age
    cost, survived = _first_failure(
        life, (condition.age, condition.hazard_ratio), grid, warranty_left, costs, terms, (spans, new_cost)
    )
    safe = survived
    if action is not Action.RUN:
        left = terms.horizon - until
        then, safe_after = _planned(action, condition, until, left, life, costs, terms, (spans, new_cost))
        cost += survived * np.exp(-terms.discount_rate * until) * then
        safe = survived * safe_after
    return Outlook(action, until, float(cost), float(1.0 - safe))


def _first_failure(
    life: Weibull,
    unit: tuple[float, float],
    grid: Floats,
    warranty_left: float,
    costs: Costs,
    terms: Terms,
    renewal: tuple[Floats, Floats],
    horizon: float | None = None,
) -> tuple[float, float]:
    """Return the cost of the first failure on the grid and all that follows it, and the chance that none comes."""
    age, hazard_ratio = unit
    survival = life.survival_from(age, grid, hazard_ratio)
    middle = 0.5 * (grid[1:] + grid[:-1])
    weight = -np.diff(survival) * np.exp(-terms.discount_rate * middle)
    after = np.interp((terms.horizon if horizon is None else horizon) - middle, *renewal)
    cost = float(weight @ (_failure_cost(middle, warranty_left, costs, terms) + after))
    return cost, float(survival[-1])


def _planned(
    action: Action,
    condition: Condition,
    wait: float,
    left: float,
    life: Weibull,
    costs: Costs,
    terms: Terms,
    renewal: tuple[Floats, Floats],
) -> tuple[float, float]:
    """Return the cost of the planned stop and all that follows it until the horizon, and the chance of no failure."""
    if action is Action.REPLACE:
        stop = costs.assembly + costs.planned_stop
        return stop + float(np.interp(left, *renewal)), float(life.survival(left))
    age = (1.0 - condition.repair_renews) * (condition.age + wait)
    # Warranties count from their own events, not from the age that a repair takes away.
    warranty_left = max(terms.repair_warranty, terms.warranty - condition.age - wait)
    grid = np.linspace(0.0, left, STEPS + 1)
    cost, safe = _first_failure(life, (age, 1.0), grid, warranty_left, costs, terms, renewal, left)
    return costs.repair + costs.planned_stop + cost, safe


def best_wait(
    action: Action, condition: Condition, life: Weibull, costs: Costs, terms: Terms, choices: int = 41
) -> Outlook:
    """Return the cheapest time to take the action, among evenly spaced ones from now to the horizon."""
    waits = np.linspace(0.0, terms.horizon, choices)
    options = (outlook(action, condition, life, costs, terms, float(wait)) for wait in waits)
    return min(options, key=lambda option: option.expected_cost)
