"""Torque at the transmission's output, from what engine and transmission say of themselves."""

from __future__ import annotations

import math
from dataclasses import dataclass

# A ratio or a friction figure older than this belongs to another moment.
FRESH_S = 2.0
SLOWEST_INPUT_1_MIN = 100.0  # below this two shaft speeds are too coarse to give a ratio


@dataclass
class _Known:
    value: float = math.nan
    heard_s: float = -math.inf

    def at(self, elapsed_s: float) -> float:
        return self.value if elapsed_s - self.heard_s <= FRESH_S else math.nan


class TorqueEstimate:
    r"""Engine torque times gear ratio.

    :math:`T = (p - f) / 100 \cdot T_\mathrm{ref} \cdot i` with actual percent torque p (SPN 513, with the fraction of
    SPN 4154 where it is sent), nominal friction f (SPN 514; 0 until it is heard), reference torque (SPN 544) and
    actual gear ratio i (SPN 526, else input over output speed, SPN 161 / 191). Neutral, or a driveline that says that
    it is not engaged (SPN 560), gives 0. That percent torque holds the friction within it is from memory, to
    be confirmed.
    The gearbox's losses, a retarder and a slipping clutch are not in it: a few per cent too high while driving.

    Parameters
    ----------
    reference_nm : float, optional
        Reference torque until one is heard. [N.m]

    Examples
    --------
    >>> torque = TorqueEstimate(reference_nm=2000.0)
    >>> torque.gear(2.5, 6.0, 10.0)
    2.5
    >>> torque.engine(62.0, 10.1)
    3100.0
    """

    def __init__(self, reference_nm: float | None = None) -> None:
        self._reference_nm = math.nan if reference_nm is None else reference_nm
        self._friction = _Known(0.0, math.inf)
        self._ratio = _Known()
        self._engaged = _Known()
        self._derived = _Known()

    @property
    def friction_heard(self) -> bool:
        """Whether the engine's friction is known."""
        return math.isfinite(self._friction.heard_s)

    @property
    def reference_known(self) -> bool:
        """Whether the reference torque is known."""
        return math.isfinite(self._reference_nm)

    def reference(self, torque_nm: float) -> None:
        """Take the engine's reference torque; it does not change."""
        self._reference_nm = torque_nm

    def friction(self, percent: float, elapsed_s: float) -> None:
        """Take the friction, in per cent of the reference torque."""
        # It changes slowly and is sent seldom: the last word stays.
        self._friction = _Known(percent, elapsed_s)

    def gear(self, ratio: float | None, current: float | None, elapsed_s: float) -> float:
        """Take the gear ratio and the current gear (0 neutral, below 0 reverse); return the ratio driven or NaN."""
        if current == 0.0:
            value = 0.0
        elif ratio is None:
            return math.nan
        else:
            value = -ratio if current is not None and current < 0.0 else ratio
        self._ratio = _Known(value, elapsed_s)
        return value

    def shafts(self, engaged: float | None, output: float | None, input_: float | None, elapsed_s: float) -> None:
        """Take whether the driveline is engaged, and the two shaft speeds. [1/min]"""
        if engaged is not None:
            self._engaged = _Known(engaged, elapsed_s)
        told = math.isfinite(self._ratio.at(elapsed_s))
        fast = output is not None and input_ is not None and min(output, input_) >= SLOWEST_INPUT_1_MIN
        if not told and fast and self._engaged.at(elapsed_s) == 1.0:
            assert output is not None and input_ is not None
            self._derived = _Known(input_ / output, elapsed_s)

    def engine(self, percent: float, elapsed_s: float) -> float:
        """Take actual percent torque; return the torque at the transmission's output, NaN while unknown. [N.m]"""
        if self._engaged.at(elapsed_s) == 0.0:
            return 0.0
        ratio = self._ratio.at(elapsed_s)
        if math.isnan(ratio):
            ratio = self._derived.at(elapsed_s)
        return (percent - self._friction.value) / 100.0 * self._reference_nm * ratio
