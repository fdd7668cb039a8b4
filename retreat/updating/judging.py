"""What calibration on a practice's cases says of a model's use, and when it says nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace

from retreat.definitions import read_definition
from retreat.definitions.entries import Verdict as Limits
from retreat.errors import DefinitionError
from retreat.model.card import NOT_FIT, ModelCard
from retreat.updating.agreement_before_after import HORIZON, BeforeAfter
from retreat.updating.practice import Practice
from retreat.updating.rungs import ENDED_PER_PARAMETER
from retreat.validation.report import MeasureRow
from retreat.validation.verdict import Verdict, judge

# events expected of a ratio below which one case more or less decides (our judgement, as for the watch)
LEAST_EXPECTED = 5.0
_MANY_TIMES = 10
# cases from which a slope that cannot be told is the model's doing, not the number's (our judgement)
_SLOPE_TOLD = 100
TOO_FEW = "too few cases to judge"
_UNTOLD = f"fewer than {LEAST_EXPECTED:g} were expected"


@dataclass(frozen=True)
class Judgement:
    """A verdict, or why none is drawn.

    Parameters
    ----------
    told : Verdict
        What the rule of a validation makes of the measures.
    withheld : str
        Why it is not drawn; empty where it is.
    """

    told: Verdict
    withheld: str = ""

    @property
    def verdict(self) -> Verdict | None:
        """The verdict that is drawn; None where it is withheld."""
        return None if self.withheld else self.told


def judged(card: ModelCard, found: BeforeAfter, practice: Practice, shared: str) -> Judgement:
    """Judge the measures after an update.

    No verdict is drawn of cases the model may have seen, nor of too few. They are too few where no end has the 10
    cases that the lowest rung asks for; where no ratio of the first end has 5 expected events; and, unless a ratio or
    slope lies outside the usable limits with its whole interval, where it would take more than ten times as many
    again to know them well, where fewer than 100 give no interval of a slope, or where the model would be called not
    fit and twice as many are wanted. A ratio with fewer than 5 expected events does not enter.

    Parameters
    ----------
    card : ModelCard
        Of the model as it was.
    found : BeforeAfter
        Its measures.
    practice : Practice
        The practice's cases.
    shared : str
        Why the model may have seen some of them; empty where it has not.
    """
    limits = _limits(card)
    rows = [_with_enough_expected(row, found) for row in found.measure_rows()]
    told = _judge(rows, card, found, practice, limits)
    if shared:
        return Judgement(told, shared)
    ratios = [r for r in rows if r.measure == "observed_expected" and r.end == card.ends[0]]
    few = practice.n_ended(len(card.ends)).max() < ENDED_PER_PARAMETER
    if few or not any(r.corrected == r.corrected for r in ratios if r.horizon <= HORIZON):
        return Judgement(told, TOO_FEW)
    slopes = [r for r in rows if r.measure == "slope" and r.end == card.ends[0]]
    untold = practice.n_cases < _SLOPE_TOLD and not any(r.low == r.low and r.high == r.high for r in slopes)
    wide = untold or told.n_more > _MANY_TIMES * practice.n_cases
    if wide or (told.standing == NOT_FIT and told.n_more >= practice.n_cases):
        sure = [
            r for r in rows if not _by_chance(r, limits) and not (wide and r.measure == "scaled_brier_at")
        ]
        if _judge(sure, card, found, practice, limits).standing != NOT_FIT:
            return Judgement(told, TOO_FEW)
    return Judgement(told)


def _judge(
    rows: list[MeasureRow], card: ModelCard, found: BeforeAfter, practice: Practice, limits: Limits
) -> Verdict:
    told = judge(
        rows,
        (),
        (),
        first_end=card.ends[0],
        limits=limits,
        n_cases=practice.n_cases,
        failed=len(found.failures) / found.n_folds if found.n_folds else 0.0,
        table_due=False,
    )
    next_step = told.next_step.replace("validate again", "update again")
    if told.n_more > _MANY_TIMES * practice.n_cases:  # the width of a slope says little in so few
        next_step = next_step.replace(f"about {told.n_more} more cases", "many times as many cases")
    return replace(told, next_step=next_step)


def _with_enough_expected(row: MeasureRow, found: BeforeAfter) -> MeasureRow:
    if row.measure != "observed_expected" or found.expected[row.end, row.horizon] >= LEAST_EXPECTED:
        return row
    nan = float("nan")
    return replace(row, corrected=nan, low=nan, high=nan, reason=_UNTOLD)


def _by_chance(row: MeasureRow, limits: Limits) -> bool:
    """Whether a value lies outside the usable limits and its interval reaches inside, or there is none."""
    outer = {"observed_expected": limits.observed_expected_usable, "slope": limits.slope_usable}.get(
        row.measure
    )
    if outer is None or outer[0] <= row.corrected <= outer[1]:
        return False
    return not (row.high < outer[0] or row.low > outer[1])


def _limits(card: ModelCard) -> Limits:
    """Limits of the verdict in the model's definition; the usual ones where it is not at hand."""
    try:
        found = read_definition(card.name)
    except DefinitionError:
        return Limits()
    return found.verdict if found.fingerprint == card.definition_fingerprint else Limits()
