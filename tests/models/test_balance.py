"""Unbalance against the worked examples of the standards' grades."""

import pytest
from numpy.testing import assert_allclose

from axlewright_models import balance
from axlewright_models.errors import ModelError


@pytest.mark.parametrize(
    ("grade", "mass", "speed", "unbalance"),
    [
        ("G16", 30.0, 3000.0, 1527.9),  # computed from U = 9549 G m / n (handbook)
        ("G40", 30.0, 3000.0, 3819.7),
        ("G16", 45.0, 1900.0, 3618.7),
        ("G2.5", 3600.0, 3000.0, 28648.0),  # example of ISO 1940, from memory
    ],
)
def test_permissible_unbalance_follows_the_examples(grade, mass, speed, unbalance):
    found = balance.permissible_unbalance_g_mm(balance.GRADES_MM_S[grade], mass, speed)
    assert_allclose(found, unbalance, rtol=3e-5)


def test_permissible_eccentricity_of_a_driveshaft_at_3000():
    assert_allclose(balance.permissible_eccentricity_um(16.0, 3000.0), 50.93, atol=0.005)


def test_force_is_mass_times_eccentricity_times_speed_squared():  # second way: m a at the eccentricity
    eccentricity_m = balance.permissible_eccentricity_um(16.0, 1900.0) * 1e-6
    unbalance = balance.permissible_unbalance_g_mm(16.0, 45.0, 1900.0)
    assert_allclose(balance.unbalance_force_n(unbalance, 1900.0), 45.0 * eccentricity_m * (198.9675) ** 2, rtol=1e-6)


def test_a_standing_shaft_has_no_grade():
    with pytest.raises(ModelError, match="highest speed in service"):
        balance.permissible_eccentricity_um(16.0, 0.0)
