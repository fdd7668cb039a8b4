"""A posterior made by a normal approximation, in the form of the Bayesian fit's: for reports without a sampler."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from retreat.fitting.design import Design
from retreat.fitting.logistic_model import logistic_model
from retreat.model import kernel
from retreat.model.kernel import Parameters


@dataclass(frozen=True)
class ToyPosterior:
    design: Design
    coefficients: np.ndarray
    session_effects: np.ndarray
    step_sd: np.ndarray
    operator_sd: np.ndarray
    operator_effect: np.ndarray
    patient_loading: np.ndarray
    never: np.ndarray
    failures: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    n_chains: int = 1

    def parameters(self, *, seed: int) -> Parameters:
        return Parameters(
            coefficients=self.coefficients,
            session_effects=self.session_effects[:, None],
            operator_effect=np.zeros(self.coefficients.shape[:2]),
            patient_loading=self.patient_loading,
            never=self.never,
        )

    def patient_log_likelihood(self) -> np.ndarray:
        """One patient after another; without an effect of patients their cases are independent."""
        design = self.design
        last = design.sessions.max()
        stratum = np.zeros(len(design.X), dtype=np.intp)
        pmf = kernel.pmf(self.parameters(seed=1), design.X, stratum, horizon=int(last), link="logit")
        staying = 1.0 - np.cumsum(pmf.sum(axis=2), axis=-1)
        case = np.arange(len(design.X))
        ended = pmf[:, case, np.maximum(design.ending - 1, 0), design.sessions - 1]
        chance = np.where(design.ending > 0, ended, staying[:, case, design.sessions - 1])
        patient = np.unique(design.patient, return_inverse=True)[1]
        return np.log(np.maximum(chance, 1e-12)) @ np.eye(patient.max() + 1)[patient]


def toy_posterior(design: Design, *, seed: int = 1, draws: int = 1000, **changes: Any) -> ToyPosterior:
    model = logistic_model(design, seed=seed, draws=draws, covariance="information")
    parameters = model.parameters
    return ToyPosterior(
        **{
            "design": design,
            "coefficients": parameters.coefficients,
            "session_effects": parameters.session_effects[:, 0],
            "step_sd": np.zeros((draws, 0)),
            "operator_sd": np.zeros((draws, 0)),
            "operator_effect": np.zeros((draws, design.n_ends, 1)),
            "patient_loading": np.zeros((draws, design.n_ends)),
            "never": np.zeros(draws),
        }
        | changes
    )
