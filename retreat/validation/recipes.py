"""Validation of a recipe on a clinic's case table: every measure, corrected for optimism, in one call."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from retreat import features as feature_floor
from retreat.definitions import LAST_SESSION, Definition, read_definition
from retreat.errors import Fault, FitError
from retreat.fitting.design import read_data
from retreat.recipe import check_recipe, chosen_method, made_by
from retreat.tables import as_cases
from retreat.validation._checked import courses
from retreat.validation.arguments import HORIZONS, asked, n_folds
from retreat.validation.beside import scores_beside
from retreat.validation.decision import net_benefit_at
from retreat.validation.during import forecasts_beside, held_against, read_course
from retreat.validation.estimators import out_of_reach, scheme_words
from retreat.validation.hazards_at import hazard_calibration
from retreat.validation.histogram import d_calibration
from retreat.validation.instability import Instability, instability
from retreat.validation.landmarks import at_landmarks
from retreat.validation.left_out import left_out
from retreat.validation.losses import loss_sensitivity
from retreat.validation.midcourse import AHEAD, MidCourse, decisive
from retreat.validation.report import MeasureRow, ValidationReport
from retreat.validation.run import NAMES, REASONS, Run
from retreat.validation.schemes.challengers import CHALLENGERS, challenger
from retreat.validation.schemes.folds import deal_patients
from retreat.validation.schemes.landmark_refits import held_out_at
from retreat.validation.schemes.optimism import Correction, Optimism, Question, correct_optimism
from retreat.validation.schemes.recipe_refits import RecipeRefits
from retreat.validation.schemes.resampling import Progress, bootstrap_weights
from retreat.validation.subgroups import parts_of, subgroups
from retreat.validation.verdict import judge

if TYPE_CHECKING:
    import pandas as pd

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

# chances from which a package may be quoted
THRESHOLDS = tuple(np.round(np.arange(0.1, 0.95, 0.1), 1).tolist())


def validate(
    cases: pd.DataFrame,
    definition: str | Path | Definition = "core",
    *,
    method: str | None = None,
    resamples: int = 0,
    correction: Correction = "harrell",
    folds: int | None = None,
    repeats: int = 1,
    by: str | Sequence[str] = (),
    challengers: Sequence[str] = CHALLENGERS,
    imputations: int = 0,
    decisions: Sequence[int] = (2,),
    horizons: Sequence[int] = HORIZONS,
    visits: pd.DataFrame | None = None,
    at: Sequence[int] | None = None,
    against: str | Path | Definition | None = None,
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

    Measures during a course are of the forecasts that a sheet would have given then: after each of `at` sessions,
    for the eyes that went on, from what was known by that session and nothing later.

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
    folds : int, at least 2, optional
        Patients are dealt into so many folds (default: 10; 5 for ``"progress"``, of which each takes a minute).
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
    visits : DataFrame, optional
        A `visits` table: what a definition with a history learns from, and forecasts from at a landmark.
    at : sequence of int, from 0, optional
        Landmarks: sessions had, after which the next session and the next two are looked at (default: 1 and 2; 0 to 3
        for a definition with a history).
    against : str, Path or Definition, optional
        What the log score at landmarks is held against, fitted by its own method to the same folds (default:
        ``"core"`` for a definition with a history, else nothing).
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
    told_of = asked(
        chosen,
        seen,
        horizons=horizons,
        at=at,
        resamples=resamples,
        correction=correction,
        level=level,
        seed=seed,
        repeats=repeats,
        by=wanted,
        challengers=challengers,
        imputations=imputations,
        decisions=decisions,
    )
    ks = told_of.horizons
    other = held_against(against, chosen, told_of.at)
    course = read_course(table, visits, everyone, kept, told_of.at)
    horizon = ks[-1] if LAST_SESSION[chosen.outcome] else max(ks[-1], AHEAD + 2)
    patient = np.unique(data.patient, return_inverse=True)[1].astype(np.int64)
    folds = n_folds(chosen, folds)
    deals = np.stack([deal_patients(data.patient, folds, seed + r) for r in range(repeats)])
    run = Run(data, seen, patient, ks, level, seed, jobs, cluster, progress)
    refits = RecipeRefits(data, name, seed, settings, horizon, imputations)
    with_history = replace(refits, records=course.records_for(chosen)) if chosen.history else refits
    unseen, later = held_out_at(
        with_history, course.known, deals, told_of.at, jobs=jobs, cluster=cluster, progress=progress
    )
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
    rows += out_of_reach(told_of.beyond, chosen.ends, NAMES)
    part = run.of(told)
    first = unseen.incidence[0][told]
    others = {what: challenger(what, data, seed=seed, horizon=horizon) for what in challengers}
    if imputations:
        others["complete"] = replace(refits, imputations=0)
    comparisons, missing = scores_beside(run, first, told, deals[:1], others)
    beside = None
    if other is not None:
        beside, theirs = forecasts_beside(
            other, course, run, table, kept, deals[:1], horizon=horizon, imputations=imputations
        )
        if theirs:
            why = f"Not compared with {other.name} everywhere during a course: {theirs[0]}"
            missing = f"{missing} {why}".strip()
        beside = {done: found[told] for done, found in beside.items()}
    during = at_landmarks(
        {done: found[told] for done, found in later.items()},
        part.seen,
        part.patient,
        ends=chosen.ends,
        beside=beside,
        told={done: noted[told] for done, noted in course.told(chosen).items()},
        level=level,
        seed=seed,
    )
    clusters = [left_out(run, refits, table.iloc[kept], what) for what in wanted]
    others_out = [found for _, found in clusters if found is not None]
    failures = (
        *unseen.failures,
        *(boot.failures if boot else ()),
        *(failure for found in others_out for failure in found.failures),
    )
    n_fits = unseen.n_fits + resamples + sum(found.n_fits for found in others_out)
    return ValidationReport(
        definition=chosen.name,
        method=name,
        scheme=_scheme(folds, repeats, resamples, correction, int(patient.max()) + 1)
        + _checked_after(during.mid_course, chosen.ends[0]),
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
        mid_course=during.mid_course,
        at_landmarks=during.rows,
        against=other.name if other else "",
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
        clusters=tuple(spread for spreads, _ in clusters for spread in spreads),
        instability=_instability(boot, whole[0], chosen.ends[0], ks),
        verdict=judge(
            rows,
            comparisons,
            decisive(during.mid_course),
            landmarks=decisive(during.rows),
            against=other.name if other else "",
            first_end=chosen.ends[0],
            limits=chosen.verdict,
            n_cases=int(told.sum()),
            failed=len(failures) / n_fits,
            table_due=chosen.outcome == "course" and not chosen.strata,
            intervals="of the recipe" if resamples else "of held predictions",
        ),
        definition_fingerprint=chosen.fingerprint,
        data_fingerprint="" if imputations else design.fingerprint,
        made_by=made_by(name, design, settings),
        notes=(*part.notes(), *during.notes),
        failures=failures,
        invented=bool(table.attrs.get("invented", False)),
    )


def _bootstrap_rows(boot: Optimism) -> tuple[MeasureRow, ...]:
    return tuple(
        MeasureRow(
            *key,
            found.apparent,
            found.corrected,
            found.low,
            found.high,
            REASONS.get(key[0], found.reason) if found.reason else "",
            found.n_failed,
        )
        for key, found in boot.values.items()
    )


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


def _checked_after(rows: Sequence[MidCourse], first_end: str) -> str:
    """After which sessions of a course the forecasts were looked at; a sheet reads it."""
    seen = {
        row.done
        for row in rows
        if row.end == first_end and np.isfinite([row.slope, row.observed_expected]).all()
    }
    after = ", ".join(str(done) for done in sorted(seen))
    return f"; during a course after session {after}" if after else ""
