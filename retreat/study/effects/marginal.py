"""Average effects: what the cases would come to on average with a feature at one value, and at another."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from retreat.definitions import LAST_SESSION
from retreat.errors import Fault, FitError
from retreat.fitting.arguments import choice_fault, is_whole
from retreat.fitting.design import Design
from retreat.fitting.logistic_model import LogisticFit
from retreat.study.effects.analysis import Analysed
from retreat.study.effects.comparisons import Comparison, beyond, set_in_all
from retreat.study.effects.estimates import Estimates
from retreat.study.effects.gradients import Averaged, Measure, averages
from retreat.study.effects.pooling import Pooled, pool
from retreat.study.effects.ratios import words_of

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
# whether the cases are all there is to speak of, or a sample of patients like them
CaseMixChoice = Literal["fixed", "sampled"]

_MOST_SESSIONS = 40


def average_table(
    estimates: Estimates,
    comparisons: Sequence[Comparison],
    measures: Sequence[Measure],
    *,
    level: float,
    case_mix: CaseMixChoice = "fixed",
) -> pd.DataFrame:
    r"""Average effects by standardisation over the cases, with intervals by the delta method.

    Every case is given the one value, then the other, other features as they are; chances are averaged over the cases
    and held against each other (g-computation, Robins 1986 [1]_; average marginal effect where nothing else is
    meant). The variance of a difference :math:`d(\theta)` is :math:`\nabla d' V \nabla d` with the fit's clustered V;
    of a ratio the same on the log scale.

    Parameters
    ----------
    estimates : Estimates
        The fits.
    comparisons : sequence of Comparison
        What is held against what.
    measures : sequence of Measure
        What is averaged.
    level : float in (0, 1)
        Of the intervals.
    case_mix : {"fixed", "sampled"}
        ``sampled`` adds the spread of the average over samples of patients: right where the effect is meant for the
        patients that these stand for (the scores of the fit have mean 0 given the features, so variances add).

    Returns
    -------
    DataFrame
        Columns measure, end, session, feature, value, against, held, average_value, average_against, difference,
        standard_error, low, high, df, p, ratio, ratio_low, ratio_high, missing, beyond.

    References
    ----------
    .. [1] Robins J. A new approach to causal inference in mortality studies with a sustained exposure period.
       Mathematical Modelling 1986;7:1393-1512 (from memory).
    """
    import pandas as pd  # heavy: only for tables

    if fault := choice_fault("case_mix", case_mix, ("fixed", "sampled")):
        raise FitError(fault)
    cases = estimates.analysed
    check_measures(cases, measures)
    frames = []
    for one in comparisons:
        found = [_both(cases, fit, one, measures, case_mix) for fit in estimates.fits]
        means = np.stack([mean for mean, _ in found])  # (imputations, 2, measures)
        spread = np.stack([cov for _, cov in found])  # (imputations, 2, 2, measures)
        frames.append(
            pd.DataFrame(
                {
                    **measure_words(cases, measures),
                    **{name: words * len(measures) for name, words in words_of([one]).items()},
                    "average_value": means[:, 0].mean(axis=0),
                    "average_against": means[:, 1].mean(axis=0),
                    **_columns(means, spread, estimates.complete_df, level),
                    "beyond": beyond(cases, one),
                }
            )
        )
    columns = [name for name in frames[0] if name not in ("missing", "beyond")]
    return pd.concat(frames, ignore_index=True)[[*columns, "missing", "beyond"]]


def default_measures(cases: Analysed, *, by: int = 2, most: int | None = None) -> tuple[Measure, ...]:
    """Chance of each end by a session, and restricted mean sessions up to the last that enough cases reached.

    Parameters
    ----------
    cases : Analysed
        The cases.
    by : int, 1 to 40
        By which session.
    most : int, 2 to 40, optional
        Sessions counted at most (default: the last that enough cases reached, at most 6).
    """
    last = LAST_SESSION[cases.definition.outcome]
    chances = tuple(Measure("incidence", j, by if last is None else min(by, last)) for j in cases.known_ends)
    if last is not None and last < 2:
        return chances
    reached = int(np.sort(cases.first.sessions)[::-1][min(_ENOUGH, len(cases.first.sessions)) - 1])
    return (*chances, Measure("sessions", 0, max(2, min(reached, 6)) if most is None else most))


# cases that must have had the last session counted (our judgement)
_ENOUGH = 10


def check_measures(cases: Analysed, measures: Sequence[Measure]) -> None:
    """Refuse a session out of range, or an end that no case had.

    Raises
    ------
    FitError
        With one fault for each.
    """
    most = LAST_SESSION[cases.definition.outcome] or _MOST_SESSIONS
    faults: list[Fault] = [] if len(measures) else [Fault("measures", "none", "at least one")]
    for one in measures:
        least = {"incidence": 1, "sessions": 2, "hazard": 0}[one.kind]
        if not is_whole(one.session) or not least <= one.session <= most:
            faults.append(Fault(f"{one.kind}, session", f"{one.session!r}", f"{least} to {most}"))
        if one.kind != "sessions" and one.end not in cases.known_ends:
            known = ", ".join(cases.definition.ends[j] for j in cases.known_ends)
            faults.append(
                Fault(f"{one.kind}, end", f"{one.end!r}: no fitted case ended so", f"position of {known}")
            )
    if faults:
        raise FitError(faults)


def measure_words(cases: Analysed, measures: Sequence[Measure]) -> dict[str, list[Any]]:
    """Columns that say what is averaged."""
    ends = cases.definition.ends
    return {
        "measure": [one.kind for one in measures],
        "end": ["" if one.kind == "sessions" else ends[one.end] for one in measures],
        "session": [one.session for one in measures],
    }


def _both(
    cases: Analysed, fit: LogisticFit, one: Comparison, measures: Sequence[Measure], case_mix: CaseMixChoice
) -> tuple[FloatArray, FloatArray]:
    """Averages at both values, shape (2, measures), and their covariances, shape (2, 2, measures)."""
    sides = [_averaged(cases, fit, {**one.held, one.feature: v}, measures) for v in (one.value, one.against)]
    slopes = np.stack([side.slopes for side in sides])  # (2, measures, free)
    spread = np.einsum("aqf,fg,bqg->abq", slopes, fit.covariance, slopes, optimize=True)
    if case_mix == "sampled":
        spread = spread + _of_case_mix(fit.design, sides)
    return np.stack([side.mean for side in sides]), spread


def _averaged(
    cases: Analysed, fit: LogisticFit, values: dict[str, Any], measures: Sequence[Measure]
) -> Averaged:
    design = fit.design
    X = cases.coding.encode(set_in_all(cases, design.features, values), n_cases=len(design.sessions))
    return averages(
        fit.hazard_fit.layout,
        fit.hazard_fit.theta,
        X,
        design.sessions,
        measures,
        link=cases.definition.link,
    )


def _of_case_mix(design: Design, sides: Sequence[Averaged]) -> FloatArray:
    """Covariance of the averages over samples of patients, shape (2, 2, measures)."""
    values = np.stack([side.by_case - side.mean for side in sides])  # (2, cases, measures)
    sums = np.zeros((len(sides), design.n_patients, values.shape[2]))
    for side, of_cases in zip(sums, values, strict=True):
        np.add.at(side, design.patient, of_cases)
    G, n = design.n_patients, values.shape[1]
    return np.asarray(np.einsum("agq,bgq->abq", sums, sums) * (G / max(G - 1, 1)) / n**2)


def _columns(means: FloatArray, spread: FloatArray, df: float, level: float) -> dict[str, Any]:
    difference = pool(
        means[:, 0] - means[:, 1],
        spread[:, 0, 0] + spread[:, 1, 1] - 2.0 * spread[:, 0, 1],
        complete_df=df,
    )
    relative = spread / (means[:, :, None] * means[:, None])
    ratio = pool(
        np.log(means[:, 0] / means[:, 1]),
        relative[:, 0, 0] + relative[:, 1, 1] - 2.0 * relative[:, 0, 1],
        complete_df=df,
    )
    low, high = difference.interval(level)
    return {
        "difference": difference.estimate,
        "standard_error": difference.error,
        "low": low,
        "high": high,
        "df": difference.df,
        "p": _p(difference),
        "ratio": np.exp(ratio.estimate),
        **{
            f"ratio_{name}": np.exp(edge)
            for name, edge in zip(("low", "high"), ratio.interval(level), strict=True)
        },
        "missing": difference.missing,
    }


def _p(found: Pooled) -> FloatArray:
    with np.errstate(invalid="ignore", divide="ignore"):
        return found.p_value()
