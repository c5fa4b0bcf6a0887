"""Lip speed, lip temperature, ageing and pressure."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from axlewright_models.errors import ModelError
from axlewright_models.seals import (
    ELASTOMERS,
    LipContact,
    elastomer,
    geometry_use,
    life_used_per_h,
    lip_speed_m_s,
    lip_temperature_cel,
    sealed_pressure_kpa,
)


def test_lip_speed_of_a_90_mm_shaft():
    # v = pi d n / 60000; 90 mm at 1852 per minute gives 8.73 m/s (our list of reference values).
    assert float(lip_speed_m_s(90.0, 1852.0)) == pytest.approx(8.73, abs=0.005)


def test_chart_of_materials_is_the_suppliers():
    # Seal supplier's chart: low, continuous, short; second chart's stricter limit.
    assert {name: (m.low_cel, m.high_cel, m.short_cel, m.strict_cel) for name, m in ELASTOMERS.items()} == {
        "NBR": (-40.0, 120.0, 140.0, 100.0),
        "HNBR": (-30.0, 150.0, 170.0, 149.0),
        "ACM": (-20.0, 150.0, 175.0, 149.0),
        "FKM": (-20.0, 200.0, 230.0, 199.0),
    }
    assert elastomer("fkm").name == "FKM"
    with pytest.raises(ModelError, match="unknown seal material 'leather'; use one of NBR"):
        elastomer("leather")


def test_lip_temperature_agrees_with_a_finite_difference_rod():
    # Own derivation, second way: a long rod cut into slices, heated at the lip, oil on one half and air on the other.
    diameter, power_factor = 0.09, 1852.0
    contact = LipContact()
    slices, length = 1501, 3.0
    step = length / slices
    area, girth = np.pi * diameter**2 / 4.0, np.pi * diameter
    side = np.arange(slices) < slices // 2
    film = np.where(side, contact.oil_film_w_m2_k, contact.air_film_w_m2_k) * girth * step
    film[slices // 2] = 0.5 * (contact.oil_film_w_m2_k + contact.air_film_w_m2_k) * girth * step
    around = np.where(side, 90.0, 20.0)
    mix = contact.oil_film_w_m2_k / (contact.oil_film_w_m2_k + contact.air_film_w_m2_k)
    around[slices // 2] = mix * 90.0 + (1.0 - mix) * 20.0
    link = contact.conductivity_w_m_k * area / step
    matrix = np.diag(film + 2 * link) - link * (np.eye(slices, k=1) + np.eye(slices, k=-1))
    matrix[0, 0] -= link
    matrix[-1, -1] -= link
    heat = film * around
    heat[slices // 2] += contact.friction_n_m * girth * float(lip_speed_m_s(90.0, power_factor))
    rod = np.linalg.solve(matrix, heat)
    assert float(lip_temperature_cel(90.0, 20.0, 90.0, power_factor)) == pytest.approx(rod[slices // 2], abs=0.1)


def test_lip_runs_hotter_with_speed_either_way_round():
    speeds = np.array([0.0, 600.0, 1200.0, 1800.0])
    rise = lip_temperature_cel(85.0, 20.0, 80.0, speeds)
    assert np.all(np.diff(rise) > 0)
    assert_allclose(rise, lip_temperature_cel(85.0, 20.0, 80.0, -speeds))
    assert lip_temperature_cel([80.0, np.nan], 20.0, 80.0, 0.0).shape == (2,)


def test_ageing_is_faster_with_heat_and_can_use_the_stricter_chart():
    normal, hot = life_used_per_h([100.0, 120.0], "NBR")
    assert hot == pytest.approx(1e-3)
    assert 3.0 < hot / normal < 6.0  # 90 kJ/mol over 20 K near 110 Cel: exp(90e3 / 8.314 * (1/373 - 1/393)) = 4.4
    strict = float(life_used_per_h(100.0, "NBR", limit_cel=ELASTOMERS["NBR"].strict_cel))
    assert strict == pytest.approx(1e-3)


def test_blocked_breather_builds_the_pressure_of_an_ideal_gas():
    # 20 -> 90 Cel, sealed: +24 % absolute, about 24 kPa (our list of reference values).
    rise = float(sealed_pressure_kpa(20.0, 90.0))
    assert rise == pytest.approx(24.0, abs=0.3)
    assert rise / 101.325 == pytest.approx(0.24, abs=0.002)
    assert float(sealed_pressure_kpa(90.0, 20.0)) < 0.0


def test_geometry_limits_are_those_of_the_suppliers_note():
    # 0.08 mm offset, 0.13 mm runout, 0.20 mm together.
    assert_allclose(geometry_use([0.08, 0.0, 0.1, -0.08], [0.0, 0.13, 0.1, 0.13]), [1.0, 1.0, 1.25, 1.05])
