"""Where a drive axle's heat comes from, where it goes, and what each axle teaches about its own balance."""

from __future__ import annotations

from axlewright_models.thermal.estimator import PARAMETERS, PRIOR, Prior, features, predict, prior, rls_step
from axlewright_models.thermal.spin import spin_loss_w

__all__ = ["PARAMETERS", "PRIOR", "Prior", "features", "predict", "prior", "rls_step", "spin_loss_w"]
