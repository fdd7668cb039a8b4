"""Validation of a recipe on a clinic's case table: every measure, corrected for optimism, in one call."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat import features as feature_floor
from retreat.definitions import LAST_SESSION, Definition, read_definition
from retreat.errors import Fault, FitError
from retreat.fitting.design import CaseData, read_data
from retreat.recipe import check_recipe, chosen_method, made_by
from retreat.tables import as_cases
from retreat.validation._checked import Courses, courses
from retreat.validation._spread import normal_quantile
from retreat.validation.agreement_at import calibration_at
from retreat.validation.agreement_record import Calibration
from retreat.validation.censoring import known_weights
from retreat.validation.clusters import ClusterSpread, cluster_spread
from retreat.validation.comparison import Comparison, case_scores, compare
from retreat.validation.decision import net_benefit_at
from retreat.validation.estimators import check_arguments, out_of_reach, scheme_words
from retreat.validation.hazards_at import hazard_calibration
from retreat.validation.histogram import d_calibration
from retreat.validation.instability import Instability, instability
from retreat.validation.losses import loss_sensitivity
from retreat.validation.midcourse import AHEAD, mid_course
from retreat.validation.observed import aalen_johansen
from retreat.validation.panel import Key, Panel, evaluate
from retreat.validation.report import MeasureRow, SessionIncidence, ValidationReport
from retreat.validation.samples import Samples
from retreat.validation.schemes.challengers import ASKED_FOR, CHALLENGERS, challenger
from retreat.validation.schemes.folds import HeldOut, deal_patients, held_out
from retreat.validation.schemes.optimism import Correction, Optimism, Question, correct_optimism
from retreat.validation.schemes.recipe_refits import RecipeRefits
from retreat.validation.schemes.resampling import Progress, Refits, bootstrap_weights
from retreat.validation.subgroups import parts_of, subgroups
from retreat.validation.verdict import judge

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# chances from which a package may be quoted
THRESHOLDS = tuple(np.round(np.arange(0.1, 0.95, 0.1), 1).tolist())
NAMES = (
    "observed_expected",
    "in_the_large",
    "slope",
    "ici",
    "brier_at",
    "scaled_brier_at",
    "concordance_at",
    "integrated_brier",
    "log_score",
    "rps",
)
CLUSTERS = ("operator", "site", "period")
# a case that stands for more than so many is worth a word [our judgement]
_HEAVY = 10.0
# samples behind the intervals of held-out measures, predictions held
_INTERVAL_SAMPLES = 500


def validate(
    cases: pd.DataFrame,
    definition: str | Path | Definition = "core",
    *,
    method: str | None = None,
    resamples: int = 0,
    correction: Correction = "harrell",
    folds: int = 10,
    repeats: int = 1,
    by: str | Sequence[str] = (),
    challengers: Sequence[str] = CHALLENGERS,
    imputations: int = 0,
    decisions: Sequence[int] = (2,),
    horizons: Sequence[int] = (1, 2, 3, 4),
    level: float = 0.95,
    seed: int = 1,
    jobs: int = 1,
    cluster: str = "",
    progress: Progress | None = None,
    **settings: Any,
) -> ValidationReport:
    """How far a recipe's numbers can be trusted, measured on patients it has not seen.

    The recipe (definition, method, settings), never a fitted model, is redone in each resample and fold, so that
    every step that looks at the data is repeated. ``apparent`` is measured on the cases the model was fitted to.
    With `resamples`, ``corrected`` is the apparent value less the optimism that the bootstrap finds; without, it is
    measured on predictions for held-out patients. Curves, comparisons, measures during a course and clusters are
    always of held-out patients. Observed incidence is Aalen and Johansen's, so cases still in treatment or lost
    count for as long as they were followed.

    Parameters
    ----------
    cases : DataFrame
        A `cases` table; it is checked. Cases not begun or with a missing feature are left out and counted.
    definition, method, seed, **settings
        As for :func:`retreat.fit`.
    resamples : int
        Bootstrap samples of whole patients; 0 for none.
    correction : {"harrell", "632+"}
        How the bootstrap corrects.
    folds : int, at least 2
        Patients are dealt into so many folds.
    repeats : int, at least 1
        Deals; measures are averaged over them.
    by : str or sequence of str
        ``"operator"``, ``"site"``, ``"period"`` (year of the first session): leave each out in turn, and tell how
        much calibration differs between them.
    challengers : sequence of str
        What else is fitted to the same folds: ``"null"``, ``"lifetable"``, ``"boosted"``; and, where asked for,
        ``"frailty"``, the shipped definition of that name by the Bayesian route, for definitions of whole courses
        without strata (a second or more a fold at 1,000 cases).
    imputations : int
        Copies of each sample whose missing features are imputed, fitted each by itself and their predictions
        averaged; 0 leaves incomplete cases out. With imputations every begun case is predicted, and the fit to
        complete cases stands beside.
    decisions : sequence of int
        Sessions h for the net benefit of quoting a package of h sessions to eyes whose chance of being finished by
        then is at least a threshold.
    horizons : sequence of int
        Sessions at which measures are taken; one that nobody reached has rows with the reason in place of values.
    level : float in (0, 1)
        Coverage of the intervals; they take the predictions as given.
    jobs : int
        Processes; -1 is one a core. The numbers do not depend on it.
    cluster : str
        Address of a Dask scheduler that does the work instead.
    progress : callable, optional
        Told after each piece of work: pieces done, pieces in all.

    Returns
    -------
    ValidationReport

    Raises
    ------
    TableError, DefinitionError, FitError
        As for :func:`retreat.fit`; also if an argument is out of range, there are fewer patients than folds, or
        nothing could be fitted.

    References
    ----------
    Steyerberg EW. Clinical Prediction Models, 2nd ed. Springer, 2019, ch. 15-17 (from memory). Collins GS and others.
    Evaluation of clinical prediction models (part 1). BMJ 2024;384:e074819 (from memory).
    """
    chosen = read_definition(definition)
    name = chosen_method(chosen, method)
    check_recipe(name, seed, settings)
    table = as_cases(cases)
    everyone = read_data(table, chosen)
    design = everyone.design()  # too few cases are told as such, not as too few for the folds
    kept = np.flatnonzero(everyone.begun if imputations else everyone.complete)
    data = everyone.rows(kept)
    wanted = (by,) if isinstance(by, str) else tuple(by)
    seen = courses(data.sessions, data.ending, None, n_ends=len(chosen.ends))
    ks, beyond = _checked(
        chosen,
        seen,
        horizons,
        resamples,
        correction,
        level,
        seed,
        repeats,
        wanted,
        challengers,
        imputations,
        decisions,
    )
    horizon = ks[-1] if LAST_SESSION[chosen.outcome] else max(ks[-1], AHEAD + 2)
    patient = np.unique(data.patient, return_inverse=True)[1].astype(np.int64)
    deals = np.stack([deal_patients(data.patient, folds, seed + r) for r in range(repeats)])
    run = _Run(data, seen, patient, ks, level, seed, jobs, cluster, progress)
    refits = RecipeRefits(data, name, seed, settings, horizon, imputations)
    unseen = held_out(refits, deals, jobs=jobs, cluster=cluster, progress=progress)
    told = np.isfinite(unseen.incidence).all(axis=(0, 2, 3))
    if not told.any():
        raise FitError([Fault("folds", failure) for failure in unseen.failures[:10]])
    whole, failed = refits.predict(np.ones((1, len(data.sessions))))
    if failed:
        raise FitError(Fault("cases", failed[0]))
    question = Question(seen, chosen.ends, ks, NAMES)
    boot: Optimism | None = None
    if resamples:
        weights = bootstrap_weights(patient, resamples, seed)
        boot = correct_optimism(
            refits,
            question,
            weights,
            correction=correction,
            level=level,
            jobs=jobs,
            cluster=cluster,
            progress=progress,
        )
        rows = _bootstrap_rows(boot)
    else:
        rows = run.held_out_rows(whole[0], unseen, told)
    rows += out_of_reach(beyond, chosen.ends, NAMES)
    part = run.of(told)
    first = unseen.incidence[0][told]
    others = {what: challenger(what, data, seed=seed, horizon=horizon) for what in challengers}
    if imputations:
        others["complete"] = replace(refits, imputations=0)
    comparisons, missing = _beside(run, first, told, deals[:1], others)
    during = (
        ()
        if LAST_SESSION[chosen.outcome]
        else mid_course(first, part.seen, part.patient, ends=chosen.ends, level=level)
    )
    left_out = [_clusters(run, refits, table.iloc[kept], what) for what in wanted]
    others_out = [found for _, found in left_out if found is not None]
    failures = (
        *unseen.failures,
        *(boot.failures if boot else ()),
        *(failure for found in others_out for failure in found.failures),
    )
    n_fits = unseen.n_fits + resamples + sum(found.n_fits for found in others_out)
    return ValidationReport(
        definition=chosen.name,
        method=name,
        scheme=_scheme(folds, repeats, resamples, correction, int(patient.max()) + 1),
        n_cases=int(told.sum()),
        n_patients=len(np.unique(part.patient)),
        n_left_out=int(len(table) - told.sum()),
        n_ended={end: int((part.seen.ending == j + 1).sum()) for j, end in enumerate(chosen.ends)},
        level=level,
        rows=rows,
        calibrations=part.calibrations(first),
        predictions={(end, k): np.sort(first[:, j, k - 1]) for j, end in enumerate(chosen.ends) for k in ks},
        incidence=part.incidence(first[:, :, : ks[-1]]),
        comparisons=comparisons,
        no_comparison=missing,
        mid_course=during,
        hazards=hazard_calibration(
            _hazards(first[:, :, : ks[-1]]), part.seen.sessions, part.seen.ending, level=level
        ),
        d_calibration=d_calibration(
            np.diff(first[:, :, : ks[-1]], axis=-1, prepend=0.0), part.seen.sessions, part.seen.ending
        ),
        decisions={
            h: net_benefit_at(
                first[:, 0, h - 1],
                part.seen.sessions,
                part.seen.ending,
                end=1,
                horizon=h,
                thresholds=THRESHOLDS,
                groups=part.patient,
            )
            for h in decisions
            if h <= ks[-1]
        },
        subgroups=subgroups(
            first[:, 0, min(ks[-1], 3) - 1],
            part.seen,
            part.patient,
            parts_of(_split_by(table.iloc[kept[told]])),
            end=1,
            horizon=min(ks[-1], 3),
            level=level,
        ),
        losses=loss_sensitivity(first[:, 0, ks[-1] - 1], part.seen, end=1, horizon=ks[-1]),
        clusters=tuple(spread for spreads, _ in left_out for spread in spreads),
        instability=_instability(boot, whole[0], chosen.ends[0], ks),
        verdict=judge(
            rows,
            comparisons,
            during,
            first_end=chosen.ends[0],
            limits=chosen.verdict,
            n_cases=int(told.sum()),
            failed=len(failures) / n_fits,
            table_due=chosen.outcome == "course" and not chosen.strata,
        ),
        definition_fingerprint=chosen.fingerprint,
        data_fingerprint="" if imputations else design.fingerprint,
        made_by=made_by(name, design, settings),
        notes=part.notes(),
        failures=failures,
        invented=bool(table.attrs.get("invented", False)),
    )


@dataclass(frozen=True)
class _Run:
    """The cases validated and how."""

    data: CaseData
    seen: Courses
    patient: IntArray
    horizons: tuple[int, ...]
    level: float
    seed: int
    jobs: int
    cluster: str
    progress: Progress | None

    @property
    def ends(self) -> tuple[str, ...]:
        return self.data.definition.ends

    def of(self, rows: NDArray[np.bool_]) -> _Run:
        seen = Courses(
            self.seen.sessions[rows], self.seen.ending[rows], self.seen.weights[rows], self.seen.n_ends
        )
        return _Run(
            self.data.rows(rows),
            seen,
            np.unique(self.patient[rows], return_inverse=True)[1].astype(np.int64),
            self.horizons,
            self.level,
            self.seed,
            self.jobs,
            self.cluster,
            self.progress,
        )

    def measured(self, incidence: FloatArray, weights: FloatArray) -> Panel:
        with np.errstate(invalid="ignore"):
            return evaluate(
                incidence, Samples(self.seen, weights), ends=self.ends, horizons=self.horizons, measures=NAMES
            )

    def held_out_rows(
        self, whole: FloatArray, unseen: HeldOut, told: NDArray[np.bool_]
    ) -> tuple[MeasureRow, ...]:
        """Measures on held-out predictions, averaged over the deals, with the interval of the first deal."""
        part = self.of(told)
        one = np.ones((1, int(told.sum())))
        apparent = part.measured(whole[None, told], one)
        held = part.measured(unseen.incidence[:, told], one)
        samples = bootstrap_weights(part.patient, _INTERVAL_SAMPLES, self.seed)
        # smooth curves of every sample would take longer than all else; their distance has no interval here
        quick = Question(part.seen, self.ends, self.horizons, tuple(m for m in NAMES if m != "ici"))
        with np.errstate(invalid="ignore"):
            spread = quick.on(unseen.incidence[:1, told], Samples(part.seen, samples))
        return tuple(self._row(key, float(apparent[key][0]), held[key], spread.get(key)) for key in apparent)

    def _row(self, key: Key, apparent: float, held: FloatArray, spread: FloatArray | None) -> MeasureRow:
        corrected = float(held.mean()) if np.isfinite(held).all() else np.nan
        reason = "" if np.isfinite(corrected) else _REASONS.get(key[0], "it cannot be told from these cases")
        low = high = np.nan
        if spread is not None and np.isfinite(corrected) and np.isfinite(spread).any():
            tails = ((1 - self.level) / 2, (1 + self.level) / 2)
            low, high = np.quantile(spread[np.isfinite(spread)], tails) - held[0] + corrected
        return MeasureRow(*key, apparent, corrected, float(low), float(high), reason)

    def notes(self) -> tuple[str, ...]:
        """Horizons at which the weights of the few still followed explode, or nobody is left to tell."""
        lines = []
        for k in self.horizons:
            heaviest = known_weights(self.seen, k).max()
            if np.isnan(heaviest):
                lines.append(f"nobody was followed to session {k}: no measure there")
            elif heaviest > _HEAVY:
                lines.append(
                    f"few cases were followed to session {k}: one stands for {heaviest:.0f} in scores and concordance"
                )
        return tuple(lines)

    def calibrations(self, incidence: FloatArray) -> dict[tuple[str, int], Calibration]:
        return {
            (end, k): calibration_at(
                incidence[:, j, k - 1],
                self.seen.sessions,
                self.seen.ending,
                end=j + 1,
                horizon=k,
                groups=self.patient,
                level=self.level,
            )
            for j, end in enumerate(self.ends)
            for k in self.horizons
        }

    def incidence(self, predicted: FloatArray) -> tuple[SessionIncidence, ...]:
        horizon = predicted.shape[-1]
        observed = aalen_johansen(
            self.seen.sessions, self.seen.ending, n_ends=len(self.ends), horizon=horizon
        )
        z = normal_quantile(self.level)
        rows = []
        for j, end in enumerate(self.ends):
            for k in range(horizon):
                value, error = float(observed.incidence[j, k]), float(observed.standard_error[j, k])
                rows.append(
                    SessionIncidence(
                        end,
                        k + 1,
                        int(observed.at_risk[k]),
                        int(observed.events[j, : k + 1].sum()),
                        value,
                        max(0.0, value - z * error),
                        min(1.0, value + z * error),
                        float(predicted[:, j, k].mean()),
                    )
                )
        return tuple(rows)


_REASONS = {
    "slope": "fewer than 10 of the rarer outcome, or all predictions are equal",
    "ici": "fewer than 10 of the rarer outcome: no smooth curve",
    "concordance_at": "no pair of a case with the end and one without",
}


def _bootstrap_rows(boot: Optimism) -> tuple[MeasureRow, ...]:
    return tuple(
        MeasureRow(
            *key,
            found.apparent,
            found.corrected,
            found.low,
            found.high,
            _REASONS.get(key[0], found.reason) if found.reason else "",
            found.n_failed,
        )
        for key, found in boot.values.items()
    )


def _beside(
    run: _Run,
    predicted: FloatArray,
    told: NDArray[np.bool_],
    deal: IntArray,
    others: Mapping[str, Refits | None],
) -> tuple[tuple[Comparison, ...], str]:
    """Scores beside the challengers' on the same folds, and why one that was due is missing."""
    part = run.of(told)
    ours = case_scores(predicted, part.seen, run.ends, run.horizons)
    comparisons: list[Comparison] = []
    missing: list[str] = []
    for name, refits in others.items():
        if refits is None:
            continue
        found = held_out(refits, deal, jobs=run.jobs, cluster=run.cluster, progress=run.progress)
        if found.failures:
            missing.append(f"Not compared with {name}: it could not be fitted in {found.failures[0]}")
            continue
        theirs = case_scores(found.incidence[0][told], part.seen, run.ends, run.horizons)
        comparisons += compare(ours, theirs, part.patient, other=name, level=run.level, seed=run.seed)
    return tuple(comparisons), " ".join(missing)


def _clusters(
    run: _Run, refits: RecipeRefits, table: pd.DataFrame, by: str
) -> tuple[tuple[ClusterSpread, ...], HeldOut | None]:
    """Internal-external validation: each cluster predicted by the others."""
    column = table["started"].astype(str).str[:4] if by == "period" else table[by].astype(str)
    labels = column.to_numpy(dtype=str)
    known = ~np.isin(labels, ("", "nan", "<NA>", "None"))
    fold = np.full(len(labels), -1, dtype=np.int64)
    fold[known] = np.unique(labels[known], return_inverse=True)[1]
    if known.sum() == 0 or fold.max() < 1:
        why = "fewer than two of them" if known.any() else "not recorded"
        spreads = tuple(ClusterSpread(by, end, k, 0, 0, reason=why) for end in run.ends for k in run.horizons)
        return spreads, None
    found = held_out(
        refits,
        fold[None],
        what=by,
        patient=run.patient,  # the other eye of a patient may be in another period
        jobs=run.jobs,
        cluster=run.cluster,
        progress=run.progress,
    )
    told = np.isfinite(found.incidence[0]).all(axis=(1, 2))
    if not told.any():
        why = found.failures[0]
        spreads = tuple(ClusterSpread(by, end, k, 0, 0, reason=why) for end in run.ends for k in run.horizons)
        return spreads, found
    part = run.of(told)
    number = np.unique(fold[told], return_inverse=True)[1].astype(np.int64)
    spreads = cluster_spread(
        found.incidence[0][told],
        part.seen,
        number,
        part.patient,
        by=by,
        ends=run.ends,
        horizons=run.horizons,
        level=run.level,
    )
    return spreads, found


def _hazards(incidence: FloatArray) -> FloatArray:
    """Chance of each end at each session for a case still in treatment, shape (cases, ends, sessions)."""
    pmf = np.diff(incidence, axis=-1, prepend=0.0)
    before = 1.0 - np.concatenate([np.zeros_like(incidence[..., :1]), incidence[..., :-1]], axis=-1).sum(
        axis=1
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.clip(np.where(before[:, None] > 0, pmf / before[:, None], 0.0), 0.0, 1.0)


def _split_by(table: pd.DataFrame) -> dict[str, NDArray[Any]]:
    """Features that the report looks at by level: kind, corneal history, lens, age."""
    return dict(feature_floor.features(table, ("opacity", "cornea", "lens", "age")))


def _instability(
    boot: Optimism | None, whole: FloatArray, end: str, horizons: tuple[int, ...]
) -> Instability | None:
    if boot is None or not len(boot.per_case):
        return None
    return instability(whole[:, 0, horizons[-1] - 1], boot.per_case[:, :, 0], end=end, horizon=horizons[-1])


def _scheme(folds: int, repeats: int, resamples: int, correction: Correction, n_patients: int) -> str:
    deals = f", {repeats} times" if repeats > 1 else ""
    words = f"{folds}-fold cross-validation by patient{deals}"
    return f"{scheme_words(correction, resamples, f'{n_patients} patients')}; {words}" if resamples else words


def _checked(
    definition: Definition,
    seen: Courses,
    horizons: Sequence[int],
    resamples: int,
    correction: str,
    level: float,
    seed: int,
    repeats: int,
    by: Sequence[str],
    challengers: Sequence[str],
    imputations: int,
    decisions: Sequence[int],
) -> tuple[tuple[int, ...], tuple[int, ...]]:
    faults = []
    if isinstance(repeats, bool) or not isinstance(repeats, int) or repeats < 1:
        faults.append(Fault("repeats", f"{repeats!r}", "a whole number from 1"))
    if isinstance(imputations, bool) or not isinstance(imputations, int) or not 0 <= imputations <= 100:
        faults.append(Fault("imputations", f"{imputations!r}", "a whole number from 0 to 100"))
    for h in decisions:
        if isinstance(h, bool) or not isinstance(h, int) or h < 1:
            faults.append(Fault("decisions", f"{h!r}", "whole sessions from 1"))
    for what in by:
        if what not in CLUSTERS:
            faults.append(Fault("by", f"{what!r}", ", ".join(CLUSTERS)))
    for name in challengers:
        if name not in (*CHALLENGERS, *ASKED_FOR):
            faults.append(Fault("challengers", f"{name!r}", ", ".join((*CHALLENGERS, *ASKED_FOR))))
    last = LAST_SESSION[definition.outcome]
    try:
        asked = tuple(horizons)
        tuple(decisions)
    except TypeError:
        raise FitError(
            Fault(
                "horizons, decisions",
                f"{horizons!r}, {decisions!r}",
                "sequences of whole sessions, such as (1, 2)",
            )
        ) from None
    if last is not None:
        asked = tuple(k for k in asked if not isinstance(k, int) or k <= last)
        if not asked:
            faults.append(Fault("horizons", f"{tuple(horizons)!r}", f"1 to {last} for {definition.name}"))
    else:
        # defaults past the longest course of a small clinic are left out; the caller's own are refused
        longest = int(seen.sessions.max())
        if tuple(horizons) == (1, 2, 3, 4):
            asked = tuple(k for k in asked if k <= longest)
    try:
        kept = check_arguments(
            seen,
            horizons=asked,
            resamples=resamples or 2,
            correction=correction,
            measures=NAMES,
            level=level,
            seed=seed,
        )
    except FitError as error:
        faults += error.faults
    if faults:
        raise FitError(faults)
    return kept
