"""The expected lube temperature: each axle's thermal balance, learnt while healthy and run beside the reading."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from axlewright_models.orders import shaft_frequency
from axlewright_models.thermal import PARAMETERS, features, rls_step
from axlewright_server.detectors.batch import Batch
from axlewright_server.detectors.table import AxleTable
from axlewright_server.detectors.timing import Floats

P = len(PARAMETERS)


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


def rows_at(speed: Floats, torque: Floats, shaft: Floats, ambient: Floats) -> tuple[Floats, Floats]:
    """Return the features at ambient temperature, and the change of them per kelvin above it."""
    at_ambient = features(speed, torque, shaft, ambient, ambient)
    per_kelvin = features(speed, torque, shaft, ambient + 1.0, ambient) - at_ambient
    return at_ambient, per_kelvin


def learn(theta: Floats, covariance: Floats, row: Floats, target: Floats, forgetting: float) -> tuple[Floats, Floats]:
    """Return what one more interval teaches; bit for bit the same however many axles learn together."""
    if len(target) == 1:
        # numpy sums a lone row in another order than one of many; two equal rows take the usual path.
        twice = [np.repeat(part, 2, axis=0) for part in (theta, covariance, row, target)]
        theta, covariance = learn(twice[0], twice[1], twice[2], twice[3], forgetting)
        return theta[:1], covariance[:1]
    new_theta, new_covariance, _, _ = rls_step(theta, covariance, row, target, forgetting)
    return new_theta, new_covariance


def _dot(left: NDArray[np.float64], right: NDArray[np.float64]) -> Floats:
    """Return the row-wise product sum in a fixed order, so that it does not depend on the number of rows."""
    total = left[:, 0] * right[:, 0]
    for column in range(1, P):
        total = total + left[:, column] * right[:, column]
    return np.asarray(total)
