"""Flow of records: rows in, left out and why, analysed (STROBE item 13; RECORD item 13.1)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from retreat.features import MISSING_CODES
from retreat.model.completion import is_missing
from retreat.study.cohort.keys import MISSING, Key, Unit, differences_agree, splits, units_agree
from retreat.study.cohort.studied import SAME_AS, BoolArray
from retreat.study.suppression.linked import Relation, adds_up, at_least
from retreat.study.suppression.sourced import Sourced

if TYPE_CHECKING:
    import pandas as pd

    from retreat.definitions import Definition

UNITS: tuple[Unit, ...] = ("cases", "eyes", "patients")
_PLACES = ("operators", "sites")
_STEP = "step"


def flow_of_records(cases: pd.DataFrame, definition: Definition | None) -> Sourced:
    """Cases, eyes, patients, operators and sites in the table, left out by reason, and analysed.

    A case left out has one reason: not begun, or the first feature of the definition it lacks. The reasons are those
    of a fit (:class:`retreat.fitting.design.CaseData`).

    Parameters
    ----------
    cases : DataFrame
        A checked case table.
    definition : Definition or None
        Whose features a case needs; without one all begun cases are analysed.

    Returns
    -------
    Sourced
        Columns: step (in the table, left out, begun, analysed), reason, cases, eyes, patients, operators, sites.
        Patients and eyes of a row left out may stand in others too. Operators and sites are no patients and are told
        however few they are, but not in a row whose cases are hidden: there are no fewer cases than operators.

    References
    ----------
    von Elm E and others. The STROBE statement. BMJ 2007;335:806-808 (from memory). Benchimol EI and others. The RECORD
    statement. PLoS Med 2015;12:e1001885 (from memory).
    """
    import pandas as pd

    everybody = np.ones(len(cases), dtype=bool)
    reasons, analysed, begun = _reasons(cases, definition)
    total, rest = Key("cases").and_(_STEP, "in the table"), Key("cases").and_(_STEP, "analysed")
    steps: list[tuple[str, str, BoolArray, Key]] = [("in the table", "", everybody, total)]
    not_begun = Key("cases").and_(_STEP, "not begun")
    left_out = {name: Key("cases").and_("left out for", name) for name in reasons}
    if not begun.all():
        steps.append(("left out", "not begun", ~begun, not_begun))
    steps.append(("begun", "", begun, Key("cases")))
    steps += [("left out", f"{name} missing", reasons[name], left_out[name]) for name in reasons]
    steps.append(("analysed", "", analysed, rest))
    counts = {key.counted_in(unit): _count(cases, rows, unit) for _, _, rows, key in steps for unit in UNITS}
    frame = pd.DataFrame(
        [
            {
                "step": step,
                "reason": reason,
                **{unit: counts[key.counted_in(unit)] for unit in UNITS},
                **{column: _distinct(cases, rows, column.removesuffix("s")) for column in _PLACES},
            }
            for step, reason, rows, key in steps
        ]
    )
    sources: dict[str, tuple[tuple[Key, ...], ...]] = {
        unit: tuple((key.counted_in(unit),) for _, _, _, key in steps) for unit in UNITS
    }
    # each of them treated a case or more
    sources |= {column: tuple((key,) for _, _, _, key in steps) for column in _PLACES}
    told = units_agree(counts)
    outer = [Key("cases"), *([] if begun.all() else [not_begun])]
    inner = [*left_out.values(), rest]
    for whole, parts, among in ((total, outer, "begun"), (Key("cases"), inner, "left out for")):
        for unit in UNITS:
            inside = [key.counted_in(unit) for key in parts]
            told |= splits(whole.counted_in(unit), inside, counts, among=among)
        told |= differences_agree(whole, parts, told.counts, among=among)
    return Sourced(frame, sources, {**counts, **told.counts}, tuple(told.relations))


def missing_agrees(flow: Sourced, table: Sourced) -> list[Relation]:
    """What the reasons say of the missing counts of a table: the first is its feature's, others are no larger."""
    found = []
    reasons = [str(r).removesuffix(" missing") for r in flow.frame["reason"] if str(r).endswith(" missing")]
    for place, name in enumerate(reasons):
        base = SAME_AS.get(name, name)
        missing, left_out = Key("cases").and_(base, MISSING), Key("cases").and_("left out for", name)
        if missing in table.counts:
            found.append(at_least([missing], left_out) if place else adds_up(missing, [left_out]))
    return found


def _reasons(
    cases: pd.DataFrame, definition: Definition | None
) -> tuple[dict[str, BoolArray], BoolArray, BoolArray]:
    """Cases first left out for each missing feature, those analysed, and those begun."""
    from retreat.fitting.design import read_data  # heavy: only with a definition

    begun = (cases["sessions"] >= 1).to_numpy(dtype=bool)
    if definition is None:
        return {}, begun, begun
    data = read_data(cases, definition)
    left, reasons = begun.copy(), {}
    for name in definition.features:
        gone = left & is_missing(data.features[name])
        if gone.any():
            reasons[name] = gone
        left &= ~gone
    return reasons, left, begun


def _count(cases: pd.DataFrame, rows: BoolArray, unit: Unit) -> int:
    if unit == "cases":
        return int(rows.sum())
    columns = ["patient"] if unit == "patients" else ["patient", "eye"]
    return int((~cases.loc[rows, columns].duplicated()).sum())


def _distinct(cases: pd.DataFrame, rows: BoolArray, column: str) -> int:
    values = cases.loc[rows, column]
    return int(values[~values.isin(MISSING_CODES)].nunique())
