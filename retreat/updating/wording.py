"""What an update says in plain sentences."""

from __future__ import annotations

import re
from collections.abc import Sequence

from retreat.model.card import NOT_FIT, ModelCard
from retreat.updating.agreement_before_after import BeforeAfter
from retreat.updating.judging import TOO_FEW, Judgement
from retreat.updating.ladder import TestRow
from retreat.updating.likelihood import FloatArray
from retreat.updating.practice import Practice
from retreat.updating.rungs import STEPS, WORDS, Ladder, Step, next_rung


def shifts(
    ladder: Ladder, step: Step, ends: Sequence[str], steps: FloatArray, errors: FloatArray
) -> list[str]:
    """Size of the shift and slope of each end, on the scale of the link."""
    found, place = [], 0
    for end, name in enumerate(ends):
        rung = int(ladder.rung_of(step)[end])
        m = int(ladder.directions(step)[end].any(axis=0).sum())
        if rung == 0:
            found.append(f"{name} is left as the model has it ({ladder.n_ended[end]} cases ended so)")
        elif rung == 1:
            found.append(
                f"the level of {name} is moved by {steps[place]:+.2f} (standard error {errors[place]:.2f})"
            )
        elif rung == 2:
            parts = (
                f"the level of {name} is moved by {steps[place]:+.2f} (standard error {errors[place]:.2f})"
            )
            if ladder.has_slope[end]:
                parts += (
                    f", its differences between eyes multiplied by {1 + steps[place + 1]:.2f} "
                    f"(standard error {errors[place + 1]:.2f})"
                )
            found.append(parts)
        else:
            found.append(f"coefficients and session effects of {name} are estimated anew ({m} parameters)")
        place += m
    return found


def of_done(step: Step, moved: Sequence[str], discount: float, card: ModelCard) -> list[str]:
    """What was done."""
    if step == "none":
        return [f"The model is kept as it is ({card.name}, fitted {card.created} to {card.n_cases} cases)."]
    lines = [f"Done: {WORDS[step]}. {_sentence('; '.join(moved))}"]
    if step == "re_estimation":
        lines.append(
            f"Estimates are shrunk to the model, whose information counts {discount:.2g} of itself; the "
            "practice's cases chose that."
        )
    return lines


def of_tests(tests: Sequence[TestRow], step: Step, asked: str, supported: Step) -> list[str]:
    """Why this step and no other."""
    if not tests:
        return []
    first = tests[0]
    numbers = f"likelihood ratio {first.statistic:.1f} on {first.degrees_of_freedom}, {_p(first.p)}"
    if not first.rejected:
        lines = [
            f"These cases give no reason to change it: {WORDS[supported]} fits no better than chance would "
            f"({numbers})."
        ]
    else:
        lines = [f"The model as it is does not fit these cases ({numbers})."]
        last = tests[-1]
        if last.against != "none" and not last.rejected:
            lines.append(
                f"{_capital(WORDS[last.of])} fits no better than {WORDS[last.against]} ({_p(last.p)}), so the "
                "lesser step serves."
            )
    if asked != "auto":
        lines.append(f"The step {asked} was asked for; the test alone decides only with step auto.")
    return lines


def of_support(ladder: Ladder, ends: tuple[str, ...], practice: Practice) -> list[str]:
    """What the cases support, and what more would."""
    supported = ladder.supported
    lines = []
    if supported == "none":
        counts = ", ".join(f"{n} {end}" for end, n in zip(ends, ladder.n_ended, strict=True))
        lines.append(f"Too few cases have ended for any change ({counts}); a shift takes 10 of an end.")
    elif supported != STEPS[-1]:
        lines.append(f"These cases support no more than {WORDS[supported]}.")
    more = next_rung(ladder, ends, practice.n_cases)
    if more:
        lines.append(more)
    return lines + of_left_out(practice)


def of_left_out(practice: Practice) -> list[str]:
    """Cases that could not be used."""
    lines = [f"Left out: {'; '.join(practice.left_out)}."] if practice.left_out else []
    # a fifth of all is a quarter of those used
    if practice.n_left_out > practice.n_cases / 4:
        lines.append(
            "More than a fifth of the table could not be used: look whether this practice's cases are those the "
            "model is for."
        )
    return lines


def of_calibration(found: BeforeAfter, judgement: Judgement, end: str) -> list[str]:
    """How it agrees with the practice's cases, and what to do next."""
    lines = []
    shared = judgement.withheld not in ("", TOO_FEW)
    for row in found.rows:
        if row.end == end and row.measure == "observed_expected" and row.before == row.before:
            after = (
                f", {_range(row.after, row.after_low, row.after_high)} after"
                if found.n_folds and row.after == row.after
                else ""
            )
            lines.append(
                f"Observed/expected of {end} by session {row.session}: "
                f"{_range(row.before, row.before_low, row.before_high)} before{after}."
            )
    if found.n_folds:
        taken = ", ".join(f"{step} {n}" for step, n in found.steps.items())
        seen = "" if not shared else ", but the model before it may have seen them"
        lines.append(
            f"After is {'out of sample' if not shared else 'of cases held out of the update'}: the update was redone "
            f"without the patients of each of {found.n_folds} folds ({taken or 'none could be'}){seen}."
        )
    lines += [f"Failed: {failure}." for failure in found.failures[:3]]
    if shared:
        lines.append(
            f"No verdict: {judgement.withheld}. If some are, they count twice and agreement looks better than it is."
        )
        return lines
    told = judgement.told
    if judgement.withheld:
        lines.append(
            f"{_capital(TOO_FEW)}: no verdict is drawn from them. Next: collect "
            f"{_more(told.next_step)} and update again; until then hold each "
            "result beside its forecast (retreat forecast --log)."
        )
        return lines
    because = f" ({told.reasons[0]})" if told.reasons else ""
    lines.append(f"On these cases it is {told.standing}{because}. Next: {told.next_step}.")
    if told.standing == NOT_FIT:
        lines.append("A model of the practice's own may serve better: retreat fit.")
    return lines


def _more(next_step: str) -> str:
    """How many cases to collect, as the next step of a verdict has it."""
    found = re.search(r"collect (about \d+ more cases|many times as many cases)", next_step)
    return found.group(1) if found else "more cases"


def _sentence(text: str) -> str:
    return f"{_capital(text)}." if text else ""


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _p(p: float) -> str:
    return "p < 0.001" if p < 0.001 else f"p = {p:.3f}"


def _range(value: float, low: float, high: float) -> str:
    return f"{value:.2f} ({low:.2f} to {high:.2f})" if low == low and high == high else f"{value:.2f}"
