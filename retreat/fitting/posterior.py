"""A posterior, however it was drawn: named draws, the likelihood of each case, and the parameters of a model."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from retreat.fitting.design import Design
from retreat.fitting.nested.courses import Courses, lay_out
from retreat.fitting.nested.hardness import Kinds, kinds
from retreat.fitting.nested.likelihood import Draws, case_log_likelihood, patient_log_likelihood
from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]
Sampler = Literal["nested", "nuts"]

# nodes of the integral over patients where each case is looked at
_N_NODES = 15


@dataclass(frozen=True)
class Posterior:
    """Draws of everything a design can tell, equally likely, chain after chain.

    Parameters
    ----------
    design : Design
        What was fitted.
    coefficients : ndarray, shape (draws, ends, columns)
        Effects of the coded columns.
    effects : ndarray, shape (draws, ends, effects)
        Session effects, one a pooled session.
    step_sd, operator_sd : ndarray, shape (draws, ends)
        Spreads; no columns where they are not learned.
    operator_effect : ndarray, shape (draws, ends, operators)
        Effects of the operators; none where they do not enter.
    patient_loading : ndarray, shape (draws, ends)
        Effects of how hard a patient's eyes are; zeros where that does not enter.
    never : ndarray, shape (draws,)
        Share of patients whose eyes never respond; zeros where that does not enter.
    log_prior : ndarray, shape (draws,)
        Log prior density of each draw, up to a constant.
    sampler : {"nested", "nuts"}
        How it was drawn.
    n_chains : int
        Chains the draws came in, equally long.
    failures, notes : tuple of str
        Gates that failed; what a reader should know.
    diagnostics : mapping of str to float
        Of the sampler.
    """

    design: Design
    coefficients: FloatArray
    effects: FloatArray
    step_sd: FloatArray
    operator_sd: FloatArray
    operator_effect: FloatArray
    patient_loading: FloatArray
    never: FloatArray
    log_prior: FloatArray
    sampler: Sampler
    n_chains: int
    failures: tuple[str, ...]
    notes: tuple[str, ...]
    diagnostics: Mapping[str, float]

    @property
    def n_draws(self) -> int:
        """How many draws."""
        return len(self.coefficients)

    @cached_property
    def courses(self) -> Courses:
        """Courses of the design, laid out."""
        return lay_out(self.design)

    @property
    def session_effects(self) -> FloatArray:
        """Session effects, one a session reached, shape (draws, ends, sessions)."""
        return np.asarray(self.effects[..., self.courses.own])

    def thinned(self, draws: int) -> Posterior:
        """At most so many draws, evenly over all; as of one chain."""
        if draws >= self.n_draws:
            return self
        return self.at(np.linspace(0, self.n_draws - 1, draws).astype(int))

    def at(self, rows: NDArray[np.intp]) -> Posterior:
        """Draws at these places, in this order; as of one chain."""
        return replace(self, n_chains=1, **{name: getattr(self, name)[rows] for name in _ARRAYS})

    def case_log_likelihood(self) -> FloatArray:
        """Log likelihood of each case given the other cases of its patient, shape (draws, cases)."""
        return case_log_likelihood(self.courses, self.likelihood_draws(), self.kinds())

    def patient_log_likelihood(self) -> FloatArray:
        """Joint log likelihood of the cases of each patient, shape (draws, patients), in the order of their numbers.

        How hard a patient's eyes are, and whether they never respond, are integrated out. The sum over patients is
        the log likelihood of the table; that of :meth:`case_log_likelihood` is not where patients have several cases.
        """
        return patient_log_likelihood(self.courses, self.likelihood_draws(), self.kinds())

    def likelihood_draws(self) -> Draws:
        """Draws of what the likelihood depends on."""
        return Draws(self.coefficients, self.effects, self.operator_effect, self.patient_loading, self.never)

    def kinds(self) -> Kinds:
        """Kinds of patient that the likelihood adds up over."""
        hard, never = bool(self.patient_loading.any()), bool(self.never.any())
        return kinds(hard=hard, never=never, n_nodes=_N_NODES)

    def parameters(self, *, seed: int) -> Parameters:
        """Parameters of a model, with one operator the model has not seen for each draw.

        Parameters
        ----------
        seed : int
            Seed of the unseen operators.
        """
        operator = np.zeros((self.n_draws, self.design.n_ends))
        if self.operator_sd.shape[1]:
            rng = np.random.default_rng(seed)
            operator = rng.standard_normal(self.operator_sd.shape) * self.operator_sd
        return Parameters(
            coefficients=self.coefficients,
            session_effects=self.session_effects[:, None],
            operator_effect=operator,
            patient_loading=self.patient_loading,
            never=self.never if self.never.any() else np.zeros(1),
        )

    def to_tree(self) -> Any:
        """ArviZ tree with the groups posterior, log_likelihood (by case) and log_prior."""
        import xarray as xr  # heavy: only checks of a posterior pay for it
        from arviz_base import from_dict

        def chains(array: FloatArray) -> FloatArray:
            return array.reshape(self.n_chains, -1, *array.shape[1:])

        named = {name: getattr(self, name) for name in _NAMED if getattr(self, name).any()}
        tree = from_dict(
            {
                "posterior": {name: chains(array) for name, array in named.items()},
                "log_likelihood": {"courses": chains(self.case_log_likelihood())},
                "log_prior": {"all": chains(self.log_prior)},
            }
        )
        assert isinstance(tree, xr.DataTree)
        return tree


_NAMED = (
    "coefficients",
    "effects",
    "step_sd",
    "operator_sd",
    "operator_effect",
    "patient_loading",
    "never",
)
_ARRAYS = (*_NAMED, "log_prior")
