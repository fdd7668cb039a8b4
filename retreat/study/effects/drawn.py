"""Effects from draws of a posterior: ratios, curves and average effects, with direction and practical equivalence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import choice_fault
from retreat.fitting.bayes import fit_posterior
from retreat.fitting.posterior import Posterior
from retreat.study.effects.analysis import Analysed
from retreat.study.effects.comparisons import (
    Comparison,
    Value,
    beyond,
    encoded_differences,
    held_where_it_matters,
    set_in_all,
)
from retreat.study.effects.curves import Curve
from retreat.study.effects.equivalence import Equivalence, direction_columns
from retreat.study.effects.gradients import Measure
from retreat.study.effects.marginal import CaseMixChoice, check_measures, measure_words
from retreat.study.effects.ratios import CURVE_COLUMNS, words_of
from retreat.study.effects.standardised import standardised_incidence

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]

# draws of all tables together for ratios, which cost nothing, and for averages, which take a forecast of every case
RATIO_DRAWS, AVERAGE_DRAWS = 4000, 400


@dataclass(frozen=True)
class Drawn:
    """Posteriors of an analysis, one a completed table, that count alike.

    Mixing the draws of completed tables is the Bayesian counterpart of Rubin's rules (Gelman and others 2013, Bayesian
    Data Analysis, 3rd ed., section 18.2, from memory).

    Parameters
    ----------
    analysed : Analysed
        The cases.
    posteriors : tuple of Posterior
        One a design.
    """

    analysed: Analysed
    posteriors: tuple[Posterior, ...]

    @property
    def failures(self) -> tuple[str, ...]:
        """Gates that a posterior failed, each once."""
        return tuple(dict.fromkeys(text for one in self.posteriors for text in one.failures))

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader should know, each once."""
        return tuple(dict.fromkeys(text for one in self.posteriors for text in one.notes))

    def thinned(self, draws: int) -> tuple[Posterior, ...]:
        """Posteriors of about so many draws together, as many from each."""
        each = max(1, min(draws // len(self.posteriors), *(one.n_draws for one in self.posteriors)))
        return tuple(one.thinned(each) for one in self.posteriors)

    def linear(self, rows: FloatArray) -> FloatArray:
        """Log odds of rows of columns, shape (draws, ends, rows)."""
        coefficients = np.concatenate([one.coefficients for one in self.thinned(RATIO_DRAWS)])
        return np.asarray(np.einsum("dkp,qp->dkq", coefficients, rows))


def draw(cases: Analysed, *, seed: int = 1, **settings: Any) -> Drawn:
    """Posterior of each completed table.

    Parameters
    ----------
    cases : Analysed
        From :func:`~retreat.study.effects.analysis.analysed`; some seconds a table, so that ten tables serve.
    seed : int, from 0
        Seed of the draws.
    **settings
        As for :func:`retreat.fitting.bayes.fit_posterior`.
    """
    return Drawn(
        cases,
        tuple(fit_posterior(one, seed=int(seed) + m, **settings) for m, one in enumerate(cases.designs)),
    )


def drawn_comparison_table(
    drawn: Drawn, comparisons: Sequence[Comparison], *, level: float, region: Equivalence
) -> pd.DataFrame:
    """Ratios of comparisons over draws.

    Returns
    -------
    DataFrame
        Columns end, feature, value, against, held, estimate and standard_error (log scale), ratio, low, high,
        direction, side, equivalent, region (half width on the log scale), beyond.
    """
    import pandas as pd  # heavy: only for tables

    cases = drawn.analysed
    values = drawn.linear(encoded_differences(cases, comparisons))
    half = np.full(len(comparisons), region.log_odds)
    outside = [beyond(cases, one) for one in comparisons]
    words = words_of([replace(one, held=held_where_it_matters(cases, one)) for one in comparisons])
    frames = []
    for j in cases.known_ends:
        told = direction_columns(values[:, j], half, level)
        frames.append(
            pd.DataFrame(
                {
                    "end": cases.definition.ends[j],
                    **words,
                    "estimate": told.pop("estimate"),
                    "standard_error": told.pop("standard_error"),
                    "ratio": np.exp(values[:, j].mean(axis=0)),
                    "low": np.exp(told.pop("low")),
                    "high": np.exp(told.pop("high")),
                    **told,
                    "beyond": outside,
                }
            )
        )
    return pd.concat(frames, ignore_index=True)


def drawn_curve_table(drawn: Drawn, curves: Sequence[Curve], *, level: float) -> pd.DataFrame:
    """Ratios along curves over draws; columns as :func:`~retreat.study.effects.ratios.curve_table`."""
    import pandas as pd  # heavy: only for tables

    cases = drawn.analysed
    tails = ((1.0 - level) / 2.0, (1.0 + level) / 2.0)
    frames = []
    for curve in curves:
        values = drawn.linear(encoded_differences(cases, curve.comparisons))
        for j in cases.known_ends:
            low, high = np.exp(np.quantile(values[:, j], tails, axis=0))
            told = {"ratio": np.exp(values[:, j].mean(axis=0)), "low": low, "high": high}
            words = {"end": cases.definition.ends[j], "curve": curve.label, "over": curve.over}
            frames.append(pd.DataFrame({**words, "at": list(curve.at), **told}))
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=list(CURVE_COLUMNS))


def drawn_average_table(
    drawn: Drawn,
    comparisons: Sequence[Comparison],
    measures: Sequence[Measure],
    *,
    level: float,
    region: Equivalence,
    case_mix: CaseMixChoice = "fixed",
    seed: int = 1,
) -> pd.DataFrame:
    """Average effects over draws: each case with its own operator, averaged over how hard a patient's eyes may be.

    Parameters
    ----------
    drawn : Drawn
        The posteriors.
    comparisons, measures, level
        As for :func:`~retreat.study.effects.marginal.average_table`; no hazards.
    region : Equivalence
        Effects too small to matter.
    case_mix : {"fixed", "sampled"}
        ``sampled`` weighs patients anew in each draw (Bayesian bootstrap, Rubin 1981, from memory).
    seed : int, from 0
        Seed of these weights.

    Returns
    -------
    DataFrame
        Columns measure, end, session, feature, value, against, held, average_value, average_against, difference,
        standard_error, low, high, ratio, ratio_low, ratio_high, direction, side, equivalent, region, beyond.
    """
    import pandas as pd  # heavy: only for tables

    cases = drawn.analysed
    check_measures(cases, measures)
    faults = [choice_fault("case_mix", case_mix, ("fixed", "sampled"))]
    if any(one.kind == "hazard" for one in measures):
        faults.append(Fault("measures", "a hazard, of draws", "incidence or sessions"))
    if found := [fault for fault in faults if fault]:
        raise FitError(found)
    tails = ((1.0 - level) / 2.0, (1.0 + level) / 2.0)
    half = np.array([region.sessions if one.kind == "sessions" else region.probability for one in measures])
    frames = []
    posteriors = drawn.thinned(AVERAGE_DRAWS)
    rng = np.random.default_rng(seed)
    weights = [_weights(one, case_mix, rng) for one in posteriors]

    @cache  # levels of a feature share the reference
    def side(values: tuple[tuple[str, Value], ...]) -> FloatArray:
        parts = zip(posteriors, weights, strict=True)
        return np.concatenate([_averaged(cases, p, dict(values), measures, w) for p, w in parts])

    for one in comparisons:
        both = np.stack(
            [side((*one.held.items(), (one.feature, v))) for v in (one.value, one.against)], axis=1
        )
        told = direction_columns(both[:, 0] - both[:, 1], half, level)
        ratio = both[:, 0] / both[:, 1]
        low, high = np.quantile(ratio, tails, axis=0)
        frames.append(
            pd.DataFrame(
                {
                    **measure_words(cases, measures),
                    **{name: words * len(measures) for name, words in words_of([one]).items()},
                    "average_value": both[:, 0].mean(axis=0),
                    "average_against": both[:, 1].mean(axis=0),
                    "difference": told.pop("estimate"),
                    **{name: told.pop(name) for name in ("standard_error", "low", "high")},
                    "ratio": np.exp(np.log(ratio).mean(axis=0)),
                    "ratio_low": low,
                    "ratio_high": high,
                    **told,
                    "beyond": beyond(cases, one),
                }
            )
        )
    return pd.concat(frames, ignore_index=True)


def _averaged(
    cases: Analysed,
    posterior: Posterior,
    values: dict[str, Value],
    measures: Sequence[Measure],
    weights: FloatArray,
) -> FloatArray:
    """Averages with some features set in every case, shape (draws, measures)."""
    design = posterior.design
    X = cases.coding.encode(set_in_all(cases, design.features, values), n_cases=len(design.sessions))
    incidence = standardised_incidence(posterior, X, weights, horizon=max(one.session for one in measures))
    staying = 1.0 - incidence.sum(axis=1)  # (draws, sessions)
    return np.stack(
        [
            1.0 + staying[:, : one.session - 1].sum(axis=1)
            if one.kind == "sessions"
            else incidence[:, one.end, one.session - 1]
            for one in measures
        ],
        axis=1,
    )


def _weights(posterior: Posterior, case_mix: CaseMixChoice, rng: np.random.Generator) -> FloatArray:
    """Weights of the cases in each draw, shape (draws, cases)."""
    design = posterior.design
    weights = np.ones((posterior.n_draws, len(design.sessions)))
    if case_mix == "sampled":
        weights = rng.exponential(size=(posterior.n_draws, design.n_patients))[:, design.patient]
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))
