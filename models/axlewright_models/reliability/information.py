"""What a check is worth before it is made."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from axlewright_models.errors import ModelError

Floats = NDArray[np.float64]


def value_of_check(probabilities: ArrayLike, action_costs: ArrayLike, likelihoods: ArrayLike) -> Floats:
    r"""Return by how much a check lowers the expected cost of the best action, its own cost not yet taken off.

    Parameters
    ----------
    probabilities : array_like, shape (..., causes)
        Chance of each cause, adding to 1.
    action_costs : array_like, shape (actions, causes)
        Expected cost of each action under each cause.
    likelihoods : array_like, shape (outcomes, causes)
        Chance of each outcome of the check under each cause; each column adds to 1.

    Returns
    -------
    ndarray, shape (...)
        0 or more: :math:`\min_a E[c_a] - \sum_o \min_a E[c_a; o]`. A check that cannot change the action is worth
        nothing.

    Raises
    ------
    ModelError
        Shapes that do not match, or chances that don't add to 1.

    Examples
    --------
    A leaking seal (30 %) or only old wet dirt (70 %); replace for 800, or run on, which costs 5000 if it leaks.
    Cleaning and driving half an hour tells for certain:

    >>> float(value_of_check([0.3, 0.7], [[800.0, 800.0], [5000.0, 0.0]], np.eye(2)).round())
    560.0
    """
    chance, cost, likelihood = _checked(probabilities, action_costs, likelihoods)
    before = np.min(chance @ cost.T, axis=-1)
    joint = chance[..., None, :] * likelihood  # (..., outcomes, causes)
    after = np.sum(np.min(joint @ cost.T, axis=-1), axis=-1)
    return np.asarray(np.maximum(before - after, 0.0))


def value_of_certainty(probabilities: ArrayLike, action_costs: ArrayLike) -> Floats:
    """Return the worth of knowing the cause for certain: no check can be worth more.

    Examples
    --------
    >>> float(value_of_certainty([0.3, 0.7], [[800.0, 800.0], [5000.0, 0.0]]).round())
    560.0
    """
    causes = np.shape(probabilities)[-1]
    return value_of_check(probabilities, action_costs, np.eye(causes))


def information_bits(probabilities: ArrayLike, likelihoods: ArrayLike) -> Floats:
    """Return the expected information of a check about the cause, where no costs are known (mutual information). [bit]

    Examples
    --------
    >>> float(information_bits([0.5, 0.5], np.eye(2)))
    1.0
    """
    chance = np.asarray(probabilities, dtype=np.float64)
    chance, _, likelihood = _checked(chance, np.zeros((1, chance.shape[-1])), likelihoods)
    joint = chance[..., None, :] * likelihood
    outcome = joint.sum(axis=-1, keepdims=True)
    independent = outcome * chance[..., None, :]
    ratio = np.divide(joint, independent, out=np.ones_like(joint), where=joint > 0.0)
    return np.asarray(np.maximum(np.sum(joint * np.log2(ratio), axis=(-2, -1)), 0.0))


def _checked(probabilities: ArrayLike, costs: ArrayLike, likelihoods: ArrayLike) -> tuple[Floats, Floats, Floats]:
    chance, cost, likelihood = (np.asarray(part, dtype=np.float64) for part in (probabilities, costs, likelihoods))
    causes = chance.shape[-1]
    if cost.ndim != 2 or likelihood.ndim != 2 or cost.shape[1] != causes or likelihood.shape[1] != causes:
        raise ModelError(
            f"{causes} causes need action_costs of shape (actions, {causes}) and likelihoods of shape "
            f"(outcomes, {causes}); got {cost.shape} and {likelihood.shape}"
        )
    if not (np.allclose(chance.sum(axis=-1), 1.0) and np.allclose(likelihood.sum(axis=0), 1.0)):
        raise ModelError("probabilities must add to 1, and so must each column of likelihoods (outcomes of one cause)")
    return chance, cost, likelihood
