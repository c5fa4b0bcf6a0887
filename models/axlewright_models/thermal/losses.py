r"""Power that a drive axle turns to heat: mesh, churning, bearings, seals.

No published loss model may be taken as truth for a hypoid truck axle (tests disagree by a factor of ten). So the
size of the loss is anchored on two regulations, and published exponents only scale it with viscosity and fill:

* no-load loss: the regression of the worked example in 40 CFR 1037.528(h)(5), half of it to each axle of a tandem, at
  the viscosity of a 75W-90 at 82 Cel and the nominal fill;
* load-dependent loss: what remains of the default efficiency 0.955 of 40 CFR 1036.545(f)(3) at 130 kW and 29 m/s.

The shares of churning, bearings and seals, and the starvation term, are own choices.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.thermal.spin import WHEEL_REV_PER_M, spin_loss_w

Floats = NDArray[np.float64]

DEFAULT_EFFICIENCY = 0.955
"""40 CFR 1036.545(f)(3), positive torque."""

ANCHOR_POWER_W, ANCHOR_SPEED_M_S = 130e3, 29.0


def anchored_mesh_fraction() -> float:
    """Return the share of the power passed on that the mesh must lose for the default efficiency to come out.

    Examples
    --------
    >>> round(anchored_mesh_fraction(), 4)
    0.016
    """
    lost = (1.0 - DEFAULT_EFFICIENCY) * ANCHOR_POWER_W
    return float((lost - spin_loss_w(ANCHOR_SPEED_M_S)) / ANCHOR_POWER_W)


@dataclass(frozen=True)
class LossModel:
    """Shares and exponents of one axle's losses.

    ``axle_share`` of the regression's loss falls to this axle. Exponents of viscosity: churning 0.21 (Changenet and
    Velex, Re to the power -0.21), bearings 2/3 (Palmgren), mesh friction -0.05 (Niemann and Winter), all three from
    memory. ``depth_ratio``: nominal immersion of the ring gear over its radius; ``width_ratio``: its width over its
    radius. Below ``starving_fill`` of the nominal volume the mesh and bearings run short of lube: friction rises up to
    ``1 + starving_gain`` when dry.
    """

    axle_share: float = 0.5
    churning_share: float = 0.65
    bearing_share: float = 0.20
    seal_share: float = 0.15
    mesh_fraction: float = anchored_mesh_fraction()
    reference_mm2_s: float = 22.8
    churning_exponent: float = 0.21
    bearing_exponent: float = 2.0 / 3.0
    mesh_exponent: float = -0.05
    depth_ratio: float = 0.4
    width_ratio: float = 0.2
    starving_fill: float = 0.6
    starving_gain: float = 4.0


DEFAULT_LOSS = LossModel()


@dataclass(frozen=True)
class Losses:
    """Heat made in one axle, by cause. [W]"""

    mesh_w: Floats
    churning_w: Floats
    bearing_w: Floats
    seal_w: Floats

    @property
    def total_w(self) -> Floats:
        """All of it. [W]"""
        return self.mesh_w + self.churning_w + self.bearing_w + self.seal_w


def losses(
    speed_m_s: ArrayLike,
    torque_n_m: ArrayLike,
    shaft_speed_rad_s: ArrayLike,
    viscosity_mm2_s: ArrayLike,
    fill: ArrayLike = 1.0,
    model: LossModel = DEFAULT_LOSS,
) -> Losses:
    """Return the heat that one axle makes.

    Parameters
    ----------
    speed_m_s : array_like, any shape
        Road speed; the sign does not matter. [m/s]
    torque_n_m, shaft_speed_rad_s : array_like, broadcastable
        Torque that this axle takes at its input, drive or overrun, and that shaft's speed. [N m], [rad/s]
    viscosity_mm2_s : array_like, broadcastable
        Of the lube at its temperature. [mm2/s]
    fill : array_like, broadcastable
        Volume of lube over the nominal volume; 1 = level with the plug.
    model : LossModel
        Shares and exponents.

    Returns
    -------
    Losses

    Examples
    --------
    >>> at_cruise = losses(29.0, 361.0, 180.0, 22.8)
    >>> round(float(at_cruise.total_w) / (361.0 * 180.0), 3)
    0.045
    """
    spin = model.axle_share * spin_loss_w(np.abs(np.asarray(speed_m_s, dtype=np.float64)), WHEEL_REV_PER_M)
    thick = np.asarray(viscosity_mm2_s, dtype=np.float64) / model.reference_mm2_s
    fill = np.asarray(fill, dtype=np.float64)
    starved = starvation(fill, model)
    passed_on = np.abs(np.asarray(torque_n_m, dtype=np.float64) * np.asarray(shaft_speed_rad_s, dtype=np.float64))
    return Losses(
        mesh_w=model.mesh_fraction * passed_on * thick**model.mesh_exponent * starved,
        churning_w=model.churning_share * spin * thick**model.churning_exponent * immersion_factor(fill, model),
        bearing_w=model.bearing_share * spin * thick**model.bearing_exponent * starved,
        seal_w=np.asarray(model.seal_share * spin + 0.0 * thick),
    )


def starvation(fill: ArrayLike, model: LossModel = DEFAULT_LOSS) -> Floats:
    """Return the factor on friction for want of lube: 1 while there is enough.

    Examples
    --------
    >>> starvation([1.0, 0.6, 0.3, 0.0])
    array([1., 1., 2., 5.])
    """
    short = np.clip(1.0 - np.asarray(fill, dtype=np.float64) / model.starving_fill, 0.0, 1.0)
    return np.asarray(1.0 + model.starving_gain * short**2)


def immersion_factor(fill: ArrayLike, model: LossModel = DEFAULT_LOSS) -> Floats:
    r"""Return churning at a fill over churning at the nominal one.

    Notes
    -----
    Changenet and Velex (2007), viscous regime: torque goes with :math:`S\,(h/D)^{0.45}\,V^{0.1}` (constants from
    memory), with the wetted surface S of two disc faces and the rim. The depth h is taken proportional to the volume.

    Examples
    --------
    >>> immersion_factor([0.0, 1.0, 1.3]).round(2)
    array([0.  , 1.  , 1.58])
    """
    fill = np.maximum(np.asarray(fill, dtype=np.float64), 0.0)
    wetted = _wetted(fill * model.depth_ratio, model) / _wetted(np.asarray(model.depth_ratio), model)
    return np.asarray(wetted * fill**0.45 * fill**0.1)


def _wetted(depth_ratio: Floats, model: LossModel) -> Floats:
    """Return the wetted surface over the radius squared."""
    angle = np.arccos(1.0 - np.clip(depth_ratio, 0.0, 2.0))
    return np.asarray(2.0 * (angle - np.sin(angle) * np.cos(angle)) + 2.0 * angle * model.width_ratio)


def mismatch_force_n(
    radius_difference_mm: ArrayLike, rolling_radius_mm: float, slip_stiffness_n: float = 400e3, limit_n: float = 30e3
) -> Floats:
    """Return the force that two axles of unlike tyres push against each other with, inter-axle differential locked.

    Parameters
    ----------
    radius_difference_mm : array_like, any shape
        Rolling radius, forward less rear. [mm]
    rolling_radius_mm : float
        Mean rolling radius. [mm]
    slip_stiffness_n : float
        Longitudinal force of one axle's tyres per unit of slip (own choice; four large tyres). [N]
    limit_n : float
        Adhesion of the axle (own choice). [N]

    Notes
    -----
    Own derivation: each axle slips half of the difference. Military manuals (US Army TM 5-3810-300-24&P2) tell the
    result: the axles fight, and their lube warms. The power that circulates is force times speed; each mesh loses its
    share.

    Examples
    --------
    >>> mismatch_force_n([3.2, -3.2, 100.0], 500.0).round(0)
    array([ 1280., -1280., 30000.])
    """
    slip = 0.5 * np.asarray(radius_difference_mm, dtype=np.float64) / rolling_radius_mm
    return np.asarray(np.clip(slip_stiffness_n * slip, -limit_n, limit_n))
