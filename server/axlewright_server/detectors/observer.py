r"""The expected lube temperature: each axle's thermal balance, learnt while healthy and run beside the reading.

The law is that of :mod:`axlewright_models.thermal.estimator` with two refinements that let it hold from one season to
the next: no-load and mesh loss follow the lube's viscosity at its temperature (shares and exponents of
:class:`axlewright_models.thermal.LossModel`, lube 75W-90), and cooling by the wind of travel follows the film
coefficient of a cylinder across the flow (:func:`axlewright_models.thermal.cooling.film_w_m2_k`) instead of the root
of the speed:

.. math:: \frac{dT}{dt} = a_0 P_{spin}(v)\,\phi(T) + a_1 |M \omega|\,\mu(T) - (b_0 + b_1 h(v)/h(29))(T - T_a)

It stays linear in its four parameters, so recursive least squares still learns them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from axlewright_models.lube.viscosity import ViscosityLaw
from axlewright_models.orders import shaft_frequency
from axlewright_models.thermal import PARAMETERS, PRIOR, LossModel, Prior, rls_step, spin_loss_w
from axlewright_models.thermal.cooling import film_w_m2_k
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Floats

P = len(PARAMETERS)
_FAST_M_S = 29.0


def _belief() -> Prior:
    """Return the prior with its last parameter told for the film's law: the same 65 W/K at 29 m/s."""
    scale = np.ones(P)
    scale[3] = np.sqrt(_FAST_M_S)
    return Prior(
        PRIOR.theta * scale, PRIOR.covariance * scale[:, None] * scale[None, :], PRIOR.low * scale, PRIOR.high * scale
    )


BELIEF = _belief()

# Tables: the laws cost too much to work out anew for every reading.
_LOSS = LossModel()
_CEL = np.arange(-60.0, 211.0, 0.5)
_THICK = ViscosityLaw.through((40.0, 100.0), (100.0, 14.5)).viscosity(_CEL) / _LOSS.reference_mm2_s
_PHI = (
    _LOSS.churning_share * _THICK**_LOSS.churning_exponent
    + _LOSS.bearing_share * _THICK**_LOSS.bearing_exponent
    + _LOSS.seal_share
)
_MU = _THICK**_LOSS.mesh_exponent
_M_S = np.arange(0.0, 50.5, 0.25)
_FILM = np.where(_M_S > 0.0, film_w_m2_k(np.maximum(_M_S, 0.1)) / film_w_m2_k(_FAST_M_S), 0.0)
_SPIN_KW = spin_loss_w(_M_S) / 1e3


def inputs(batch: Batch, table: AxleTable) -> tuple[Floats, Floats, Floats, Floats]:
    """Return speed [m/s], torque at the axle [N.m], shaft speed [rad/s] and ambient [Cel], (n,) each.

    A tandem's axles share the torque. A truck that stands passes on nothing, whatever is missing; a missing shaft speed
    follows from road speed, tyre and axle ratio.
    """
    speed_km_h = batch.column("speed")
    rows = batch.axles
    geared = shaft_frequency(speed_km_h, table.revolutions_per_km[rows], table.ratio[rows]) * (2.0 * np.pi)
    measured = batch.column("shaft-speed") * (np.pi / 30.0)
    shaft = np.where(np.isnan(measured), geared, measured)
    share = np.where(table.partner[rows] >= 0, 0.5, 1.0)
    torque = batch.column("torque") * share
    standing = (speed_km_h < 0.5) | (np.isnan(speed_km_h) & (batch.column("parked") > 0.5))
    return (
        np.where(standing, 0.0, speed_km_h / 3.6),
        np.where(standing, 0.0, torque),
        np.where(standing, 0.0, shaft),
        batch.column("ambient"),
    )


def advance(expected: Floats, theta: Floats, row: Floats, excess_row: Floats, ambient: Floats, dt_s: Floats) -> Floats:
    """Return the expectation after `dt_s` seconds of constant conditions (exact for the linear law).

    ``row``: features at the ambient temperature (heat only), (n, p). ``excess_row``: what one kelvin of excess
    adds, (n, p).
    """
    heat = _dot(row, theta)
    cooling = np.maximum(-_dot(excess_row, theta), 1e-7)
    balance = ambient + heat / cooling
    return np.asarray(balance + (expected - balance) * np.exp(-cooling * dt_s))


def rows_at(speed: Floats, torque: Floats, shaft: Floats, lube_cel: Floats) -> tuple[Floats, Floats]:
    """Return the features without excess temperature, the lube being as thick as at `lube_cel`, and those per kelvin.

    Missing inputs give NaN.
    """
    heat, per_kelvin = np.zeros((len(speed), P)), np.zeros((len(speed), P))
    heat[:, 0] = np.interp(speed, _M_S, _SPIN_KW) * np.interp(lube_cel, _CEL, _PHI)
    heat[:, 1] = np.abs(torque * shaft) / 1e3 * np.interp(lube_cel, _CEL, _MU)
    per_kelvin[:, 2] = -1.0
    per_kelvin[:, 3] = -np.interp(speed, _M_S, _FILM)
    return heat, per_kelvin


def learn(theta: Floats, covariance: Floats, row: Floats, target: Floats, forgetting: float) -> tuple[Floats, Floats]:
    """Return what one more interval teaches; bit for bit the same however many axles learn together."""
    if len(target) == 1:
        # numpy sums a lone row in another order than one of many; two equal rows take the usual path.
        twice = [np.repeat(part, 2, axis=0) for part in (theta, covariance, row, target)]
        theta, covariance = learn(twice[0], twice[1], twice[2], twice[3], forgetting)
        return theta[:1], covariance[:1]
    new_theta, new_covariance, _, _ = rls_step(theta, covariance, row, target, forgetting, belief=BELIEF)
    return new_theta, new_covariance


def _dot(left: NDArray[np.float64], right: NDArray[np.float64]) -> Floats:
    """Return the row-wise product sum in a fixed order, so that it does not depend on the number of rows."""
    total = left[:, 0] * right[:, 0]
    for column in range(1, P):
        total = total + left[:, column] * right[:, column]
    return np.asarray(total)
