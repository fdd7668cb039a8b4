"""A case series as a paper needs it: who was studied, what was found, the model in hand and the reporting form."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from retreat.errors import Fault, FitError
from retreat.fitting.arguments import is_number, is_whole
from retreat.model.support import SMALL_CELL
from retreat.study.effects.sharing import unsolvable
from retreat.study.entries_in_place import with_model_files, with_places, without_fingerprint
from retreat.study.given_answers import answers_given
from retreat.study.notes import Notes
from retreat.study.withheld import form_without, model_untold, sessions_told, withheld_counts

if TYPE_CHECKING:
    import pandas as pd

    from retreat.definitions import Definition
    from retreat.model import Model
    from retreat.study.cohort.record import SharedCohort
    from retreat.study.effects.estimates import PenaltyChoice
    from retreat.study.effects.record import DrawnEffects, Effects
    from retreat.study.in_hand.algebra import Equation
    from retreat.study.in_hand.points import PointChart
    from retreat.study.reporting.answers import Answers
    from retreat.study.reporting.form import Form

LEAST_FOLDS = 2
# numbers of completed tables, and penalties by name, that the effects allow
IMPUTED = (0, *range(2, 201))
PENALTIES = ("prior", "firth", "cv")
# name of a part that may be refused: a saved model holds counts
MODEL_FILE = "model file"


@dataclass(frozen=True)
class StudySeries:
    """Everything a case series tells, in what may leave the clinic.

    Parameters
    ----------
    cohort : SharedCohort
        Who was studied, small counts hidden.
    effects : Effects or None
        By estimates; None where they were refused, and `refused` says why.
    drawn : DrawnEffects or None
        By draws of a posterior; None where not asked for or refused.
    model : Model
        The fitted model. It holds counts: where the tables hide any it stays, and `refused` says so.
    equation : Equation or None
        Of the model.
    chart : PointChart or None
        Of the model.
    form : Form
        The reporting form.
    withheld : frozenset of int
        Counts that may not stand beside the tables; see :mod:`retreat.study.withheld`.
    refused : mapping of str to str
        What could not be made, and why, by name of the part.
    facts : mapping
        How it was made.
    """

    cohort: SharedCohort
    effects: Effects | None
    drawn: DrawnEffects | None
    model: Model
    equation: Equation | None
    chart: PointChart | None
    form: Form
    withheld: frozenset[int]
    refused: Mapping[str, str]
    facts: Mapping[str, Any]

    @property
    def title(self) -> str:
        """Title of the page."""
        return f"Case series and model {self.model.card.name}"

    @property
    def cautions(self) -> tuple[str, ...]:
        """Lines that every output shows first, each once."""
        effects = [found.cautions for found in (self.effects, self.drawn) if found is not None]
        parts = (self.cohort.cautions, self.model.card.cautions, *effects, self.form.cautions)
        return tuple(dict.fromkeys(line for part in parts for line in part))

    def words(self, notes: tuple[str, ...]) -> tuple[str, ...]:
        """Notes as they may leave: with the counts that a table shows, without any other that gives one away."""
        return self._notes.all_told(notes)

    @property
    def _notes(self) -> Notes:
        return Notes(self.cohort.frames, self.withheld, int(self.facts["threshold"]))

    def to_json(self) -> dict[str, Any]:
        """Every number of the page as plain lists; null for what is hidden or not known."""
        from retreat.study.in_hand.coefficients import coefficients_json

        hand = None if self.equation is None else coefficients_json(self.model, self.equation)
        return {
            **self.facts,
            "cautions": list(self.cautions),
            "refused": dict(self.refused),
            "cohort": self.cohort.to_json(),
            "effects": self._effects_json(self.effects),
            "drawn_effects": self._effects_json(self.drawn),
            "model_in_hand": hand,
            "point_chart": None if self.chart is None else _chart_json(self.chart),
            "form": _form_json(self.form),
        }

    def _effects_json(self, found: Effects | DrawnEffects | None) -> dict[str, Any] | None:
        if found is None:
            return None
        told = found.to_json() | {"notes": list(self.words(found.notes))}
        for count in ("cases", "patients"):
            # of all begun cases: told where nothing is withheld
            told[count] = None if self.withheld else told.get(count)
        return told


def study_series(
    cases: pd.DataFrame,
    definition: str | Path | Definition = "core",
    *,
    visits: pd.DataFrame | None = None,
    by: str = "opacity",
    resamples: int = 500,
    penalty: PenaltyChoice = 0.0,
    imputations: int | None = None,
    bayes: bool = False,
    folds: int = 0,
    answers: str | Path | Answers | None = None,
    threshold: int = SMALL_CELL,
    seed: int = 1,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> StudySeries:
    """Describe, estimate, fit and fill the form: all of a case series in one call.

    Parameters
    ----------
    cases : DataFrame
        A case table; it is checked.
    definition : str, Path or Definition
        What is estimated and fitted.
    visits : DataFrame, optional
        A visit table: cases in treatment are told from those lost.
    by : str
        What the first table tells cases apart by; see :func:`~retreat.study.cohort.describe_cohort`.
    resamples : int, from 20
        Samples of patients behind the intervals of incidence curves.
    penalty : 0, float, "prior", "firth" or "cv"
        Of the effects; see :func:`~retreat.study.effects.estimate_effects`.
    imputations : int, 0 or 2 to 200, optional
        Completed tables behind effects where features are missing; 0 leaves such cases out.
    bayes : bool
        Whether effects are told from a posterior too; minutes rather than seconds.
    folds : int, 0 or from 2
        Folds by patient of a cross-validation that fills the entries of evaluation; 0 for none.
    answers : str, Path or mapping, optional
        File of answers to the questions of the form, which must be there, or what it holds.
    threshold : int, 1 to 1000
        Counts below it are hidden.
    seed : int, from 0
        Of everything random.
    progress : callable
        Told how many of how many parts are done.

    Returns
    -------
    StudySeries

    Raises
    ------
    TableError, DefinitionError, FitError, RetreatError
        If a table, a definition, an argument or the answers are refused, or the model cannot be fitted. Effects
        without a finite estimate, and a chart that cannot be drawn, are no such error: `refused` says so.
    """
    import retreat
    from retreat.definitions import read_definition
    from retreat.study.cohort.describing import describe_cohort
    from retreat.study.effects.describing import draw_effects, estimate_effects
    from retreat.study.in_hand.algebra import equation
    from retreat.study.in_hand.points import point_chart
    from retreat.study.reporting.form import reporting_form
    from retreat.study.reporting.from_effects import with_effects

    _check(folds, imputations, penalty)
    given = answers_given(answers) if isinstance(answers, str | Path) else answers
    chosen = read_definition(definition)
    refused: dict[str, str] = {}
    total = 5 + bool(folds) + bayes
    steps = iter(range(1, total + 1))

    def leaving(name: str, found: Any) -> Any:
        """Effects without what rests on small counts."""
        if found is None:
            return None
        told = found.shared(threshold=threshold)
        if told.ratios.empty or told.averages.empty:
            refused[name] = f"every comparison rests on fewer than {threshold} cases"
            return None
        return told

    def tried(name: str, make: Callable[[], Any]) -> Any:
        try:
            return make()
        except FitError as error:
            refused[name] = "; ".join(str(fault) for fault in error.faults)
            return None

    cohort = describe_cohort(cases, chosen, visits=visits, by=by, resamples=resamples, seed=seed)
    progress(next(steps), total)
    shared = cohort.shared(threshold=threshold)
    progress(next(steps), total)
    model = retreat.fit(cases, chosen, visits=visits, seed=seed)
    progress(next(steps), total)
    effects = tried(
        "effects",
        lambda: estimate_effects(cases, chosen, penalty=penalty, imputations=imputations, seed=seed),
    )
    progress(next(steps), total)
    drawn = None
    if bayes:
        drawn = tried(
            "Bayesian effects", lambda: draw_effects(cases, chosen, imputations=imputations, seed=seed)
        )
        progress(next(steps), total)
    report = None
    if folds:
        report = retreat.validate(cases, chosen, visits=visits, folds=folds, resamples=0, seed=seed)
        progress(next(steps), total)
    effects, drawn = leaving("effects", effects), leaving("Bayesian effects", drawn)
    made = [found for found in (effects, drawn) if found is not None]
    withheld = withheld_counts(
        cohort, shared, model.card, [note for found in made for note in found.notes], threshold=threshold
    )
    upto = sessions_told(shared.frames)
    written = tried("equation", lambda: equation(model, sessions=upto))
    if untold := model_untold(shared):
        refused[MODEL_FILE] = untold
    if effects is not None and (untold or withheld):
        effects = replace(effects, **unsolvable(effects.to_frames()))
    form = reporting_form(model, report, shared, definition=chosen, answers=given)
    form = with_places(form, shared.frames["flow"])
    form = with_model_files(form, model.model_id, coefficients=written is not None, model=not untold)
    if untold or withheld:
        form = without_fingerprint(form)
    notes = (*model.card.notes, *(() if report is None else report.notes))
    form = Notes(shared.frames, withheld, threshold).in_form(form, notes)
    series = StudySeries(
        cohort=shared,
        effects=effects,
        drawn=drawn,
        model=model,
        equation=written,
        chart=tried("point chart", lambda: point_chart(model, sessions=upto)),
        form=with_effects(form_without(form, withheld), effects, drawn),
        withheld=withheld,
        refused=refused,
        facts={
            "definition": chosen.name,
            "definition_fingerprint": chosen.fingerprint,
            "model_id": model.model_id,
            "retreat_version": model.card.retreat_version,
            "by": by,
            "resamples": resamples,
            "threshold": threshold,
            "folds": folds,
            "seed": seed,
        },
    )
    progress(total, total)
    return series


def _check(folds: int, imputations: int | None, penalty: PenaltyChoice) -> None:
    """Refuse arguments that a part would refuse: it alone would be missing, after all of the work."""
    faults = []
    if not is_whole(folds) or not (folds == 0 or folds >= LEAST_FOLDS):
        faults.append(Fault("folds", f"{folds!r}", f"0, or a whole number from {LEAST_FOLDS}"))
    completed = imputations is None or (is_whole(imputations) and imputations in IMPUTED)
    if not completed:
        faults.append(
            Fault("imputations", f"{imputations!r}", f"0, or a whole number from 2 to {max(IMPUTED)}")
        )
    if penalty not in PENALTIES and not is_number(penalty):
        faults.append(Fault("penalty", f"{penalty!r}", f"a number from 0, or {', '.join(PENALTIES)}"))
    if faults:
        raise FitError(faults)


def _chart_json(chart: PointChart) -> dict[str, Any]:
    from retreat.study.in_hand.points_page import points_content

    tables = {
        grid.caption: {"columns": list(grid.columns), "rows": [list(row) for row in grid.rows]}
        for passage in points_content(chart).passages
        for grid in passage.grids
    }
    return {"unit": chart.unit, "horizons": list(chart.horizons), "tables": tables}


def _form_json(form: Form) -> dict[str, Any]:
    return {
        "title": form.title,
        "set_aside": list(form.set_aside),
        "lists": [
            {
                "name": part.checklist.name,
                "counts": dict(part.counts),
                "sources": list(part.checklist.sources),
                "entries": [
                    {
                        "id": line.entry.id,
                        "status": line.status,
                        "filled": [{"text": one.text, "source": one.source} for one in line.filled],
                        "answer": line.answer,
                        "question": line.question,
                    }
                    for line in part.lines
                ],
            }
            for part in form.parts
        ],
    }
