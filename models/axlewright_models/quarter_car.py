"""The quarter car: one wheel, its share of the body, and how the road moves both."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

# Directive 96/53/EC, annex II: what counts as equivalent to air suspension.
EQUIVALENT_HIGHEST_HZ = 2.0
EQUIVALENT_LEAST_DAMPING = 0.20


@dataclass(frozen=True)
class QuarterCar:
    """One wheel end.

    Parameters
    ----------
    sprung_kg, unsprung_kg : float
        Its share of the body; wheel, hub and half axle. [kg]
    spring_n_m, tyre_n_m : float
        Stiffness. [N/m]
    damper_n_s_m : float
        [N.s/m]
    """

    sprung_kg: float
    unsprung_kg: float
    spring_n_m: float
    tyre_n_m: float
    damper_n_s_m: float

    def __post_init__(self) -> None:
        for name in ("sprung_kg", "unsprung_kg", "spring_n_m", "tyre_n_m"):
            if not getattr(self, name) > 0.0:
                raise ModelError(f"{name} is {getattr(self, name)}; it must be above 0")
        if self.damper_n_s_m < 0.0:
            raise ModelError(f"damper_n_s_m is {self.damper_n_s_m}; it must not be below 0")

    @property
    def undamped_frequencies_hz(self) -> tuple[float, float]:
        """Return body bounce and wheel hop, without the damper. [Hz]

        The roots of ``ms mu w4 - (ks mu + (ks + kt) ms) w2 + ks kt = 0``.

        Examples
        --------
        >>> bounce, hop = QuarterCar(4500, 500, 400e3, 1e6, 0).undamped_frequencies_hz
        >>> round(bounce, 3), round(hop, 2)
        (1.262, 8.46)
        """
        first = self.sprung_kg * self.unsprung_kg
        middle = self.spring_n_m * self.unsprung_kg + (self.spring_n_m + self.tyre_n_m) * self.sprung_kg
        last = self.spring_n_m * self.tyre_n_m
        root = np.sqrt(middle**2 - 4.0 * first * last)
        # The small root through the product of the roots: a difference of large numbers would lose digits.
        high = (middle + root) / (2.0 * first)
        low = last / (first * high)
        return float(np.sqrt(low) / (2.0 * np.pi)), float(np.sqrt(high) / (2.0 * np.pi))

    @property
    def uncoupled_frequencies_hz(self) -> tuple[float, float]:
        """Return bounce (both springs in series) and hop (body held fast), the usual rule of thumb. [Hz]

        Within about one per cent of :attr:`undamped_frequencies_hz` for a heavy truck.
        """
        series = self.spring_n_m * self.tyre_n_m / (self.spring_n_m + self.tyre_n_m)
        bounce = np.sqrt(series / self.sprung_kg) / (2.0 * np.pi)
        return float(bounce), float(np.sqrt((self.spring_n_m + self.tyre_n_m) / self.unsprung_kg) / (2.0 * np.pi))

    @property
    def damping_ratio(self) -> float:
        """Return the body's damping over critical, its tyre taken as rigid."""
        return float(self.damper_n_s_m / (2.0 * np.sqrt(self.spring_n_m * self.sprung_kg)))

    @property
    def air_suspension_equivalent(self) -> bool:
        """Return whether bounce and damping meet Directive 96/53/EC, annex II.

        At most 2.0 Hz and more than 20 % of critical, on rigid tyres; its test with the dampers off is not
        covered.
        """
        bounce = float(np.sqrt(self.spring_n_m / self.sprung_kg) / (2.0 * np.pi))
        return bounce <= EQUIVALENT_HIGHEST_HZ and self.damping_ratio > EQUIVALENT_LEAST_DAMPING

    def response(self, frequency_hz: ArrayLike) -> Response:
        """Return what a road of unit height does, at each frequency above 0."""
        frequency = np.asarray(frequency_hz, dtype=np.float64)
        s = 2j * np.pi * frequency
        link = self.spring_n_m + self.damper_n_s_m * s
        body = self.sprung_kg * s**2 + link
        wheel = self.unsprung_kg * s**2 + link + self.tyre_n_m
        below = body * wheel - link**2
        body_height, wheel_height = self.tyre_n_m * link / below, self.tyre_n_m * body / below
        return Response(
            frequency,
            np.asarray(body_height * s**2),
            np.asarray(body_height - wheel_height),
            np.asarray(self.tyre_n_m * (1.0 - wheel_height)),
        )


@dataclass(frozen=True)
class Response:
    """Transfer from road height, each of shape (n,).

    Parameters
    ----------
    frequency_hz : ndarray
        [Hz]
    body_acceleration : ndarray
        [1/s2]
    suspension_travel : ndarray
        Ride height's change. [1]
    tyre_force : ndarray
        Dynamic load. [N/m]
    """

    frequency_hz: Array
    body_acceleration: Complex
    suspension_travel: Complex
    tyre_force: Complex


def road_rms(transfer: Complex, frequency_hz: Array, speed_m_s: float, roughness_m3: float) -> float:
    r"""Return the rms of a response on a road of a given roughness.

    Parameters
    ----------
    transfer : ndarray, shape (n,)
        From road height, as in :class:`Response`.
    frequency_hz : ndarray, shape (n,)
        Rising, above 0. [Hz]
    speed_m_s : float
        [m/s]
    roughness_m3 : float
        :math:`G_d(n_0)` at 0.1 cycles/m; ISO 8608 class means are 16e-6 (A), 64e-6 (B), 256e-6 (C). [m3]

    Returns
    -------
    float
        Unit of the transfer times metre.

    Notes
    -----
    :math:`G(f) = G_d(n_0) n_0^2 v / f^2`, integrated by the trapezoid rule.

    References
    ----------
    ISO 8608, "Mechanical vibration - Road surface profiles" (waviness 2; class means from memory).
    """
    if not speed_m_s > 0.0:
        raise ModelError(f"speed_m_s is {speed_m_s}; a standing truck has no road input")
    density = roughness_m3 * 0.1**2 * speed_m_s / frequency_hz**2
    power = (transfer.real**2 + transfer.imag**2) * density
    return float(np.sqrt(np.sum(0.5 * (power[1:] + power[:-1]) * np.diff(frequency_hz))))
