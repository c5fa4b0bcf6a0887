"""What a shop knows of drive axles: checks with limit, tool and caution. Data only; one home for all rooms."""

from __future__ import annotations

from axlewright_models.errors import ModelError
from axlewright_models.shop.cautions import CAUTION_SOURCES, CAUTIONS
from axlewright_models.shop.check import Check, Verdict
from axlewright_models.shop.driveline_checks import DRIVELINE_CHECKS
from axlewright_models.shop.housing_checks import HOUSING_CHECKS
from axlewright_models.shop.suspension_checks import SUSPENSION_CHECKS

CHECKS: dict[str, Check] = {check.id: check for check in (*SUSPENSION_CHECKS, *DRIVELINE_CHECKS, *HOUSING_CHECKS)}


def check(check_id: str) -> Check:
    """Return the check of this id.

    Raises
    ------
    ModelError
        There is none; the text lists those that exist.
    """
    try:
        return CHECKS[check_id]
    except KeyError:
        raise ModelError(f"unknown check {check_id!r}; use one of {', '.join(CHECKS)}") from None


__all__ = ["CAUTIONS", "CAUTION_SOURCES", "CHECKS", "Check", "Verdict", "check"]
