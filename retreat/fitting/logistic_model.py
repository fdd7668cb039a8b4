"""The logistic route of `retreat.fit`: a design fitted by penalised likelihood, with normal draws around it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import check_draws, choice_fault, is_number
from retreat.fitting.clustered import clustered_covariance, group_scores
from retreat.fitting.columns import check_collinear, check_going_on, read_columns
from retreat.fitting.design import Design
from retreat.fitting.hazardfit import (
    Courses,
    HazardFit,
    Settings,
    check_separation,
    fit_hazard,
)
from retreat.fitting.layout import Layout
from retreat.fitting.newton import Penalty
from retreat.fitting.priors import prior_penalty, ridge_penalty
from retreat.fitting.strength import choose_strength
from retreat.model.fitted import Model
from retreat.model.kernel import Parameters

FloatArray = NDArray[np.float64]
Covariance = Literal["clustered", "information"]
DRAWS = 2000
OPERATORS_APART = "operators are not told apart by this method: ranges are too narrow where they differ"
STRENGTH_CHOSEN = "ranges take the strength of the ridge as given and are too narrow"


@dataclass(frozen=True)
class LogisticFit:
    """A logistic fit of a design: estimates with their covariance, before draws are taken."""

    design: Design
    hazard_fit: HazardFit
    covariance: FloatArray  # (free, free)
    penalty: str

    @property
    def coefficients(self) -> FloatArray:
        """Estimates, shape (ends, columns)."""
        return self.hazard_fit.layout.split(self.hazard_fit.theta)[0]

    @property
    def standard_errors(self) -> FloatArray:
        """Standard errors of the coefficients, shape (ends, columns); NaN for an end no case had."""
        n = self.hazard_fit.layout.n_coefficients
        error = np.sqrt(np.diag(self.covariance)[:n])
        unknown = self.hazard_fit.layout.unlearned[:n]
        return np.where(unknown, np.nan, error).reshape(self.coefficients.shape)


def fit_logistic(
    design: Design,
    *,
    penalty: float | Literal["prior", "firth", "cv"] = "prior",
    covariance: Covariance = "clustered",
    seed: int = 1,
) -> LogisticFit:
    """Fit a design by penalised likelihood.

    Parameters
    ----------
    design : Design
        Cases and definition.
    penalty : {"prior", "firth", "cv"} or float
        ``"prior"`` takes the definition's priors as the penalty (posterior mode); a number is a ridge on the
        coded columns, 0 maximum likelihood (session effects stay as smooth as the definition has them);
        ``"cv"`` picks the ridge by patient-grouped cross-validation; ``"firth"`` is Firth's penalty.
    covariance : {"clustered", "information"}
        Sandwich with patients as units, enlarged for the parameters spent, or inverse information.
    seed : int
        Seed of the folds of ``"cv"``.

    Raises
    ------
    FitError
        As for :class:`retreat.fitting.LogisticHazard`, with the columns of the definition named.
    """
    _check(penalty, covariance)
    courses = Courses(design.X, design.sessions, design.ending, design.n_ends, names=design.coding.names)
    if penalty == "cv":
        penalty = choose_strength(courses, lambda s: _settings(design, s), design.patient, seed=seed)
    if penalty == 0:
        check_going_on(design.sessions, design.ending, design.coding.names)
    if penalty in (0, "firth"):
        _check_columns(design)
    fit = fit_hazard(courses, _settings(design, penalty))
    if penalty == 0:
        check_separation(fit, design.coding.names)
    spread = fit.covariance()
    if covariance == "clustered":
        if design.n_patients == 1:
            raise FitError(
                Fault(
                    "covariance", "one patient", "at least 2 for 'clustered'", "use covariance='information'"
                )
            )
        scores = group_scores(fit, courses, design.patient, design.definition.link)
        # what a penalty holds fast is not spent: the trace of the data's share of the information
        spent = len(spread) - float(np.einsum("ij,ji->", spread, fit.penalty.precision))
        spread = clustered_covariance(fit, scores, spent=max(spent, 1.0))
    return LogisticFit(design, fit, spread, _penalty_words(penalty, design))


def logistic_model(
    design: Design,
    *,
    seed: int,
    penalty: float | Literal["prior", "firth", "cv"] = "prior",
    covariance: Covariance = "clustered",
    draws: int = DRAWS,
) -> Model:
    """Model from a logistic fit: draws from the normal approximation around the estimate.

    Parameters
    ----------
    design, penalty, covariance, seed
        As for :func:`fit_logistic`.
    draws : int, 100 to 20000
        How many draws to keep.
    """
    check_draws(draws)
    fit = fit_logistic(design, penalty=penalty, covariance=covariance, seed=seed)
    layout = fit.hazard_fit.layout
    rng = np.random.default_rng(seed)
    theta = rng.multivariate_normal(fit.hazard_fit.theta, fit.covariance, size=draws, method="eigh")
    pieces = [layout.split(one) for one in theta]
    solution = fit.hazard_fit.solution
    return Model(
        card=design.card(
            method=f"logistic hazard, {fit.penalty}",
            seed=seed,
            failures=_failures(design, penalty),
            notes=(*_operator_notes(design), *_ridge_notes(penalty)),
            diagnostics={"newton_steps": solution.n_steps, "newton_decrement": solution.decrement},
        ),
        coding=design.coding,
        link=design.definition.link,
        parameters=Parameters(
            coefficients=np.stack([b for b, _ in pieces]),
            session_effects=np.stack([a for _, a in pieces])[:, None],
            operator_effect=np.zeros((draws, design.n_ends)),
            patient_loading=np.zeros((draws, design.n_ends)),
        ),
        strata=(),
        stratum_feature="",
        case_mix=design.case_mix(),
        support=design.support(),
    )


def _settings(design: Design, penalty: float | str) -> Settings:
    definition = design.definition
    firth = penalty == "firth"
    build = _prior_of(design) if penalty == "prior" else _ridge_of(design, 0.0 if firth else float(penalty))
    return Settings(
        session_effect=definition.sessions.effect,
        link=definition.link,
        likelihood="firth" if firth else "plain",
        pool_below=definition.sessions.pool_below,
        unseen=_unseen(penalty),
        penalty=build,
    )


def _prior_of(design: Design) -> Callable[[Layout], Penalty]:
    return lambda layout: prior_penalty(design, layout)


def _ridge_of(design: Design, strength: float) -> Callable[[Layout], Penalty]:
    return lambda layout: ridge_penalty(design, layout, strength)


def _check(penalty: float | str, covariance: str) -> None:
    faults = []
    if not is_number(penalty) and choice_fault("penalty", penalty, ("prior", "firth", "cv")):
        faults.append(Fault("penalty", f"{penalty!r}", "'prior', 'firth', 'cv' or a number from 0"))
    if fault := choice_fault("covariance", covariance, ("clustered", "information")):
        faults.append(fault)
    if faults:
        raise FitError(faults)


def _check_columns(design: Design) -> None:
    columns = read_columns(design.X)
    check_collinear(replace(columns, names=design.coding.names))


def method_words(penalty: float | str, design: Design) -> str:
    """How a card tells of a fit with this penalty; the beginning where the data choose its strength."""
    return (
        "logistic hazard, ridge" if penalty == "cv" else f"logistic hazard, {_penalty_words(penalty, design)}"
    )


def _penalty_words(penalty: float | str, design: Design) -> str:
    if penalty == "prior":
        return "penalised by the definition's priors"
    words = "Firth's penalty" if penalty == "firth" else f"ridge {float(penalty):g}"
    smooth = design.definition.sessions.effect == "smooth" and penalty != "firth"
    return f"{'maximum likelihood' if penalty == 0 else words}{', smooth sessions' if smooth else ''}"


def _unseen(penalty: float | str) -> Literal["estimated", "impossible"]:
    return "estimated" if penalty in ("prior", "firth") else "impossible"


def _failures(design: Design, penalty: float | str) -> tuple[str, ...]:
    """An end that no case had, forecast as impossible, is no number for a patient."""
    if _unseen(penalty) == "estimated":
        return ()
    ends = design.definition.ends
    never = [end for j, end in enumerate(ends, start=1) if not (design.ending == j).any()]
    return tuple(f"no fitted case ended {end}: without priors its chance is 0" for end in never)


def _ridge_notes(penalty: float | str) -> tuple[str, ...]:
    # a ridge pulls towards no effect without any prior knowledge of it (80% coverage for 90% in 80 cases)
    return () if penalty in ("prior", "firth", 0) else (STRENGTH_CHOSEN,)


def _operator_notes(design: Design) -> tuple[str, ...]:
    if design.n_operators == 1:
        return ("one operator: the model cannot say how another would fare",)
    return (OPERATORS_APART,)
