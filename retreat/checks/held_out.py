"""How well each case is foreseen by the others: PSIS by case, exact refits where it fails, folds by patient."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from retreat.checks.outlook import Outlook, refitted
from retreat.errors import FitError
from retreat.validation.schemes.folds import deal_patients

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]
Scheme = Literal["case", "patients"]

# from here on importance weights are not to be trusted (Vehtari, Simpson, Gelman, Yao and Gabry 2024, from memory)
HIGH_KHAT = 0.7
# refits of single cases before folds are cheaper [our judgement]
MOST_REFITS = 20
FOLDS = 10


@dataclass(frozen=True)
class CrossValidation:
    """Log predictive densities of cases by a posterior that has not seen them.

    Parameters
    ----------
    scheme : {"case", "patients"}
        Each case left out by itself, or patients in folds.
    elpd : ndarray of float, shape (cases,)
        Expected log predictive density of each case; NaN where no fit without it passed its checks.
    in_sample : ndarray of float, shape (cases,)
        The same by the posterior that has seen the case.
    over_before, over_by : ndarray of float, shape (cases,)
        Chance, by the others, that the course is over before its last session seen, and by it.
    khat : ndarray of float, shape (cases,)
        Pareto k-hat of the case; NaN in folds.
    refitted : ndarray of bool, shape (cases,)
        Foreseen by a fit without the case and not by weights.
    patient : ndarray of int, shape (cases,)
        Patients.
    n_folds : int
        0 where each case was left out by itself.
    failures : tuple of str
        Refits that failed.
    """

    scheme: Scheme
    elpd: FloatArray
    in_sample: FloatArray
    over_before: FloatArray
    over_by: FloatArray
    khat: FloatArray
    refitted: BoolArray
    patient: IntArray
    n_folds: int
    failures: tuple[str, ...]

    @property
    def total(self) -> float:
        """Expected log predictive density of all cases; higher is better."""
        return float(self.elpd.sum())

    @property
    def standard_error(self) -> float:
        """Of the total, the cases of a patient taken together."""
        return clustered_error(self.elpd, self.patient)

    @property
    def n_effective(self) -> float:
        """Effective number of parameters: what is lost from seen to unseen cases."""
        return float((self.in_sample - self.elpd).sum())

    @property
    def n_high(self) -> int:
        """Cases whose k-hat is over 0.7."""
        return int((self.khat > HIGH_KHAT).sum())

    def to_frame(self) -> pd.DataFrame:
        """One row a case: elpd, in_sample, khat, refitted."""
        import pandas as pd  # heavy: only whoever asks for a table pays for it

        return pd.DataFrame(
            {
                "elpd": self.elpd,
                "in_sample": self.in_sample,
                "khat": self.khat,
                "refitted": self.refitted,
            }
        )


def leave_one_out(outlook: Outlook, *, seed: int, limit: float = HIGH_KHAT) -> CrossValidation:
    r"""Each case foreseen from all others, those of its patient among them.

    Pareto-smoothed importance sampling by case, never by session (Vehtari, Gelman and Gabry 2017 [1]_):
    :math:`p(y_i | y_{-i}) = \sum_s w_{is} p(y_i | \theta_s)` with smoothed weights
    :math:`w_{is} \propto 1 / p(y_i | \theta_s)`, :math:`p(y_i | \theta_s)` being that of the case given the
    other cases of its patient, how hard the patient's eyes are integrated out. A case still in treatment when last
    seen counts by its chance of getting so far. A case whose k-hat is above the limit is foreseen by a fit without it
    instead, as long as there are at most 20 of them.

    Parameters
    ----------
    outlook : Outlook
        Of all cases.
    seed : int
        Of the refits.
    limit : float
        k-hat above which a case is refitted.

    References
    ----------
    .. [1] Vehtari A, Gelman A, Gabry J. Practical Bayesian model evaluation using leave-one-out cross-validation and
       WAIC. Stat Comput 2017;27:1413-1432 (from memory).
    """
    from arviz_stats.base.array import array_stats  # heavy: only a check of a Bayesian fit pays for it

    design = outlook.whole
    everyone = np.arange(len(design.sessions))
    seen = outlook.log_likelihood(everyone)  # (draws, cases)
    # it takes log likelihoods, not their negatives: weights are 1 over the likelihood
    weight, khat = array_stats.psislw(seen.T, r_eff=_independent(outlook))  # type: ignore[no-untyped-call]
    weight = weight.T
    elpd = _mean_of(seen, weight)
    over_before, over_by = _over(outlook, everyone, weight)
    high = np.flatnonzero(khat > limit)
    redone = np.zeros(len(everyone), dtype=bool)
    failures: list[str] = []
    for case in high if len(high) <= MOST_REFITS else high[:0]:
        redone[case] = True
        one = everyone[case : case + 1]
        try:
            again = refitted(design, one, seed=seed)
        except FitError as error:
            failures.append(f"without case {case + 1}: {error.faults[0]}")
            elpd[case] = over_before[case] = over_by[case] = np.nan
            continue
        elpd[case] = _mean_of(again.log_likelihood(one))[0]
        over_before[one], over_by[one] = _over(again, one)
    return CrossValidation(
        scheme="case",
        elpd=elpd,
        in_sample=_mean_of(seen),
        over_before=over_before,
        over_by=over_by,
        khat=np.asarray(khat),
        refitted=redone,
        patient=design.patient,
        n_folds=0,
        failures=tuple(failures),
    )


def folds_by_patient(outlook: Outlook, *, folds: int, seed: int) -> CrossValidation:
    """Patients dealt into folds, each foreseen by a fit to the others.

    A case is foreseen given the other cases of its patient, as in :func:`leave_one_out`; but these enter by what they
    say of the patient alone, the rest of the model has not seen them either.

    Parameters
    ----------
    outlook : Outlook
        Of all cases.
    folds : int, from 2 to the number of patients
        How many.
    seed : int
        Of the deal and the fits.

    Raises
    ------
    FitError
        If there are fewer patients than folds.
    """
    design = outlook.whole
    n = len(design.sessions)
    fold = deal_patients(design.patient, folds, seed)
    elpd, over_before, over_by = (np.full(n, np.nan) for _ in range(3))
    failures: list[str] = []
    for number in range(folds):
        out = np.flatnonzero(fold == number)
        try:
            again = refitted(design, out, seed=seed)
        except FitError as error:
            failures.append(f"fold {number + 1} of {folds}: {error.faults[0]}")
            continue
        elpd[out] = _mean_of(again.log_likelihood(out))
        over_before[out], over_by[out] = _over(again, out)
    return CrossValidation(
        scheme="patients",
        elpd=elpd,
        in_sample=_mean_of(outlook.log_likelihood(np.arange(n))),
        over_before=over_before,
        over_by=over_by,
        khat=np.full(n, np.nan),
        refitted=np.ones(n, dtype=bool),
        patient=design.patient,
        n_folds=folds,
        failures=tuple(failures),
    )


def clustered_error(values: FloatArray, patient: IntArray) -> float:
    """Standard error of a sum over cases, the cases of a patient taken together.

    Examples
    --------
    >>> round(clustered_error(np.array([1.0, -1.0, 2.0, -2.0]), np.arange(4)), 4)
    3.6515
    >>> clustered_error(np.array([1.0, -1.0, 2.0, -2.0]), np.array([0, 0, 1, 1]))
    0.0
    """
    sums = np.bincount(patient, weights=values)
    return float(np.sqrt(len(sums) * sums.var(ddof=1))) if len(sums) > 1 else float("nan")


def _mean_of(log_values: FloatArray, log_weight: FloatArray | None = None) -> FloatArray:
    """Log of the mean over draws, weighted or not, shape (cases,)."""
    weighted = log_values - np.log(len(log_values)) if log_weight is None else log_values + log_weight
    top = weighted.max(axis=0)
    return np.asarray(top + np.log(np.exp(weighted - top).sum(axis=0)))


def _over(
    outlook: Outlook, cases: IntArray, log_weight: FloatArray | None = None
) -> tuple[FloatArray, FloatArray]:
    """Chance of being over before the last session seen, and by it."""
    last = outlook.whole.sessions[cases]
    before, by = (
        1.0 - np.exp(_mean_of(outlook.log_going_on(cases, done), log_weight)) for done in (last - 1, last)
    )
    before = np.clip(before, 0.0, 1.0)
    return before, np.clip(by, before, 1.0)


def _independent(outlook: Outlook) -> float:
    """Effective share of the draws: chains are correlated, nested draws are not."""
    posterior = outlook.posterior
    if posterior.sampler == "nested":
        return 1.0
    from arviz_stats.base.array import array_stats  # heavy: as above

    n = posterior.n_chains
    total = posterior.case_log_likelihood().sum(axis=1).reshape(n, -1)
    return float(array_stats.ess(total, method="mean", relative=True))  # type: ignore[no-untyped-call]
