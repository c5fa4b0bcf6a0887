"""Choose a chart's constants from what a person can say: how often it may cry wolf, and what it must find."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from axlewright_models.errors import ModelError
from axlewright_models.statistics.run_length import Sides, cusum_run_length, ewma_run_length


@dataclass(frozen=True)
class CusumDesign:
    """Slack k and limit h in standard deviations, with the run lengths that they give."""

    slack: float
    limit: float
    in_control_run_length: float
    shifted_run_length: float


@dataclass(frozen=True)
class EwmaDesign:
    """Weight lambda and width L, with the run lengths that they give."""

    weight: float
    width: float
    in_control_run_length: float
    shifted_run_length: float


def design_cusum(in_control_run_length: float, shift: float, *, sides: Sides = "two") -> CusumDesign:
    """Return the CUSUM that finds `shift` soonest among those with this run length in control.

    Parameters
    ----------
    in_control_run_length : float
        Average number of values between false calls, above 2.
    shift : float
        What must be found, in standard deviations, above 0. The slack is half of it.
    sides : {"one", "two"}
        Upper sum alone, or both.

    Raises
    ------
    ModelError
        Outside those ranges.

    Examples
    --------
    >>> design = design_cusum(465.0, 1.0)
    >>> design.slack, round(design.limit, 2), round(design.shifted_run_length, 1)
    (0.5, 5.0, 10.4)
    """
    _refuse(in_control_run_length, shift)
    slack = shift / 2.0
    limit = _solve(lambda h: cusum_run_length(slack, h, sides=sides), in_control_run_length)
    reached = cusum_run_length(slack, limit, sides=sides)
    return CusumDesign(slack, limit, reached, cusum_run_length(slack, limit, shift, sides=sides))


def ewma_width(weight: float, in_control_run_length: float) -> float:
    """Return the width L that gives an EWMA of this weight the wanted run length in control.

    Examples
    --------
    >>> round(ewma_width(0.1, 500.0), 3)
    2.814
    """
    return _solve(lambda width: ewma_run_length(weight, width), in_control_run_length)


def design_ewma(in_control_run_length: float, shift: float) -> EwmaDesign:
    """Return the EWMA that finds `shift` soonest among those with this run length in control.

    Parameters and errors as for :func:`design_cusum`; two-sided, asymptotic limits.

    Examples
    --------
    >>> design = design_ewma(500.0, 1.0)
    >>> 0.1 < design.weight < 0.2, round(design.shifted_run_length, 1)
    (True, 10.2)
    """
    _refuse(in_control_run_length, shift)

    def delay(weight: float) -> float:
        return ewma_run_length(weight, ewma_width(weight, in_control_run_length), shift)

    weight = _minimise(delay, 0.02, 1.0)
    width = ewma_width(weight, in_control_run_length)
    return EwmaDesign(weight, width, ewma_run_length(weight, width), ewma_run_length(weight, width, shift))


def _refuse(in_control_run_length: float, shift: float) -> None:
    if not (2.0 < in_control_run_length <= 1e7 and shift > 0.0):
        raise ModelError(
            f"a design needs 2 < in_control_run_length <= 1e7 and shift > 0; got {in_control_run_length=}, {shift=}"
        )


def _solve(rising: Callable[[float], float], wanted: float, high: float = 4.0) -> float:
    """Find where a rising function takes the wanted value: false position on its logarithm, nearly straight."""
    low, below = 1e-3, _log_excess(rising(1e-3), wanted)
    if below >= 0.0:
        raise ModelError(
            f"no chart for this shift runs as short as {wanted:g} values in control: the shortest is {rising(low):.4g}"
        )
    above = _log_excess(rising(high), wanted)
    while above < 0.0:
        low, below, high = high, above, 1.5 * high
        above = _log_excess(rising(high), wanted)
    for _ in range(60):
        finite = math.isfinite(above)
        middle = low - below * (high - low) / (above - below) if finite else 0.5 * (low + high)
        here = _log_excess(rising(middle), wanted)
        if abs(here) < 1e-9 or high - low < 1e-10 * high:
            return middle
        # Illinois' variant: halve the end that stays, so that both ends close in.
        if here < 0.0:
            low, below, above = middle, here, 0.5 * above
        else:
            high, above, below = middle, here, 0.5 * below
    return middle


def _log_excess(run_length: float, wanted: float) -> float:
    return math.log(run_length / wanted)


def _minimise(cost: Callable[[float], float], low: float, high: float) -> float:
    """Golden section: the delay has one minimum over the weight."""
    ratio = 0.6180339887498949
    left, right = high - ratio * (high - low), low + ratio * (high - low)
    cost_left, cost_right = cost(left), cost(right)
    while high - low > 1e-3:
        if cost_left < cost_right:
            high, right, cost_right = right, left, cost_left
            left = high - ratio * (high - low)
            cost_left = cost(left)
        else:
            low, left, cost_left = left, right, cost_right
            right = low + ratio * (high - low)
            cost_right = cost(right)
    return 0.5 * (low + high)
