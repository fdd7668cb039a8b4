"""`retreat.update`: a saved model and a practice's cases, to a model that fits the practice."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from retreat.definitions import Definition, read_definition
from retreat.definitions.entries import Gates
from retreat.errors import DefinitionError, Fault, FitError
from retreat.fitting.arguments import choice_fault, is_whole
from retreat.fitting.design import CaseData, read_data
from retreat.model import Model, casemix
from retreat.model.card import Ancestor, ModelCard, Validated
from retreat.updating import wording
from retreat.updating.agreement_before_after import BeforeAfter, before_after
from retreat.updating.judging import Judgement, judged
from retreat.updating.ladder import TestRow, closed_test, fit_rung
from retreat.updating.likelihood import rows_of
from retreat.updating.overlap import SHARED, STATED, refuse_its_own, shared_because
from retreat.updating.practice import Practice, read_practice
from retreat.updating.record import Update
from retreat.updating.redraw import Redrawn, re_estimated, recalibrated
from retreat.updating.rungs import STEPS, WORDS, Ladder, Step, check_step, ladder_of
from retreat.updating.spread import deviations, point_of, root
from retreat.validation.schemes.resampling import Progress, one_thread
from retreat.version import VERSION

if TYPE_CHECKING:
    import pandas as pd

    from retreat.fitting.design import Design

# How the card of a model tells its method, and the update that is for it
LADDER = ("logistic hazard",)
BAYESIAN = ("Bayesian", "published")
# where whole posteriors are updated: update_bayes(model, design, *, discount, seed) -> Model
_BAYESIAN_HOME = ("retreat.updating.bayesian", "update_bayes")
# draws behind a mean prediction inside a fold: their noise, some 0.001, is a tenth of one eye in 100
_FOLD_DRAWS = 400
# complete cases from which missing features are averaged over the practice's own mix (our judgement)
_OWN_MIX = 100
_FIRST_MADE = "This model was first made from"
_UPDATED = "in the update, "


def update(
    model: Model,
    cases: pd.DataFrame,
    *,
    step: Literal["auto", "none", "intercepts", "intercepts_slope", "re_estimation"] = "auto",
    folds: int = 10,
    level: float = 0.95,
    definition: str | Path | Definition | None = None,
    discount: float | None = None,
    since: str | None = None,
    other_practice: bool = False,
    seed: int = 1,
    progress: Progress | None = None,
) -> Update:
    """Bring a saved model up to date with a practice's own cases, no further than they support.

    The ladder of a logistic model: ``"none"``; ``"intercepts"``, one shift of the level of each end;
    ``"intercepts_slope"``, also one slope of each end on the model's own score, the part of its linear predictor
    that tells eyes apart (Cox 1958 [1]_; Steyerberg and others 2004 [2]_); ``"re_estimation"`` of all coefficients
    and session effects. An end takes part in a rung that 10 cases ended so support for each of its parameters.
    With ``"auto"`` the step is chosen by the closed test of Vergouwe and others 2017 [3]_ among the rungs the
    cases support: the highest against none, then against each lower one, likelihood ratio tests at 0.05. Where the
    paper takes the model's parameters as known, here its draws stand for the cases it was fitted to, so that a
    practice is not told to differ for what those left open (:func:`retreat.updating.ladder.closed_test`). The chance
    of changing a model that is right is then about 0.05 or less: of practices of 400 cases simulated, 0.02 were
    changed from models fitted to 300 cases (whose penalty makes the draws somewhat wide) and 0.05 from models of
    1,000 (250 each, standard errors of 0.01).

    Draws of the updated model carry the uncertainty of both: each draw of the model is recalibrated by itself, to
    first order, and moved by a draw from the normal approximation around that with patients as units. Where
    Vergouwe and others re-estimate by maximum likelihood, the tests do so here, but the estimates of the new model
    are shrunk to the old one: its draws' mean and covariance are the prior, averaged over discounts by how well each
    explains the practice's cases, level and slope left free. In a practice of a few hundred cases maximum likelihood
    alone would be too bold. Ranges of 90% held about 90% in simulations of the first two steps and 84 to 88% in those
    of a re-estimation from 400 cases (the tests hold them to it).

    Models whose card says Bayesian or published are updated as a whole posterior, their prior discounted.

    Parameters
    ----------
    model : Model
        From :func:`retreat.load` or :func:`retreat.fit`.
    cases : DataFrame
        The practice's `cases` table; it is checked. The model must not have been fitted to any of these cases: they
        would be counted twice. The very same table is refused. A saved model holds no row, so that others cannot be
        recognised: unless all cases started after the model's, or `other_practice` says that none is shared, a
        Bayesian model is not updated (they would count twice), and for another no
        verdict is drawn and the words and the card say why.
    step : {"auto", "none", "intercepts", "intercepts_slope", "re_estimation"}
        The rung, or the closed test's choice. Bayesian and published models take ``"auto"`` only.
    folds : int, at least 2
        Folds by patient of the calibration after the update, in each of which the update is redone.
    level : float in (0, 1)
        Coverage of the intervals of the calibration.
    definition : str, Path or Definition, optional
        Definition of a Bayesian or published model, where it is not a shipped one.
    discount : float in (0, 1], optional
        How much a Bayesian or published model's information counts; its own default if not given.
    since : str, optional
        Date or year: only cases that started on it or later are used.
    other_practice : bool
        The user's word that none of these cases is among those the model, or one before it, was made from; it is
        noted on the card.
    seed : int, from 0
        Seed of everything random.
    progress : callable, optional
        Told after each fold: folds done, folds in all.

    Returns
    -------
    Update

    Raises
    ------
    TableError
        If the table is refused.
    DefinitionError
        If the definition is refused.
    FitError
        If the model failed the gates of its own fit, is of a kind that is not updated or was made from these very
        cases; no case can be judged by it, none has ended or all are of one patient; the step asked for is not
        supported by the cases (the message says which is, and how many more cases the next takes); or an argument
        is out of range.

    Notes
    -----
    In the tests the likelihood of the practice is divided by the design effect of eyes of one patient (Rao and Scott
    1984). A model's draws are taken as normal. Cases must be lost for reasons that say nothing of how they would have
    ended. No verdict is drawn from too few cases (:func:`retreat.updating.judging.judged`).

    References
    ----------
    .. [1] Cox DR. Two further applications of a model for binary regression. Biometrika 1958;45:562-565 (from memory).
    .. [2] Steyerberg EW, Borsboom GJJM, van Houwelingen HC, Eijkemans MJC, Habbema JDF. Validation and updating of
       predictive logistic regression models: a study on sample size and shrinkage. Stat Med 2004;23:2567-2586
       (from memory).
    .. [3] Vergouwe Y, Nieboer D, Oostenbrink R, and others. A closed testing procedure to select an appropriate
       method for updating prediction models. Stat Med 2017;36:4529-4539 (from memory).

    Examples
    --------
    >>> import pandas as pd, retreat, synthetic
    >>> then = pd.DataFrame(synthetic.make("known", seed=1, cases=300, truth=False).cases)
    >>> now = pd.DataFrame(synthetic.make("known", seed=2, cases=80, truth=False).cases)
    >>> model = retreat.fit(then, "core", draws=400)
    >>> found = update(model, now, step="intercepts", folds=2, other_practice=True)
    >>> found.step, len(found.model.card.lineage)
    ('intercepts', 1)
    """
    _check_arguments(model, step, folds, level, seed, discount, other_practice)
    bayesian = model.card.method.startswith(BAYESIAN)
    practice = read_practice(model, cases, since=since)
    refuse_its_own(model.card, practice)
    origin = _Origin("" if other_practice else shared_because(model.card, practice), other_practice)
    if bayesian and origin.shared:  # a case that counts twice makes a posterior surer than it may be
        raise FitError(Fault("cases", origin.shared, "cases that the model has not seen"))
    with one_thread():
        if bayesian:
            return _update_posterior(
                model, cases, practice, origin, folds, level, definition, discount, seed, progress
            )
        return _climb(model, practice, origin, step, folds, level, seed, progress)


@dataclass(frozen=True)
class _Origin:
    """Why the model may have seen some of the cases (empty where it has not), and whether it is stated it has not."""

    shared: str
    stated: bool

    @property
    def notes(self) -> tuple[str, ...]:
        """What the card of the updated model says of it."""
        return (SHARED,) if self.shared else (STATED,) if self.stated else ()


@dataclass(frozen=True)
class _Climbed:
    """The ladder climbed on some cases."""

    ladder: Ladder
    step: Step
    tests: tuple[TestRow, ...]
    redrawn: Redrawn


def _climb(
    model: Model,
    practice: Practice,
    origin: _Origin,
    step: str,
    folds: int,
    level: float,
    seed: int,
    progress: Progress | None,
) -> Update:
    done = _climbed(model, practice, step, seed)
    ends = model.ends

    def again(part: Practice) -> tuple[Model, str]:
        few = replace(model, parameters=model.parameters.thinned(min(_FOLD_DRAWS, model.parameters.n_draws)))
        there = _climbed(few, part, step, seed)
        return replace(few, parameters=there.redrawn.parameters), there.step

    # a model that was kept is as it was: nothing was learned from these cases that could flatter it
    refit = again if done.step != "none" else None
    found = before_after(model, practice, refit, folds=folds, level=level, seed=seed, progress=progress)
    judgement = judged(model.card, found, practice, origin.shared)
    moved = wording.shifts(done.ladder, done.step, ends, done.redrawn.steps, done.redrawn.standard_errors)
    words = (
        *wording.of_done(done.step, moved, done.redrawn.discount, model.card),
        *wording.of_tests(done.tests, done.step, step, done.ladder.supported),
        *wording.of_support(done.ladder, ends, practice),
        *wording.of_calibration(found, judgement, ends[0]),
    )
    updated = model
    if done.step != "none":
        own = replace(
            model.card, method=_method(model.card, done.step), seed=seed, notes=_notes(model.card, moved)
        )
        if done.step == "re_estimation":
            own = replace(own, diagnostics={**own.diagnostics, "discount": done.redrawn.discount})
        card = _card(model, practice, WORDS[done.step], own, origin, found, judgement)
        updated = replace(
            model, card=card, parameters=done.redrawn.parameters, case_mix=_mix(model, practice)
        )
    return _record(updated, done.step, done.ladder.supported, done.tests, found, judgement, practice, words)


def _method(card: ModelCard, step: str) -> str:
    """How the card tells its method: the first fit's, and the latest update."""
    return f"{card.method.split('; updated by ')[0]}; updated by {step.replace('_', ' ')}"


def _notes(card: ModelCard, moved: list[str]) -> tuple[str, ...]:
    return (*(note for note in card.notes if not note.startswith(_UPDATED)), f"{_UPDATED}{'; '.join(moved)}")


def _climbed(model: Model, practice: Practice, step: str, seed: int) -> _Climbed:
    point = point_of(model.parameters)
    rows = rows_of(practice.X, practice.sessions, practice.ending, practice.patient, point, model.link)
    ladder = ladder_of(practice, rows, point)
    if step != "auto":
        check_step(step, ladder, model.ends, practice.n_cases)  # type: ignore[arg-type]  # checked to be a step
    chosen, tests = closed_test(rows, ladder, root(deviations(model.parameters)))
    taken: Step = chosen if step == "auto" else step  # type: ignore[assignment]  # checked to be a step
    if taken == "none":
        nothing = np.zeros(0)
        return _Climbed(ladder, taken, tests, Redrawn(model.parameters, nothing, nothing))
    fit = fit_rung(rows, ladder, taken)
    if taken == "re_estimation":
        redrawn = re_estimated(model.parameters, rows, ladder, fit, seed=seed)
    else:
        redrawn = recalibrated(model.parameters, rows, fit, seed=seed)
    return _Climbed(ladder, taken, tests, redrawn)


def _update_posterior(
    model: Model,
    cases: pd.DataFrame,
    practice: Practice,
    origin: _Origin,
    folds: int,
    level: float,
    definition: str | Path | Definition | None,
    discount: float | None,
    seed: int,
    progress: Progress | None,
) -> Update:
    data = read_data(cases, _definition_of(model, definition))
    home, function = _BAYESIAN_HOME
    update_bayes: Callable[..., Model] = getattr(import_module(home), function)

    def fitted_to(part: Practice) -> Model:
        return update_bayes(model, _design(model, data.rows(part.row)), discount=discount, seed=seed)

    def again(part: Practice) -> tuple[Model, str]:
        there = fitted_to(part)
        if there.card.failures:
            raise FitError(Fault("update", there.card.failures[0], "a fit that passes its gates"))
        return there, step

    fitted, step = fitted_to(practice), "bayesian"
    found = before_after(model, practice, again, folds=folds, level=level, seed=seed, progress=progress)
    judgement = judged(model.card, found, practice, origin.shared)
    what = "the whole posterior, the model's own discounted as the prior"
    words = (
        f"Done: an update of {what}.",
        *wording.of_left_out(practice),
        *wording.of_calibration(found, judgement, model.ends[0]),
    )
    card = _card(model, practice, what, fitted.card, origin, found, judgement)
    updated = replace(fitted, card=card)
    return _record(updated, step, step, (), found, judgement, practice, words)


def _design(model: Model, data: CaseData) -> Design:
    """Design of some cases coded as the model codes; the gates of a first fit do not hold where there is a prior."""
    easy = Gates(min_cases=1, min_ended=1)
    found = replace(data, definition=replace(data.definition, gates=easy)).design()
    X = model.coding.encode(found.features, n_cases=len(found.sessions))
    return replace(found, definition=data.definition, coding=model.coding, X=X)


def _definition_of(model: Model, given: str | Path | Definition | None) -> Definition:
    name = model.card.name
    fix = "pass the definition it was fitted with (definition=, --definition)"
    try:
        found = read_definition(name if given is None else given)
    except DefinitionError:
        if given is not None:
            raise
        raise FitError(Fault("definition", f"{name} is not a shipped definition", fix=fix)) from None
    if found.fingerprint != model.card.definition_fingerprint:
        what = f"{found.name} is not the definition the model was fitted with, or it was changed since"
        raise FitError(Fault("definition", what, name, fix))
    return found


def _card(
    model: Model,
    practice: Practice,
    what: str,
    own: ModelCard,
    origin: _Origin,
    found: BeforeAfter,
    judgement: Judgement,
) -> ModelCard:
    """Card of the updated model: the practice's counts, its own calibration, the model it came from."""
    before = model.card
    ancestor = Ancestor(
        model.model_id, before.name, before.created, before.n_cases, before.data_fingerprint, what
    )
    today = datetime.now(UTC).date().isoformat()
    scheme = f"update redone in {found.n_folds} folds by patient of {practice.n_cases} cases"
    ended = practice.n_ended(len(before.ends))
    lineage = (*before.lineage, ancestor)
    first, times = lineage[0], "" if len(lineage) == 1 else f" {len(lineage)} times, last"
    source = f"{first.n_cases} other cases" if first.n_cases else "no cases of its own"
    rests_on = (
        f"{_FIRST_MADE} {source} ({first.name}, {first.created}) and then updated{times} on "
        f"{practice.n_cases} cases: {what}."
    )
    # an older update's line gives way to this one; the lineage keeps both
    basis = tuple(line for line in own.basis if not line.startswith(_FIRST_MADE))
    told = judgement.verdict
    # what was said of earlier cases stays true of them
    notes = tuple(
        dict.fromkeys((*own.notes, *(n for n in before.notes if n in (SHARED, STATED)), *origin.notes))
    )
    return replace(
        own,
        retreat_version=VERSION,
        created=today,
        n_cases=practice.n_cases,
        n_patients=practice.n_patients,
        n_left_out=practice.n_left_out,
        n_ended={end: int(n) for end, n in zip(before.ends, ended, strict=True)},
        years=practice.years,
        invented=before.invented or practice.invented,
        data_fingerprint=practice.fingerprint,
        validated=Validated(told.standing, told.reasons, told.next_step, scheme, today) if told else None,
        notes=notes,
        basis=(*basis, rests_on),
        lineage=lineage,
    )


def _mix(model: Model, practice: Practice) -> casemix.CaseMix:
    """The practice's own case mix where it has cases enough, else the model's."""
    if practice.n_cases < _OWN_MIX or not practice.features:
        return model.case_mix
    return casemix.learn(practice.features, pivot=model.case_mix.pivot)


def _record(
    updated: Model,
    step: str,
    supported: str,
    tests: tuple[TestRow, ...],
    found: BeforeAfter,
    judgement: Judgement,
    practice: Practice,
    words: tuple[str, ...],
) -> Update:
    ended = practice.n_ended(len(updated.ends))
    return Update(
        model=updated,
        step=step,
        supported=supported,
        test_rows=tests,
        calibration_rows=found.rows,
        fold_steps=found.steps,
        verdict=judgement.verdict,
        no_verdict=judgement.withheld,
        n_cases=practice.n_cases,
        n_patients=practice.n_patients,
        n_left_out=practice.n_left_out,
        n_ended={end: int(n) for end, n in zip(updated.ends, ended, strict=True)},
        words=words,
    )


def _check_arguments(
    model: Model,
    step: object,
    folds: object,
    level: object,
    seed: object,
    discount: object,
    other_practice: object,
) -> None:
    if not isinstance(model, Model):
        raise FitError(Fault("model", f"a {type(model).__name__}", "a Model", "use retreat.load"))
    bayesian = model.card.method.startswith(BAYESIAN)
    faults = [
        Fault("model", why, "a model that passed its gates", "fit it again") for why in model.card.failures
    ]
    if fault := choice_fault("step", step, ("auto", *STEPS)):
        faults.append(fault)
    elif bayesian and step != "auto":
        why = f"{step!r} for a model fitted by {model.card.method}"
        faults.append(Fault("step", why, "'auto': its whole posterior is updated at once"))
    if not bayesian and not model.card.method.startswith(LADDER):
        fix = "fit it to the practice's own cases: retreat fit"
        faults.append(Fault("model", model.card.method, "a logistic, Bayesian or published model", fix))
    if not is_whole(folds) or folds < 2:
        faults.append(Fault("folds", f"{folds!r}", "a whole number from 2"))
    if not is_whole(seed) or seed < 0:
        faults.append(Fault("seed", f"{seed!r}", "a whole number from 0"))
    if not isinstance(level, int | float) or not 0.0 < level < 1.0:
        faults.append(Fault("level", f"{level!r}", "between 0 and 1, for example 0.95"))
    if not isinstance(other_practice, bool):
        faults.append(Fault("other_practice", f"{other_practice!r}", "True or False"))
    if discount is not None:
        number = isinstance(discount, int | float) and not isinstance(discount, bool)
        if not bayesian:
            faults.append(Fault("discount", f"{discount!r}", "for Bayesian and published models only"))
        elif not number or not 0.0 < float(discount) <= 1.0:  # type: ignore[arg-type]  # a number by now
            faults.append(Fault("discount", f"{discount!r}", "above 0, at most 1"))
    if faults:
        raise FitError(faults)
