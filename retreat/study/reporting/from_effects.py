"""Entries in which the odds ratios and the model in hand differ: which cases, gaps, method."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from retreat.study.reporting.form import Form, Line, Part
from retreat.study.reporting.known import Filled

if TYPE_CHECKING:
    from retreat.study.effects.record import DrawnEffects, Effects

Facts = Mapping[str, Any]


def with_effects(form: Form, *found: Effects | DrawnEffects | None) -> Form:
    """The form with what the analyses of effects did, beside what the model did.

    Parameters
    ----------
    form : Form
        From :func:`retreat.study.reporting.reporting_form`.
    *found : Effects, DrawnEffects or None
        Estimated with the same definition; None is passed over.

    Returns
    -------
    Form
        No count of cases is told: the number that the fit left out would follow from it.
    """
    facts = [one.facts for one in found if one is not None]
    return replace(form, parts=tuple(_part(part, facts) for part in form.parts))


def cases_words(facts: Facts) -> str:
    """Which cases an analysis of effects is of, and what it did about gaps.

    Examples
    --------
    >>> cases_words({"imputations": 0})
    'complete cases'
    """
    n = facts["imputations"]
    if not n:
        return "complete cases"
    return f"all begun cases, gaps filled {n} times by chained equations and joined by Rubin's rules"


def _part(part: Part, facts: list[Facts]) -> Part:
    words = EFFECTS.get(part.checklist.key, {})
    return replace(
        part,
        lines=tuple(
            _line(line, words[line.entry.id], facts) if line.entry.id in words else line
            for line in part.lines
        ),
    )


def _line(line: Line, words: Callable[[Facts], str], facts: list[Facts]) -> Line:
    added = (Filled(f"{_named(one)}: {words(one)}.", "effects of this series") for one in facts)
    return replace(line, filled=(*line.filled, *added))


def _named(facts: Facts) -> str:
    drawn = " from a posterior" if str(facts["method"]).startswith("Bayesian") else ""
    return f"{str(facts['scale']).capitalize()}s{drawn}"


def _gaps(facts: Facts) -> str:
    later = "" if facts["imputations"] else "; a case with a missing feature is left out"
    return cases_words(facts) + later


def _method(facts: Facts) -> str:
    return f"{facts['method']}; {cases_words(facts)}; {100 * facts['level']:.0f}% intervals"


def _guard(facts: Facts) -> str:
    return str(facts["method"])


EFFECTS: dict[str, dict[str, Callable[[Facts], str]]] = {
    "tripod_ai": {"11": _gaps, "12c": _method, "21": cases_words},
    "probast_ai": {"D4.3": _gaps, "D4.5": _guard},
}
