"""From a case table to the effects of a paper, in one call: by estimates, or by draws."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import is_number
from retreat.fitting.logistic_model import OPERATORS_APART, STRENGTH_CHOSEN, Covariance
from retreat.study.effects.analysis import ASSOCIATION, Analysed, analysed
from retreat.study.effects.comparisons import Comparison, check_comparisons, default_comparisons
from retreat.study.effects.curves import Curve, default_curves
from retreat.study.effects.drawn import (
    draw,
    drawn_average_table,
    drawn_comparison_table,
    drawn_curve_table,
)
from retreat.study.effects.e_values import OutcomeChoice, confounding_table, outcomes_by
from retreat.study.effects.equivalence import Equivalence
from retreat.study.effects.estimates import PenaltyChoice, Reference, estimate
from retreat.study.effects.few import (
    behind_averages,
    behind_columns,
    behind_curves,
    behind_joint,
    behind_ratios,
    fewest_of,
)
from retreat.study.effects.gradients import Measure
from retreat.study.effects.joint import joint_table
from retreat.study.effects.marginal import CaseMixChoice, average_table, check_measures, default_measures
from retreat.study.effects.ratios import column_table, comparison_table, curve_table
from retreat.study.effects.record import DrawnEffects, Effects

if TYPE_CHECKING:
    import pandas as pd

    from retreat.definitions import Definition

_POINTWISE = "intervals along a curve hold at each point, not for the whole curve"
_NO_HISTORY = "effects of features before the first session: what sessions showed is not looked at"
_PRIORS = "estimates are drawn towards the definition's priors, and so are intervals and tests"
# completed tables for posteriors, each some seconds
_DRAWN_IMPUTATIONS = 10


def estimate_effects(
    cases: pd.DataFrame,
    definition: str | Path | Definition = "core",
    *,
    comparisons: Sequence[Comparison] | None = None,
    curves: Sequence[Curve] | None = None,
    measures: Sequence[Measure] | None = None,
    by: int = 2,
    penalty: PenaltyChoice = 0.0,
    covariance: Covariance = "clustered",
    reference: Reference = "normal",
    case_mix: CaseMixChoice = "fixed",
    outcome: OutcomeChoice = "observed",
    imputations: int | None = None,
    level: float = 0.95,
    seed: int = 1,
) -> Effects:
    """Odds ratios, joint tests, curves, average effects and E-values of a definition's features.

    Parameters
    ----------
    cases : DataFrame
        A case table; it is checked.
    definition : str, Path or Definition
        What is fitted; its terms are chosen before the cases are seen.
    comparisons : sequence of Comparison, optional
        Of ratios and averages. Default: each level against the reference, a doubling of what enters by its log, the
        upper quartile against the lower.
    curves : sequence of Curve, optional
        Default: each number over its values, each interaction with a number over it.
    measures : sequence of Measure, optional
        Of averages. Default: chance of each end by session `by`, and restricted mean sessions.
    by : int, 1 to 40
        Session of the default measures.
    penalty : 0, float, "prior", "firth" or "cv"
        As for :func:`retreat.fitting.logistic_model.fit_logistic`. Default 0, maximum likelihood: the data alone.
        Where a level is rare it has no finite estimate, and the refusal says so; ``"firth"`` always has one.
    covariance : {"clustered", "information"}
        With patients as units, or of independent eyes.
    reference : {"normal", "t"}
        As for :func:`~retreat.study.effects.estimates.estimate`.
    case_mix : {"fixed", "sampled"}
        As for :func:`~retreat.study.effects.marginal.average_table`.
    outcome : {"observed", "common", "rare"}
        Of E-values: each end by its observed share, see :func:`~retreat.study.effects.e_values.outcomes_by`, or all
        ends alike.
    imputations : int, 0 or 2 to 200, optional
        Completed tables where features are missing (default 20); 0 leaves such cases out.
    level : float in (0, 1)
        Of the intervals.
    seed : int, from 0
        Of what is filled in.

    Returns
    -------
    Effects

    Raises
    ------
    TableError, DefinitionError, FitError
        If a table, a definition or an argument is refused, or there is no finite estimate.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> rng = np.random.default_rng(1)
    >>> cases = pd.DataFrame({"case": [f"c{i}" for i in range(200)], "patient": [f"p{i // 2}" for i in range(200)],
    ...     "eye": ["right", "left"] * 100, "operator": "o", "site": "s", "started": 2024,
    ...     "sessions": rng.integers(1, 4, 200), "ending": rng.choice(["relieved", "stopped", "ongoing"], 200),
    ...     "opacity": rng.choice(["ring", "strand", "cloud", "sheet"], 200),
    ...     "size_mm": rng.uniform(1, 6, 200).round(1), "lens_gap_mm": rng.uniform(2, 8, 200).round(1),
    ...     "retina_gap_mm": rng.uniform(2, 8, 200).round(1),
    ...     "cornea": rng.choice(["none", "myopic_ablation"], 200)})
    >>> found = estimate_effects(cases, "core", comparisons=[Comparison("size_mm", 4.0, 1.0)])
    >>> found.ratios[["end", "feature", "value", "against"]].to_numpy().tolist()
    [['relieved', 'size_mm', '4', '1'], ['stopped', 'size_mm', '4', '1']]
    """
    _check_level(level)
    chosen = analysed(cases, definition, imputations=imputations, seed=seed)
    compared, drawn, asked = _asked(chosen, comparisons, curves, measures, by)
    fits = estimate(chosen, penalty=penalty, covariance=covariance, reference=reference, seed=seed)
    ends = outcomes_by(chosen, max((m.session for m in asked if m.kind == "incidence"), default=by), outcome)
    ratios = comparison_table(fits, compared, level=level)
    averages = average_table(fits, compared, asked, level=level, case_mix=case_mix)
    notes = [*_notes(chosen), _POINTWISE]
    notes += [OPERATORS_APART] if chosen.first.n_operators > 1 else []
    notes += [_PRIORS] if penalty == "prior" else []
    notes += [STRENGTH_CHOSEN] if penalty not in ("prior", "firth", 0) else []
    several = len(chosen.designs) > 1
    words = "t, degrees of freedom of Barnard and Rubin" if several else reference
    method = f"logistic hazard, {fits.fits[0].penalty}, {_words(covariance)}"
    few = fewest_of(chosen)
    of_ratios = behind_ratios(chosen, few, compared)
    of_averages = behind_averages(chosen, few, compared, asked)
    risks = (averages["measure"] == "incidence").to_numpy()
    return Effects(
        columns=column_table(fits, level=level),
        ratios=ratios,
        joint=joint_table(fits),
        curves=curve_table(fits, drawn, level=level),
        averages=averages,
        confounding=confounding_table(ratios, averages, outcomes=ends, link=chosen.definition.link),
        facts=_facts(chosen, method, level, case_mix, seed) | {"reference": words},
        notes=tuple(dict.fromkeys(notes)),
        cautions=_cautions(chosen, seed, ()),
        fewest={
            "columns": behind_columns(chosen, few),
            "ratios": of_ratios,
            "joint": behind_joint(chosen, few),
            "curves": behind_curves(chosen, few, drawn),
            "averages": of_averages,
            "confounding": np.concatenate([of_ratios, of_averages[risks]]),
        },
    )


def draw_effects(
    cases: pd.DataFrame,
    definition: str | Path | Definition = "core",
    *,
    comparisons: Sequence[Comparison] | None = None,
    curves: Sequence[Curve] | None = None,
    measures: Sequence[Measure] | None = None,
    by: int = 2,
    region: Equivalence | None = None,
    case_mix: CaseMixChoice = "fixed",
    imputations: int | None = None,
    level: float = 0.95,
    seed: int = 1,
    **settings: Any,
) -> DrawnEffects:
    """The same effects from a posterior under the definition's priors, operators and patients told apart.

    Parameters
    ----------
    cases, definition, comparisons, curves, measures, by, case_mix, level, seed
        As for :func:`estimate_effects`.
    region : Equivalence, optional
        Effects too small to matter.
    imputations : int, 0 or 2 to 200, optional
        Completed tables where features are missing (default 10); their draws are mixed.
    **settings
        As for :func:`retreat.fitting.bayes.fit_posterior`.

    Returns
    -------
    DrawnEffects

    Raises
    ------
    TableError, DefinitionError, FitError
        As for :func:`estimate_effects`.
    """
    _check_level(level)
    number = _DRAWN_IMPUTATIONS if imputations is None else imputations
    chosen = analysed(cases, definition, imputations=number, seed=seed)
    compared, drawn, asked = _asked(chosen, comparisons, curves, measures, by)
    small = region or Equivalence()
    found = draw(chosen, seed=seed, **settings)
    samplers = " and ".join(dict.fromkeys(one.sampler for one in found.posteriors))
    few = fewest_of(chosen)
    return DrawnEffects(
        ratios=drawn_comparison_table(found, compared, level=level, region=small),
        curves=drawn_curve_table(found, drawn, level=level),
        averages=drawn_average_table(
            found, compared, asked, level=level, region=small, case_mix=case_mix, seed=seed
        ),
        region=small,
        facts=_facts(chosen, f"Bayesian hazard ({samplers}), the definition's priors", level, case_mix, seed),
        notes=tuple(dict.fromkeys((*_notes(chosen), *found.notes, _POINTWISE))),
        cautions=_cautions(chosen, seed, found.failures),
        fewest={
            "ratios": behind_ratios(chosen, few, compared),
            "curves": behind_curves(chosen, few, drawn),
            "averages": behind_averages(chosen, few, compared, asked),
        },
    )


def _asked(
    cases: Analysed,
    comparisons: Sequence[Comparison] | None,
    curves: Sequence[Curve] | None,
    measures: Sequence[Measure] | None,
    by: int,
) -> tuple[tuple[Comparison, ...], tuple[Curve, ...], tuple[Measure, ...]]:
    compared = default_comparisons(cases) if comparisons is None else tuple(comparisons)
    if not compared:
        raise FitError(Fault("comparisons", "none", "at least one"))
    check_comparisons(cases, compared)
    asked = default_measures(cases, by=by) if measures is None else tuple(measures)
    check_measures(cases, asked)
    return compared, default_curves(cases) if curves is None else tuple(curves), asked


def _facts(cases: Analysed, method: str, level: float, case_mix: CaseMixChoice, seed: int) -> dict[str, Any]:
    design, definition = cases.first, cases.definition
    return {
        "definition": definition.name,
        "definition_fingerprint": definition.fingerprint,
        "method": method,
        "scale": "odds ratio" if definition.link == "logit" else "rate ratio",
        "level": level,
        "cases": len(design.sessions),
        "patients": design.n_patients,
        "imputations": len(cases.designs) if len(cases.designs) > 1 else 0,
        "case_mix": case_mix,
        "invented": design.invented,
        "seed": seed,
    }


def _cautions(cases: Analysed, seed: int, failures: tuple[str, ...]) -> tuple[str, ...]:
    return (*cases.first.card(method="effects", seed=seed, failures=failures).cautions, ASSOCIATION)


def _notes(cases: Analysed) -> tuple[str, ...]:
    history = () if cases.definition.history is None else (_NO_HISTORY,)
    return (*cases.first.notes, *cases.notes, *history)


def _words(covariance: Covariance) -> str:
    return "patients as units" if covariance == "clustered" else "eyes as if independent"


def _check_level(level: object) -> None:
    if not is_number(level) or not 0.0 < level < 1.0:
        raise FitError(Fault("level", f"{level!r}", "between 0 and 1, for example 0.95"))
