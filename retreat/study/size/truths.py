"""One truth of many draws, or of priors."""

from __future__ import annotations

import numpy as np

from retreat.coding import Coding
from retreat.definitions import Definition
from retreat.model.kernel import Parameters


def mean_of(truth: Parameters) -> Parameters:
    """One truth: the mean of the draws; of an operator not seen, the middle one."""
    loading = truth.patient_loading
    return Parameters(
        truth.coefficients.mean(axis=0, keepdims=True),
        truth.session_effects.mean(axis=0, keepdims=True),
        np.zeros((1, truth.n_ends)),
        loading.mean(axis=0, keepdims=True),
        truth.never.mean(keepdims=True),
    )


def prior_means(definition: Definition, coding: Coding, sessions: int) -> Parameters:
    """The means of a definition's priors; patients differ in the first end by the scale of their prior."""
    coefficients, _ = definition.coefficient_priors(coding)
    first, _ = definition.first_session_priors()
    never, patient = definition.groups.never, definition.groups.patient
    loading = np.zeros((1, len(definition.ends)))
    loading[:, 0] = patient.sd if patient else 0.0
    return Parameters(
        coefficients[None],
        np.repeat(first[None, None, :, None], sessions, axis=-1),
        np.zeros_like(loading),
        loading,
        np.array([0.0 if never is None else never.mean]),
    )
