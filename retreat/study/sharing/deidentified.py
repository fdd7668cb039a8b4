"""The two tables as they may leave: fresh keys, years for dates, days since the first session, nobody rare."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from retreat.errors import Fault, TableError
from retreat.features import MISSING_CODES
from retreat.study.sharing.alike import grouped_by_eyes, shown_columns, smallest_group, units_of
from retreat.study.sharing.changes import Changes
from retreat.study.sharing.crosswalk import Crosswalk
from retreat.study.sharing.rare import cut_courses, cut_visits, last_session, rounded, without_rare
from retreat.study.sharing.rule import Rule
from retreat.tables import CASES, as_cases, as_visits, check_frame

if TYPE_CHECKING:
    import pandas as pd

_HIDDEN = MISSING_CODES[0]
# the site of an invented case says so even where the site itself is hidden
INVENTED_SITE = "invented_other"
_GAP = "retina_gap_mm"
_FIRST_ROW = 2  # of a table as a spreadsheet shows it

# from the row of a case to its key as a patient of its own
AloneKeys = Callable[[int], str]


@dataclass(frozen=True)
class Deidentified:
    """Tables without identifiers.

    Parameters
    ----------
    cases : DataFrame
        Sound, in the order of the fresh keys, which is no order.
    visits : DataFrame or None
        Sound, by case and session.
    changes : Changes
        Cells changed.
    smallest : int
        Fewest patients who share a combination of known columns, counted in `cases`.
    n_patients : int
        Patients of the clinic's table.
    """

    cases: pd.DataFrame
    visits: pd.DataFrame | None
    changes: Changes
    smallest: int
    n_patients: int


def deidentified(
    cases: pd.DataFrame, visits: pd.DataFrame | None, crosswalk: Crosswalk, rule: Rule
) -> Deidentified:
    """Tables that may leave, from the clinic's own.

    Parameters
    ----------
    cases, visits : DataFrame
        As from :func:`retreat.read_cases` and :func:`retreat.read_visits`.
    crosswalk : Crosswalk
        Gives the keys; new ones are drawn into it.
    rule : Rule
        How many must look alike, in what.

    Raises
    ------
    TableError
        If a table is refused, or holds too few patients for the rule.
    """
    own = as_cases(cases)
    seen = None if visits is None else as_visits(visits, own)
    changes = Changes()
    whole, persons, alone_keys = _recoded(own, crosswalk)
    last = last_session(whole, persons, rule)
    table = cut_courses(whole, last, changes)
    twice = table["ending"].eq("ongoing") & table.duplicated(["patient", "eye", "ending"], keep=False)
    # one open course an eye is all a table may hold, and a cut makes an ended one open
    alone = np.flatnonzero(twice & whole["sessions"].gt(last))
    table = _told_alone(table, alone.tolist(), alone_keys, changes)
    table = rounded(table, changes)
    groups, alone_too = grouped_by_eyes(units_of(table, persons), table["eye"].tolist(), rule)
    table = _told_alone(table, alone_too, alone_keys, changes)
    for name in ("operator", "site"):
        if name not in rule.known:
            table[name] = _with_hidden(table[name], dict.fromkeys(range(len(table))), changes)
    for shown in shown_columns(table, groups, rule):
        table[shown.name] = _with_hidden(table[shown.name], shown.values, changes)
    if own.attrs["invented"]:
        table["site"] = table["site"].replace(_HIDDEN, INVENTED_SITE)
    table = _fitting(without_rare(table, persons, rule, changes), changes)
    smallest = smallest_group(table, persons, rule)
    if smallest < rule.k:
        what = f"a combination that only {smallest} patients share would be told"
        raise TableError(Fault("cases", what, f"at least {rule.k}", "report this: nothing was written"))
    told = None
    if seen is not None:
        told = cut_visits(_recoded_visits(seen, crosswalk), whole, last)
        told = _operators_as_shown(told, table, changes)
        person = dict(zip(table["case"], persons, strict=True))
        told = without_rare(told, told["case"].map(person).tolist(), rule, changes)
        told = as_visits(told, table)
    return Deidentified(as_cases(table), told, changes, smallest, len(set(persons)))


def _recoded(own: pd.DataFrame, crosswalk: Crosswalk) -> tuple[pd.DataFrame, list[str], AloneKeys]:
    """Cases under fresh keys, in their order; who each is of; and the key of each as a patient of its own."""
    table = own.assign(
        case=crosswalk.keys("case", own["case"]),
        patient=crosswalk.keys("patient", own["patient"]),
        operator=_codes(own["operator"], "operator", crosswalk),
        site=_codes(own["site"], "site", crosswalk),
        started=[text if text in MISSING_CODES else text[:4] for text in own["started"]],
    )
    table.attrs.clear()  # its counts of missing values are those of the clinic's table
    order = table["case"].argsort().to_numpy()
    originals = own["case"].iloc[order].tolist()

    def alone(row: int) -> str:
        return crosswalk.key("patient_of_case", originals[row])

    return table.iloc[order].reset_index(drop=True), own["patient"].iloc[order].tolist(), alone


def _codes(column: pd.Series, what: str, crosswalk: Crosswalk) -> list[str]:
    return [_HIDDEN if code in MISSING_CODES else crosswalk.key(what, code) for code in column]


def _recoded_visits(seen: pd.DataFrame, crosswalk: Crosswalk) -> pd.DataFrame:
    told = seen.assign(
        case=crosswalk.keys("case", seen["case"]), operator=_codes(seen["operator"], "operator", crosswalk)
    )
    told.attrs.clear()
    return told.sort_values(["case", "session", "missed", "day"], kind="stable").reset_index(drop=True)


def _with_hidden(column: pd.Series, values: Mapping[int, str | float | None], changes: Changes) -> pd.Series:
    """The column as it may be shown, by row; None where nothing may."""
    before = column.tolist()
    number = column.dtype.kind == "f"
    after: list[str | float] = []
    for row, old in enumerate(before):
        new = values[row]
        missing = old != old or old in MISSING_CODES
        text = str(int(new)) if isinstance(new, float) and not number else new
        after.append((np.nan if number else _HIDDEN) if text is None else text)
        if not missing and after[-1] != old:
            changes.add(str(column.name), "removed" if text is None else "grouped", 1)
    return column.__class__(after, index=column.index, name=column.name, dtype=column.dtype)


def _told_alone(table: pd.DataFrame, rows: list[int], keys: AloneKeys, changes: Changes) -> pd.DataFrame:
    """Cases of these rows as patients of their own."""
    found = table.copy()
    for row in rows:
        found.loc[row, "patient"] = keys(row)
    changes.add("patient", "alone", len(rows))
    return found


def _operators_as_shown(told: pd.DataFrame, table: pd.DataFrame, changes: Changes) -> pd.DataFrame:
    """An operator of a visit only where it is the one shown for the case: another would break the rule."""
    of_case = told["case"].map(dict(zip(table["case"], table["operator"], strict=True)))
    hidden = told["operator"].ne(of_case) & ~told["operator"].isin(MISSING_CODES)
    changes.add("operator", "removed", int(hidden.sum()))
    return told.assign(operator=told["operator"].mask(hidden, _HIDDEN))


def _fitting(table: pd.DataFrame, changes: Changes) -> pd.DataFrame:
    """Gaps that no longer fit into an eye whose length was rounded or capped are not told."""
    rows = [
        fault.row - _FIRST_ROW for fault in check_frame(table, CASES) if fault.row and fault.column == _GAP
    ]
    table.loc[rows, _GAP] = np.nan
    changes.add(_GAP, "removed", len(rows))
    return table
