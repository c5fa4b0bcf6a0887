"""How long assemblies last, and what to do about it: Weibull life, replacement, decisions, worth of a check.

numpy only; the edge has no use for it.
"""

from __future__ import annotations

from axlewright_models.reliability.decision import Action, Condition, Costs, Outlook, Terms, best_wait, outlook
from axlewright_models.reliability.information import information_bits, value_of_certainty, value_of_check
from axlewright_models.reliability.replacement import (
    Interval,
    age_replacement_cost_rate,
    best_interval_with_minimal_repairs,
    best_replacement_age,
)
from axlewright_models.reliability.weibull import Weibull, WeibullFit, fit_weibull, weibull_scale

__all__ = [
    "Action",
    "Condition",
    "Costs",
    "Interval",
    "Outlook",
    "Terms",
    "Weibull",
    "WeibullFit",
    "age_replacement_cost_rate",
    "best_interval_with_minimal_repairs",
    "best_replacement_age",
    "best_wait",
    "fit_weibull",
    "information_bits",
    "outlook",
    "value_of_certainty",
    "value_of_check",
    "weibull_scale",
]
