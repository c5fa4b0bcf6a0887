"""When to replace before failure: age replacement, and replacement with minimal repairs in between."""

from __future__ import annotations

import math
from dataclasses import dataclass

from axlewright_models.errors import ModelError
from axlewright_models.reliability.weibull import Weibull


@dataclass(frozen=True)
class Interval:
    """The best age to act at (infinity: run to failure) and the long-run cost per unit of exposure that it gives."""

    age: float
    cost_rate: float


def age_replacement_cost_rate(life: Weibull, age: float, planned_cost: float, failure_cost: float) -> float:
    r"""Return the long-run cost rate of replacing at failure or at an age, whichever comes first.

    Notes
    -----
    :math:`C(T) = [c_p R(T) + c_f F(T)] / \int_0^T R` (Barlow and Proschan 1965).

    Examples
    --------
    >>> round(age_replacement_cost_rate(Weibull(1000.0, 2.5), 493.047, 1.0, 5.0), 8)
    0.00346204
    """
    reached = float(life.survival(age))
    return (planned_cost * reached + failure_cost * (1.0 - reached)) / life.mean_life_within(age)


def best_replacement_age(life: Weibull, planned_cost: float, failure_cost: float) -> Interval:
    """Return the age at which planned replacement costs least in the long run.

    Parameters
    ----------
    life : Weibull
        In any unit of exposure.
    planned_cost, failure_cost : float
        Of one planned replacement and of one failure, above 0.

    Returns
    -------
    Interval
        Infinite age where planning does not pay: a shape of 1 or less (no wear-out), or a failure that costs no more.

    Raises
    ------
    ModelError
        A cost that is not above 0.

    Examples
    --------
    >>> best = best_replacement_age(Weibull(1000.0, 2.5), 1.0, 5.0)
    >>> round(best.age, 3), round(best.cost_rate, 8)
    (493.047, 0.00346204)
    """
    if not (planned_cost > 0.0 and failure_cost > 0.0):
        raise ModelError(f"replacement costs must be above 0; got {planned_cost=}, {failure_cost=}")
    run_to_failure = Interval(math.inf, failure_cost / life.mean)
    if life.shape <= 1.0 or failure_cost <= planned_cost:
        return run_to_failure
    wanted = planned_cost / (failure_cost - planned_cost)

    def excess(age: float) -> float:
        # h(T) int R - F rises with the age when the hazard does; the best age is where it meets cp / (cf - cp).
        return float(life.hazard(age)) * life.mean_life_within(age) - (1.0 - float(life.survival(age))) - wanted

    low, high = 0.0, life.scale
    while excess(high) < 0.0:
        low, high = high, 2.0 * high
        if high > 60.0 * life.scale:
            return run_to_failure
    for _ in range(100):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) < 0.0 else (low, middle)
    best = 0.5 * (low + high)
    return Interval(best, age_replacement_cost_rate(life, best, planned_cost, failure_cost))


def best_interval_with_minimal_repairs(life: Weibull, repair_cost: float, replacement_cost: float) -> Interval:
    r"""Return when to replace if each failure before is mended without renewing the assembly.

    Notes
    -----
    :math:`C(T) = [c_r (T/\eta)^\beta + c_p]/T`, least at :math:`T = \eta\,[c_p / (c_r(\beta-1))]^{1/\beta}`.

    Examples
    --------
    >>> best = best_interval_with_minimal_repairs(Weibull(1000.0, 2.5), repair_cost=1.0, replacement_cost=5.0)
    >>> round(best.age, 2), round(best.cost_rate, 8)
    (1618.64, 0.00514834)
    """
    if not (repair_cost > 0.0 and replacement_cost > 0.0):
        raise ModelError(f"costs must be above 0; got {repair_cost=}, {replacement_cost=}")
    if life.shape <= 1.0:
        raise ModelError(f"with shape {life.shape} the repairs never grow dearer: there is no best age to replace")
    age = life.scale * (replacement_cost / (repair_cost * (life.shape - 1.0))) ** (1.0 / life.shape)
    return Interval(age, (repair_cost * float(life.cumulative_hazard(age)) + replacement_cost) / age)
