"""A prior from an operator's own words, in the form of a definition."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat.coding import Coding
from retreat.definitions import Definition, Prior, TermEntry, read_definition
from retreat.definitions.writing import definition_toml
from retreat.elicitation.answers import Answers, read_answers
from retreat.elicitation.implied import implied
from retreat.elicitation.matching import Match, Task, match, share_by, task
from retreat.elicitation.weight import MOST_CASES, by_eye, held_back, in_all
from retreat.errors import Fault, FitError
from retreat.fitting.prior_draws import prior_draws, stated_coding

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

COUNTED_TWICE = (
    "An operator's answers and the cases they come from are the same experience: a model fitted with these priors to "
    "those same cases counts them twice, and is surer than it may be. Fit it to cases treated after the answers were "
    "given, or to other operators'."
)

_LEVEL = 0.9
_DRAWS = 1000
# what the file of a definition can hold
_WIDEST = 10.0
# change of the odds from one session to the next, on the log scale, below which it is not worth a word
_DRIFT_TOLD = 0.2
_REFERENCE = (
    "Bedrick EJ, Christensen R, Johnson W. A new perspective on priors for generalized linear models. JASA 1996;"
    "91:1450-1460 (from memory)."
)


@dataclass(frozen=True)
class Elicited:
    """A definition whose priors say what an operator said.

    Parameters
    ----------
    definition : Definition
        The new definition; `base` with other means and standard deviations.
    base : Definition
        What it was made from.
    answers : Answers
        What was said.
    fitted, low, high : ndarray of float, shape (eyes, questions)
        Of 100 eyes, in the middle of the new priors, and a 90% range of the share for an operator not seen.
    before : ndarray of float, shape (eyes, questions)
        Of 100 eyes, in the middle of the priors before.
    mean, before_mean : ndarray of float, shape (eyes, questions)
        Mean share of 100 eyes for an operator not seen, by the new priors and by those before, as
        :func:`retreat.prior_report` tells them.
    eyes_in_mind : float
        Eyes that the answers of one described eye were taken to stand for.
    eyes_in_mind_source : str
        Where that comes from.
    effective, effective_before : ndarray of float, shape (eyes,)
        How many eyes like this, seen once, the new and the old prior of the share ended first by session 1 are
        worth; see :func:`retreat.elicitation.effective.effective_cases`.
    effective_cases, effective_cases_before : float
        How many cases, mixed as the eyes asked about, the new and the old priors are worth in all; the new at most
        30, or what the old were worth if that is more. See :func:`retreat.elicitation.weight.in_all`.
    effective_cases_asked_for : float
        The same of the priors that the answers ask for, before these are widened to what they may weigh.
    notes : tuple of str
        What the reader should know.
    """

    definition: Definition
    base: Definition
    answers: Answers
    fitted: FloatArray
    low: FloatArray
    high: FloatArray
    before: FloatArray
    mean: FloatArray
    before_mean: FloatArray
    eyes_in_mind: float
    eyes_in_mind_source: str
    effective: FloatArray
    effective_before: FloatArray
    effective_cases: float
    effective_cases_before: float
    effective_cases_asked_for: float
    notes: tuple[str, ...]

    def to_toml(self) -> str:
        """The definition as a file that :func:`retreat.fit` takes."""
        return _toml(self.definition)

    def to_json(self) -> dict[str, Any]:
        """Every number, for a program to read."""
        return {
            "definition": self.definition.name,
            "made_from": self.base.name,
            "eyes_in_mind": self.eyes_in_mind,
            "eyes_in_mind_source": self.eyes_in_mind_source,
            "effective_cases": self.effective_cases,
            "effective_cases_before": self.effective_cases_before,
            "effective_cases_asked_for": self.effective_cases_asked_for,
            "cautions": [COUNTED_TWICE],
            "level": _LEVEL,
            "notes": list(self.notes),
            "eyes": [
                {
                    "description": eye.name,
                    "effective_cases": float(self.effective[i]),
                    "effective_cases_before": float(self.effective_before[i]),
                    "answers": {
                        question.column: {
                            "answer": None
                            if np.isnan(self.answers.counts[i, q])
                            else self.answers.counts[i, q],
                            "fitted": self.fitted[i, q],
                            "low": self.low[i, q],
                            "high": self.high[i, q],
                            "before": self.before[i, q],
                            "mean": self.mean[i, q],
                            "before_mean": self.before_mean[i, q],
                        }
                        for q, question in enumerate(self.answers.questions)
                    },
                }
                for i, eye in enumerate(self.answers.eyes)
            ],
        }


def elicit(
    answers: Answers | str | Path,
    definition: Definition | str | Path = "core",
    *,
    seed: int,
    eyes_in_mind: float | None = None,
    date: str | None = None,
) -> Elicited:
    """Priors that say what an operator said, drawn toward the definition's own.

    The answers for one described eye count as `eyes_in_mind` eyes of which such shares ended so; the mode and
    curvature of the definition's priors times their multinomial likelihood give the new means and standard
    deviations. Operator and patient effects are held at 0: the answers are about a usual operator and patient.
    The new priors stay independent, as a definition writes them, so that together they say somewhat less than
    the answers did, and are widened until they are worth at most 30 cases in all. Columns that a file cannot
    write one by one (splines, interactions of several) keep theirs.

    Parameters
    ----------
    answers : Answers, str or Path
        Checked answers, or a file.
    definition : Definition, str or Path
        What to start from.
    seed : int
        Seed of the ranges.
    eyes_in_mind : float above 0, at most 100, optional
        By default from how well the answers hang together.
    date : str, optional
        ISO date of the answers; by default today.

    Returns
    -------
    Elicited

    Raises
    ------
    TableError
        If the answers are refused.
    FitError
        If the definition cannot take them, `eyes_in_mind` is out of range, or the answers lie so near 0 or 100 that
        no prior a definition can hold says them without weighing more than it may.
    DefinitionError
        If the definition is refused.
    """
    base = read_definition(definition)
    coding = stated_coding(base)
    told = answers if isinstance(answers, Answers) else read_answers(answers, base, coding)
    work = task(told, base, coding)
    found = match(work, in_mind=eyes_in_mind)
    first = told.questions[0]
    old_effective = by_eye(work, first, work.mean, 1.0 / work.precision)
    before = in_all(work, old_effective)
    most = max(MOST_CASES, before)
    centre, asked_for, ours = _asked_for(base, coding, work, found)
    asked = in_all(work, by_eye(work, first, centre, asked_for))
    variance = held_back(work, first, centre, asked_for, ours, most)
    _refuse_beyond_a_file(variance, most)
    weight = f"{len(told.eyes)} kinds of eye, each answer taken as {found.in_mind:.3g} eyes seen"
    if asked > most:
        weight += f", widened to weigh {most:.0f} cases in all"
    new, kept = _written(base, coding, centre, np.sqrt(variance), when=date or _today(), weight=weight)
    new_work = task(told, new, coding)
    effective = by_eye(new_work, first, new_work.mean, 1.0 / new_work.precision)
    mean, low, high = _not_seen(told, new, coding, seed=seed)
    before_mean, _, _ = _not_seen(told, base, coding, seed=seed)
    return Elicited(
        definition=new,
        base=base,
        answers=told,
        fitted=_middle(new_work, told),
        low=low,
        high=high,
        before=_middle(work, told),
        mean=mean,
        before_mean=before_mean,
        eyes_in_mind=found.in_mind,
        eyes_in_mind_source=found.source,
        effective=effective,
        effective_before=old_effective,
        effective_cases=in_all(new_work, effective),
        effective_cases_before=before,
        effective_cases_asked_for=asked,
        notes=(
            *told.notes,
            *_alike_notes(told),
            *_widened_notes(asked, most),
            *kept,
            *_never_notes(base),
            *_drift_notes(base, work, found),
        ),
    )


def _refuse_beyond_a_file(variance: FloatArray, most: float) -> None:
    widest = float(np.sqrt(variance.max()))
    if widest <= _WIDEST:
        return
    what = f"so near 0 or 100 that a prior worth {most:.0f} cases would need a spread of {widest:.0f}"
    fix = "say of how many of 100 it would be so, one or two if it is rare, or take fewer eyes in mind"
    raise FitError(Fault("answers", what, f"a spread of at most {_WIDEST:.0f}", fix))


def _asked_for(
    base: Definition, coding: Coding, work: Task, found: Match
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Means and variances that the answers ask for, as far as a file can write them, and which these are."""
    columns = len(coding.names)
    ours = np.zeros(len(work.mean), dtype=bool)
    ours[: len(base.ends)] = True
    for position in range(len(base.entries)):
        owned = coding.columns_of(position)
        if all(_level_of(coding, position, column) is not None for column in owned):
            ours[[len(base.ends) + j * columns + c for j in range(len(base.ends)) for c in owned]] = True
    centre = np.where(ours, np.round(found.centre, 3), work.mean)
    return centre, np.where(ours, np.diag(found.covariance), 1.0 / work.precision), ours


def _written(
    base: Definition, coding: Coding, centre: FloatArray, sd: FloatArray, *, when: str, weight: str
) -> tuple[Definition, tuple[str, ...]]:
    """The definition with the new priors, and notes on what kept its own."""
    ends, columns = len(base.ends), len(coding.names)
    old_mean, old_sd = base.coefficient_priors(coding)
    old_first = base.first_session_priors()
    of = (slice(ends, ends * (1 + columns)),)
    means, sds = (values[of].reshape(ends, columns) for values in (centre, sd))
    origin = f"Elicited from an operator on {when}: {weight}"

    def why(mean: float, spread: float, reason: str) -> str:
        return f"{origin}. Before: mean {mean:.2f}, sd {spread:.2f}. {reason}"

    first = tuple(
        Prior(
            end=end,
            mean=_rounded(centre[j]),
            sd=_rounded_up(sd[j]),
            why=why(old_first[0][j], old_first[1][j], _reason(base.sessions.first, end, "")),
        )
        for j, end in enumerate(base.ends)
    )
    entries, kept = [], []
    for position, entry in enumerate(base.entries):
        owned = {column: _level_of(coding, position, column) for column in coding.columns_of(position)}
        if None in owned.values():
            entries.append(entry)
            kept.append(
                f"{coding.terms[position].label}: its priors are as before; a file cannot write them one by one"
            )
            continue
        new = [
            Prior(
                level=level,
                end=end,
                mean=_rounded(means[j, column]),
                sd=_rounded_up(sds[j, column]),
                why=why(old_mean[j, column], old_sd[j, column], _reason(entry.prior, end, level)),
            )
            for column, level in owned.items()
            if level is not None
            for j, end in enumerate(base.ends)
        ]
        entries.append(_with_priors(entry, new))
    definition = replace(
        base,
        name=f"{base.name}_elicited",
        title=f"{base.title} (priors elicited on {when})",
        purpose=f"{base.purpose} Its priors are an operator's answers of {when} and no cases; see each reason.",
        sessions=base.sessions.model_copy(update={"first": first}),
        entries=tuple(entries),
        references=tuple(dict.fromkeys((*base.references, _REFERENCE))),
        basis=f"The priors behind these numbers are an operator's answers of {when}, not cases. {COUNTED_TWICE}",
        fingerprint="",
    )
    fingerprint = hashlib.sha256(_toml(definition).encode()).hexdigest()
    return replace(definition, fingerprint=fingerprint), tuple(kept)


def _toml(definition: Definition) -> str:
    comment = (
        "Priors elicited from an operator's answers, not from cases. Look at them before use: "
        "retreat report priors --model this file",
        COUNTED_TWICE,
    )
    return definition_toml(definition, comment=comment)


def _with_priors(entry: TermEntry, new: Sequence[Prior]) -> TermEntry:
    """The entry with these priors; where they name levels, what held for all levels before stands first."""
    general = [prior for prior in entry.prior if not prior.level] if any(p.level for p in new) else []
    return entry.model_copy(update={"prior": (*general, *new)})


def _level_of(coding: Coding, position: int, column: int) -> str | None:
    """Level by which a prior names this column alone within its term; empty for an only column, None for none."""
    columns = coding.columns_of(position)
    if len(columns) == 1:
        return ""
    levels = {
        other: {factor.rpartition("=")[2] for factor in coding.names[other].split(" x ") if "=" in factor}
        for other in columns
    }
    elsewhere = set().union(*(levels[other] for other in columns if other != column))
    return next(iter(sorted(levels[column] - elsewhere)), None)


def _reason(priors: Sequence[Prior], end: str, level: str) -> str:
    """The reason that was given for this level and end: of the last prior that holds for it."""
    holding = [p.why for p in priors if p.end in ("", end) and p.level in ("", level)]
    return holding[-1] if holding else "No reason was given."


def _middle(work: Task, answers: Answers) -> FloatArray:
    """Of 100 eyes, in the middle of the priors, shape (eyes, questions)."""
    return 100.0 * np.stack([share_by(work, work.mean, q)[0] for q in answers.questions], axis=-1)


def _not_seen(
    answers: Answers, definition: Definition, coding: Coding, *, seed: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean and 90% range of 100 eyes for an operator not seen, three arrays of shape (eyes, questions)."""
    parameters = prior_draws(definition, coding, draws=_DRAWS, sessions=answers.n_sessions, seed=seed)
    told = implied(answers.eyes, definition, coding, parameters)
    asked = [told.quantities.index(question.column) for question in answers.questions]
    low, high = told.range(_LEVEL)
    return 100.0 * told.mean()[:, asked], 100.0 * low[:, asked], 100.0 * high[:, asked]


def _alike_notes(answers: Answers) -> tuple[str, ...]:
    if not answers.alike:
        return ()
    return (
        f"the answers are the same for all {len(answers.eyes)} kinds of eye: that is one answer, and says that no kind "
        "takes longer than another; think of each kind by itself and answer again, or leave all answers blank for the "
        "kinds you cannot tell of",
    )


def _widened_notes(asked: float, most: float) -> tuple[str, ...]:
    if asked <= most:
        return ()
    return (
        f"as they stand the answers would weigh {asked:.0f} cases; the priors were widened to weigh {most:.0f}, since "
        "no operator's answers are taken for more than so many cases of their own (our judgement)",
    )


def _never_notes(base: Definition) -> tuple[str, ...]:
    if base.groups.never is None:
        return ()
    return ("the share that never responds keeps its prior; the answers were matched as if all may respond",)


def _drift_notes(base: Definition, work: Task, found: Match) -> tuple[str, ...]:
    """What the answers say of a change from session to session, which no definition can hold."""
    drift = found.centre[work.n_written :].reshape(len(base.ends), -1)
    if not drift.size or np.abs(drift[0].mean()) < _DRIFT_TOLD:
        return ()
    factor = float(np.exp(drift[0].mean()))
    return (
        f"the answers say that the odds of {base.ends[0]} change by a factor of {factor:.2g} from one session to the "
        "next; a definition cannot hold that, so the counts beside them do not follow; cases will tell",
    )


def _rounded(value: float) -> float:
    return round(float(value), 3) + 0.0  # no minus zero in a file


def _rounded_up(value: float) -> float:
    return float(max(np.ceil(1000.0 * value - 1e-9), 1.0) / 1000.0)


def _today() -> str:
    from datetime import date

    return date.today().isoformat()
