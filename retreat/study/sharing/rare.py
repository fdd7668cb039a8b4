"""What few patients have: rare words, outermost numbers, longest courses; and numbers coarser than they were read."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from retreat.features import MISSING_CODES
from retreat.study.sharing.changes import Changes
from retreat.study.sharing.rule import Rule

if TYPE_CHECKING:
    import pandas as pd

# Other records hold these to the second digit, which nearly makes a name of them (our judgement).
STEPS: Mapping[str, float] = {"sphere_d": 1.0, "axial_mm": 0.5, "pupil_mm": 0.5}
_OUTERMOST = (
    *("size_mm", "lens_gap_mm", "retina_gap_mm", "eccentricity_deg", "sphere_d", "axial_mm", "pupil_mm"),
    *("day", "pulses", "energy_mj"),
)
_WORDS = ("opacity", "opacities", "zone", "cornea", "lens", "pvd", "stop_reason", "fragments", "event")
# a stopped case must have a reason, or say that it is not known
_REMOVED = {"stop_reason": "unknown"}


def rounded(table: pd.DataFrame, changes: Changes) -> pd.DataFrame:
    """The table with numbers in coarser steps."""
    found = table.copy()
    for name, step in STEPS.items():
        if name in found:
            found[name] = (found[name] / step).round() * step + 0.0  # no minus zero
            changes.add(name, "rounded", int((found[name] - table[name]).abs().gt(1e-9).sum()))
    return found


def without_rare(table: pd.DataFrame, persons: list[str], rule: Rule, changes: Changes) -> pd.DataFrame:
    """The table without words and outermost numbers that fewer than `k` persons have.

    Where words of a column are removed, so are further ones until at least `k` persons have a removed one and no
    rare word is that of more than half of them: who knows which word is missing must not know whose it was.

    Parameters
    ----------
    table : DataFrame
        Cases or visits.
    persons : list of str
        Who each row is of.
    rule : Rule
        Known columns are left to it.
    changes : Changes
        Account to add to.
    """
    found = table.copy()
    for name in [name for name in _WORDS if name in found and name not in rule.known]:
        told = Counter(word for word, _ in set(zip(found[name], persons, strict=True)))
        rare = [word for word, n in told.items() if n < rule.k and word not in MISSING_CODES]
        at = found[name].isin(rare) | _among_others(found[name], persons, rare, rule.k)
        found.loc[at, name] = _REMOVED.get(name, MISSING_CODES[0])
        changes.add(name, "removed", int(at.sum()))
    for name in [name for name in _OUTERMOST if name in found and name not in rule.known]:
        known = found[name].dropna()
        own = known.groupby(np.array(persons)[known.index.to_numpy()])
        if 0 < len(own) < 2 * rule.k:
            found[name] = np.nan
            changes.add(name, "removed", len(known))
        elif len(own):
            low = float(own.min().sort_values().iloc[rule.k - 1])
            high = float(own.max().sort_values().iloc[-rule.k])
            found[name] = found[name].clip(low, high)
            changes.add(name, "capped", int((found[name] - table[name]).abs().gt(1e-9).sum()))
    return found


def _among_others(words: pd.Series, persons: list[str], rare: list[str], k: int) -> pd.Series:
    """Rows whose word goes too, so that those removed are not all of one word.

    They are of the commonest word, in the order of the rows, which is none, as long as `k` persons keep it; else the
    least common word goes whole.
    """
    also = words.ne(words)
    have: dict[str, dict[str, None]] = {}  # persons by word, in the order of the rows
    for word, person in zip(words, persons, strict=True):
        if word not in MISSING_CODES:
            have.setdefault(word, {})[person] = None
    gone = {word: list(have.pop(word)) for word in rare}
    while gone and have and not _hides(gone, rare, k):
        word = max(have, key=lambda one: len(have[one]))
        if len(have[word]) <= k:
            word = min(have, key=lambda one: len(have[one]))
            moved = list(have.pop(word))
        else:
            moved = [next(iter(have[word]))]
            del have[word][moved[0]]
        gone.setdefault(word, []).extend(moved)
        also |= words.eq(word) & np.isin(np.array(persons, dtype=object), moved)
    return also


def _hides(gone: Mapping[str, list[str]], rare: list[str], k: int) -> bool:
    """Whether the persons of removed words are at least `k`, and at most half of them have the same rare one."""
    total = sum(map(len, gone.values()))
    return len({person for have in gone.values() for person in have}) >= k and all(
        2 * len(gone[word]) <= total for word in rare
    )


def last_session(cases: pd.DataFrame, persons: list[str], rule: Rule) -> int:
    """The last session that at least `k` persons had."""
    had = cases["sessions"].groupby(persons).max().sort_values()
    return int(had.iloc[-min(rule.k, len(had))])


def cut_courses(cases: pd.DataFrame, last: int, changes: Changes) -> pd.DataFrame:
    """Courses told no further than a session; those that went on are ongoing there, which they were.

    A course that is cut at a fixed number of sessions is censored without regard to how it went on, so that a life
    table or a hazard model of the sessions before stays right.
    """
    found, long = cases.copy(), cases["sessions"].gt(last)
    found["sessions"] = found["sessions"].clip(upper=last)
    found.loc[long, "ending"] = "ongoing"
    found.loc[long & ~found["stop_reason"].eq(MISSING_CODES[0]), "stop_reason"] = "not_applicable"
    found.loc[long, "relief_after"] = np.nan
    changes.add("sessions", "cut", int(long.sum()))
    return found


def cut_visits(visits: pd.DataFrame, cases: pd.DataFrame, last: int) -> pd.DataFrame:
    """Visits of courses cut at a session, without those after it; `cases` are as they were before the cut."""
    long = set(cases.loc[cases["sessions"].gt(last), "case"])
    beyond = visits["case"].isin(long) & visits["session"].gt(last)
    return visits[~beyond].reset_index(drop=True)
