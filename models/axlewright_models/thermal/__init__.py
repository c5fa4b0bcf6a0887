"""Where a drive axle's heat comes from, where it goes, and what each axle teaches about its own balance."""

from __future__ import annotations

from axlewright_models.thermal.balance import Axle, Duty, Effect, advance, sensitivities, steady_state, warm_up
from axlewright_models.thermal.estimator import PARAMETERS, PRIOR, Prior, features, predict, prior, rls_step
from axlewright_models.thermal.expected import expected_after, settled_cel
from axlewright_models.thermal.losses import Losses, LossModel, losses
from axlewright_models.thermal.spin import spin_loss_w

__all__ = [
    "Axle",
    "Duty",
    "Effect",
    "LossModel",
    "Losses",
    "PARAMETERS",
    "PRIOR",
    "Prior",
    "advance",
    "expected_after",
    "features",
    "losses",
    "predict",
    "prior",
    "rls_step",
    "sensitivities",
    "settled_cel",
    "spin_loss_w",
    "steady_state",
    "warm_up",
]
