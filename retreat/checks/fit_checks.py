"""Checks of a Bayesian fit in one call: replicated clinics, leave-one-out, definitions beside each other."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from retreat.checks.curves import curves
from retreat.checks.discrepancies import discrepancies
from retreat.checks.held_out import FOLDS, MOST_REFITS, CrossValidation, folds_by_patient, leave_one_out
from retreat.checks.outlook import Outlook
from retreat.checks.parts import whole
from retreat.checks.pit import pit_by_others
from retreat.checks.record import FitChecks
from retreat.checks.replication import replicated
from retreat.checks.stacking import Beside, Candidate, beside
from retreat.definitions import Definition, read_definition
from retreat.errors import Fault, FitError
from retreat.fitting.arguments import is_whole
from retreat.fitting.bayes import fit_posterior
from retreat.fitting.design import CaseData, Design, read_data
from retreat.fitting.groups import has_never_share, has_operator_effect, has_patient_effect
from retreat.fitting.posterior import Posterior
from retreat.model.card import INVENTED
from retreat.tables import as_cases
from retreat.validation.schemes.resampling import one_thread

if TYPE_CHECKING:
    import pandas as pd

CLINICS = 1000
LEVEL = 0.9
# replicated curves kept for drawing
_SHOWN = 40


def check_fit(
    cases: pd.DataFrame,
    definition: str | Path | Definition = "core",
    *,
    others: Sequence[str | Path | Definition] = (),
    folds: int = 0,
    clinics: int = CLINICS,
    seed: int = 1,
) -> FitChecks:
    """Whether a Bayesian fit of a definition is like the cases it was fitted to, and like those it has not seen.

    The definition is fitted by the Bayesian route. Clinics are replicated from its posterior and held against the
    clinic seen; each case is foreseen by the others; and other definitions are held beside it on the same cases.

    Parameters
    ----------
    cases : DataFrame
        A `cases` table; it is checked. Cases not begun, or with a missing feature of any of the definitions, are
        left out, so that all are held against the same cases.
    definition : str, Path or Definition
        What is checked.
    others : sequence of str, Path or Definition
        Definitions of the same outcome to hold beside it.
    folds : int, 0 or from 2 to the number of patients
        Folds by patient beside leaving out single cases; 0 takes ten where more than 20 cases have a k-hat over 0.7,
        and none otherwise.
    clinics : int, from 100 to 10,000
        Clinics replicated.
    seed : int, from 0
        Seed of everything random.

    Returns
    -------
    FitChecks

    Raises
    ------
    TableError, DefinitionError
        If the table or a definition is refused.
    FitError
        If an argument is out of range, a definition has another outcome or no place in the Bayesian route, too few
        cases are left, or the fit of the definition checked fails its own checks.

    Notes
    -----
    Cases must be lost for reasons that say nothing of how they would have gone on; see
    :func:`~retreat.checks.follow_up.drawn_follow_up` for how loss is replicated.

    References
    ----------
    Gelman A, Vehtari A, Simpson D, and others. Bayesian workflow. arXiv:2011.01808, 2020 (from memory).
    """
    chosen = read_definition(definition)
    alike = [read_definition(other) for other in others]
    _refuse(chosen, alike, folds, clinics, seed)
    table = as_cases(cases)
    designs, notes = _same_cases([read_data(table, one) for one in (chosen, *alike)])
    design = designs[0]
    if folds > design.n_patients:
        raise FitError(Fault("folds", f"{folds} folds", f"2 to {design.n_patients}, the number of patients"))
    with one_thread():
        posterior = _fitted(design, seed)
        drawn = replicated(posterior, clinics=clinics, seed=seed)
        outlook = Outlook(design, whole(design), posterior, seed)
        others_fitted, failures = _others(designs[1:], seed)
        found = [leave_one_out(one, seed=seed) for one in (outlook, *others_fitted)]
        needed = any(one.n_high > MOST_REFITS for one in found)
        told, dealt = found, None
        if needed or folds:
            # where folds were asked for alone, the others stay with their weights
            deals = [
                folds_by_patient(one, folds=folds or min(FOLDS, design.n_patients), seed=seed)
                for one in ((outlook, *others_fitted) if needed else (outlook,))
            ]
            dealt = deals[0]
            told = deals if needed else found
    fitted = (posterior, *(one.posterior for one in others_fitted))
    return FitChecks(
        definition=chosen.name,
        title=chosen.title,
        method={"nested": "nested normals with importance weights", "nuts": "NUTS"}[posterior.sampler],
        n_cases=len(design.sessions),
        n_patients=design.n_patients,
        n_left_out=len(table) - len(design.sessions),
        ended={end: int((design.ending == j).sum()) for j, end in enumerate(chosen.ends, start=1)},
        curves=curves(design, drawn, level=LEVEL, shown=_SHOWN),
        discrepancies=discrepancies(posterior, drawn, level=LEVEL),
        leave_one_out=found[0],
        folds=dealt,
        told_by="patients" if needed else "case",
        pit=pit_by_others(told[0], design.ending > 0),
        beside=_compared(fitted, told),
        failures=(*failures, *(failure for one in (*found, dealt) if one for failure in one.failures)),
        notes=(*notes, *posterior.notes, *_alike_notes(fitted), *_high_notes(needed)),
        cautions=(INVENTED,) if design.invented else (),
    )


def _fitted(design: Design, seed: int) -> Posterior:
    posterior = fit_posterior(design, seed=seed)
    if posterior.failures:
        raise FitError(
            Fault(
                design.definition.name,
                posterior.failures[0],
                "a fit that passes its own checks",
                "collect more cases, or check a simpler definition",
            )
        )
    return posterior


def _others(designs: Sequence[Design], seed: int) -> tuple[list[Outlook], list[str]]:
    outlooks, failures = [], []
    for design in designs:
        try:
            outlooks.append(Outlook(design, whole(design), _fitted(design, seed), seed))
        except FitError as error:
            failures.append(str(error.faults[0]))
    return outlooks, failures


def _same_cases(read: Sequence[CaseData]) -> tuple[list[Design], tuple[str, ...]]:
    """Designs of the cases that are complete for all definitions, and what was left out for it."""
    complete = np.logical_and.reduce([data.complete for data in read])
    first = read[0].complete
    designs = [data.rows(np.flatnonzero(complete)).design() for data in read]
    notes = list(designs[0].notes)
    if not first.all():
        notes.append(f"{int((~first).sum())} cases not yet begun or with a missing feature were left out")
    if (first & ~complete).any():
        n = int((first & ~complete).sum())
        notes.append(
            f"{n} more cases were left out since a feature of another definition is missing in them: all definitions, "
            "this one too, are held against the same cases"
        )
    return designs, tuple(notes)


def _compared(fitted: Sequence[Posterior], found: Sequence[CrossValidation]) -> tuple[Beside, ...]:
    return beside(
        [
            Candidate(posterior.design.definition.name, _n_free(posterior), _parts(posterior), one)
            for posterior, one in zip(fitted, found, strict=True)
        ]
    )


def _n_free(posterior: Posterior) -> int:
    """Numbers that a posterior draws: effects, spreads and groups."""
    arrays = (
        posterior.coefficients,
        posterior.effects,
        posterior.step_sd,
        posterior.operator_sd,
        posterior.operator_effect,
    )
    count = sum(int(np.prod(array.shape[1:])) for array in arrays)
    design = posterior.design
    return count + design.n_ends * has_patient_effect(design) + has_never_share(design)


def _parts(posterior: Posterior) -> frozenset[str]:
    """Terms and groups that enter this posterior."""
    design = posterior.design
    groups = {
        "operators": has_operator_effect(design),
        "patients differ": has_patient_effect(design),
        "patients never respond": has_never_share(design),
    }
    terms = {f"{term.label}, {term.form}" for term in design.definition.terms}
    return frozenset(terms | {name for name, enters in groups.items() if enters})


def _alike_notes(fitted: Sequence[Posterior]) -> list[str]:
    """Definitions that are one and the same model here, told apart by their priors alone."""
    first = _shape(fitted[0])
    name = fitted[0].design.definition.name
    return [
        f"{name} and {other.design.definition.name} are the same model of these cases and differ by their priors alone"
        + (
            ": some patient has two cases, so both let patients differ in how hard their eyes are"
            if has_patient_effect(other.design)
            else ""
        )
        for other in fitted[1:]
        if _shape(other) == first
    ]


def _shape(posterior: Posterior) -> tuple[object, ...]:
    design = posterior.design
    groups = (has_patient_effect(design), has_operator_effect(design), has_never_share(design))
    return (design.X.shape, design.X.tobytes(), posterior.effects.shape[1:], groups)


def _high_notes(needed: bool) -> list[str]:
    if not needed:
        return []
    return [
        f"the weights of more than {MOST_REFITS} cases of some definition are not to be trusted (k-hat over 0.7), so "
        "cases are foreseen in folds by patient instead"
    ]


def _refuse(chosen: Definition, others: Sequence[Definition], folds: int, clinics: int, seed: int) -> None:
    faults = []
    names = [chosen.name]
    for where, one in (("definition", chosen), *(("others", other) for other in others)):
        if one.strata:
            fix = "name a regression"
            faults.append(
                Fault(where, f"{one.name} is a table without priors", "a definition with priors", fix)
            )
        elif one.studies:
            what = f"{one.name} rests on published averages, which a fit to cases alone would drop"
            faults.append(Fault(where, what, "a definition without studies"))
        if one.ends != chosen.ends:
            faults.append(
                Fault(where, f"{one.name} is of another outcome than {chosen.name}", "the same outcome")
            )
    for other in others:
        if other.name in names:
            faults.append(Fault("others", f"{other.name} comes twice", "each definition once"))
        names.append(other.name)
    if not is_whole(folds) or folds < 0 or folds == 1:
        faults.append(Fault("folds", f"{folds!r}", "0, or a whole number from 2"))
    if not is_whole(clinics) or not 100 <= clinics <= 10_000:
        faults.append(Fault("clinics", f"{clinics!r}", "a whole number from 100 to 10,000"))
    if not is_whole(seed) or seed < 0:
        faults.append(Fault("seed", f"{seed!r}", "a whole number from 0"))
    if faults:
        raise FitError(faults)
