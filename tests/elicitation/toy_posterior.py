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

    def parameters(self, *, seed: int) -> Parameters:
        return Parameters(
            coefficients=self.coefficients,
            session_effects=self.session_effects[:, None],
            operator_effect=np.zeros(self.coefficients.shape[:2]),
            patient_loading=self.patient_loading,
            never=self.never,
        )

    def to_tree(self) -> Any:
        import xarray as xr

        design, draws = self.design, len(self.coefficients)
        last = design.sessions.max()
        stratum = np.zeros(len(design.X), dtype=np.intp)
        pmf = kernel.pmf(self.parameters(seed=1), design.X, stratum, horizon=int(last), link="logit")
        staying = 1.0 - np.cumsum(pmf.sum(axis=2), axis=-1)
        case = np.arange(len(design.X))
        ended = pmf[:, case, np.maximum(design.ending - 1, 0), design.sessions - 1]
        chance = np.where(design.ending > 0, ended, staying[:, case, design.sessions - 1])
        return xr.DataTree.from_dict(
            {
                "posterior": xr.Dataset({"first": (("chain", "draw"), np.zeros((1, draws)))}),
                "log_likelihood": xr.Dataset(
                    {"cases": (("chain", "draw", "case"), np.log(np.maximum(chance, 1e-12))[None])}
                ),
            }
        )


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
