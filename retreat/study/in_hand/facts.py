"""Facts a saved model states of itself, in words for label, card and form."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from retreat.features import FEATURES
from retreat.model import Model
from retreat.model.support import SMALL_CELL
from retreat.study.in_hand.cases import needed_features, value_words
from retreat.study.in_hand.hand import NOT_TOLD

# counts of cases in the notes of a card
_COUNT = re.compile(r"\b(\d+)(?= (?:of \d+ )?cases?\b)")
# such a count as the package words it, exact or by its size, and what stands in its place
SOME, HOW_MANY = "some cases", " (how many is hidden)"
CASES = re.compile(r"(?:\bfewer than )?(?<![\w.])\d+(?: or more)?(?: of \d+)? cases?\b")
MANUAL = (
    "Counselling support: not a decision to treat and not a promise.",
    "A group estimate: it cannot say which of the eyes this one is.",
    "Treatment is for a licensed ophthalmologist under local rules.",
    "The laser can hurt the lens or the retina, raise the pressure, or fail to help.",
    "New flashes, a shower of new floaters, a curtain or loss of vision: urgent eye examination the same day.",
)


def years_words(model: Model) -> str:
    """Years of the first sessions."""
    years = model.card.years
    return f"{years[0]} to {years[-1]}" if years else "years not known"


def left_out_words(model: Model) -> str:
    """How many cases were left out, where the notes beside do not have to hide a part of them."""
    notes = model.card.notes
    return "not shown" if notes_words(notes) != notes else count_words(model.card.n_left_out)


def fitted_words(model: Model) -> str:
    """Whom the model was fitted to, in a sentence."""
    card = model.card
    if model.support.source == "published":
        return "Fitted to published averages, to no case of a clinic."
    others = card.n_cases - sum(card.n_ended.values())
    parts = {**card.n_ended, "ongoing or lost when last seen": others}
    kind = "invented cases (eyes in treatment)" if card.invented else "cases (eyes in treatment)"
    return (
        f"Fitted to {cases_words(card.n_cases, card.n_patients, kind)}, first sessions {years_words(model)}: "
        f"{parts_words(parts)}. Left out for a missing feature: {left_out_words(model)}."
    )


def count_words(n: int) -> str:
    """A count as it may leave the clinic."""
    return f"fewer than {SMALL_CELL}" if 0 < n < SMALL_CELL else str(n)


def notes_words(notes: Iterable[str]) -> tuple[str, ...]:
    """Notes as they may leave the clinic: where one tells a small count, none tells any, since they add up.

    Examples
    --------
    >>> notes_words(["3 cases not yet begun were left out", "age was missing in 15 cases, left out"])[1]
    'age was missing in some cases, left out (how many is hidden)'
    """
    told = tuple(notes)
    small = any(0 < int(n) < SMALL_CELL for note in told for n in _COUNT.findall(note))
    return tuple(map(hidden_words, told)) if small else told


def hidden_words(note: str) -> str:
    """A note without its counts of cases, told neither exactly nor by their size.

    Examples
    --------
    >>> hidden_words("fewer than 11 cases not yet begun were left out")
    'some cases not yet begun were left out (how many is hidden)'
    >>> hidden_words("operators are not told apart")
    'operators are not told apart'
    """
    text, found = CASES.subn(SOME, note)
    return f"{text}{HOW_MANY}" if found else text


def cases_words(n_cases: int, n_patients: int, kind: str = "cases") -> str:
    """Cases and their patients; these are hidden where the difference tells of few patients with more cases than one.

    Examples
    --------
    >>> cases_words(150, 100), cases_words(103, 100)
    ('150 cases of 100 patients', '103 cases of patients (number not shown)')
    """
    more = n_cases - n_patients
    hidden = 0 < n_patients < SMALL_CELL or 0 < more < SMALL_CELL
    return f"{count_words(n_cases)} {kind} of {'patients (number not shown)' if hidden else f'{n_patients} patients'}"


def parts_words(parts: Mapping[str, int]) -> str:
    """Parts of a total that is told; each part not shown could, by the rest, be none or more than a small count.

    Small parts are hidden, and then the next larger ones until at least two are and their sum, which the total tells,
    is at least twice the small-cell limit. All are told in the same words, since "fewer than" would bound the rest.

    Examples
    --------
    >>> parts_words({"relieved": 50, "stopped": 4, "ongoing": 20})
    '50 relieved, stopped not shown, ongoing not shown'
    >>> parts_words({"relieved": 80, "stopped": 1, "ongoing": 11})
    'relieved not shown, stopped not shown, ongoing not shown'
    """
    hidden = {name for name, n in parts.items() if 0 < n < SMALL_CELL}
    if hidden:
        # a part of 0 hides nothing: last
        for name in sorted(parts.keys() - hidden, key=lambda name: (parts[name] == 0, parts[name], name)):
            if len(hidden) > 1 and sum(parts[one] for one in hidden) >= 2 * SMALL_CELL:
                break
            hidden.add(name)
    return ", ".join(f"{name} not shown" if name in hidden else f"{n} {name}" for name, n in parts.items())


def reach_words(model: Model, sessions: int | None = None) -> str:
    """How far the model speaks; where tables hide how many reached later sessions than these, nothing of those."""
    card = model.card
    last = f" It speaks of sessions up to {card.last_session} alone." if card.last_session else ""
    if sessions is not None:
        told = min(sessions, card.supported_session)
        upto = f"Enough fitted cases were in treatment before session {told}; later" if told else "All"
        return f"{upto} sessions: {NOT_TOLD}.{last}"
    return (
        f"Enough fitted cases were in treatment before session {card.supported_session}, none before a session after "
        f"{card.max_session}; later effects are carried on.{last}"
    )


def inputs(model: Model) -> tuple[tuple[str, str, str], ...]:
    """Each feature: name, meaning, and what the fitted cases had."""
    rows = []
    for name in needed_features(model):
        feature, seen = FEATURES[name], model.support.ranges.get(name)
        if seen is not None:
            unit = f" {feature.unit}" if feature.unit else ""
            allowed = f"{value_words(seen.low)} to {value_words(seen.high)}{unit}"
        else:
            known = model.support.levels.get(name, {})
            allowed = ", ".join(level if n else f"{level} (few)" for level, n in known.items())
        rows.append((name, feature.meaning, allowed or "not stated"))
    return tuple(rows)


def output_words(model: Model) -> str:
    """What the model gives."""
    ends = " and ".join(model.ends)
    return (
        f"For one eye, the chance of each end ({ends}) by each session, from before the first session or given those "
        "done, with ranges; no classification and no threshold."
    )
