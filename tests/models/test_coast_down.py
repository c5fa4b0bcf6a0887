"""The coast-down example of 40 CFR 1037.528, number by number."""

from __future__ import annotations

import pytest

from axlewright_models.thermal.coast_down import drag_area_m2, resistance_n, tyre_resistance_n
from axlewright_models.thermal.spin import spin_loss_w


def test_high_speed_force_of_the_worked_example():
    # 31.28 to 26.77 m/s in 16.06 s, 17129 kg effective, 16108 kg, 0.503 m up in 482.4 m, g 9.8061: 4645.5 N.
    force = resistance_n(31.28, 26.77, 16.06, 16108.0, 17129.0, 0.503 / 482.4, 9.8061)
    assert float(force) == pytest.approx(4645.5, abs=0.1)


def test_drag_area_of_the_worked_example():
    # Forces 4645.5 and 1005.0 N, spin loss 77.0 N apart, tyres 187.4 N apart: 6.120 m2.
    spin = spin_loss_w(28.86) / 28.86 - spin_loss_w(5.84) / 5.84
    tyres = tyre_resistance_n(1028.7, 25.5) - tyre_resistance_n(837.5, 25.1)
    assert float(tyres) == pytest.approx(187.4, abs=0.1)
    area = drag_area_m2(4645.5 - 1005.0 - spin - tyres, 933.4 - 43.12, 285.97 - 273.15, 101727.0)
    assert float(area) == pytest.approx(6.120, abs=0.001)


def test_tyre_resistances_of_the_worked_example():
    assert float(tyre_resistance_n(1028.7, 25.5)) == pytest.approx(1019.4, abs=0.05)
    assert float(tyre_resistance_n(837.5, 25.1)) == pytest.approx(832.0, abs=0.05)


def test_dragging_brake_adds_its_force():
    healthy = resistance_n(25.0, 23.0, 20.0, 20000.0, 21000.0)
    dragged = resistance_n(25.0, 23.0, 17.0, 20000.0, 21000.0)
    assert float(dragged - healthy) == pytest.approx(21000.0 * 2.0 * (1 / 17.0 - 1 / 20.0))
