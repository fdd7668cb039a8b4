"""Whether an entry may be written: what `retreat check` finds in the tables with it and did not find without it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from retreat.errors import Fault, TableError
from retreat.record.entry import OUTCOME, Entry, Tables, rows_of
from retreat.tables.checking import Checked, check_raw
from retreat.tables.column import Schema
from retreat.tables.files import RawTable
from retreat.tables.header import check_header, is_foreign
from retreat.tables.schema import CASES, VISITS, name_of
from retreat.tables.visit_rules import agreement_faults


@dataclass(frozen=True)
class Judged:
    """Two tables, and what is wrong with each by itself.

    Parameters
    ----------
    tables : Tables
    cases, visits : Checked
    """

    tables: Tables
    cases: Checked
    visits: Checked

    @classmethod
    def of(cls, tables: Tables) -> Judged:
        """Check both tables; either may have no rows yet."""
        return cls(tables, check_raw(tables.cases, CASES), check_raw(tables.visits, VISITS))

    def faults(self) -> tuple[Fault, ...]:
        """All that is wrong with the two, taken together as `retreat check` does."""
        faults = [
            *(_of_table(fault, CASES) for fault in self.cases.faults),
            *(_of_table(fault, VISITS) for fault in self.visits.faults),
        ]
        if not faults:
            found = agreement_faults(self.visits.screened, self.cases.screened.typed)
            faults = [_of_table(fault, VISITS) for fault in found]
        return tuple(faults)

    def disagreement(self, case: str) -> Iterator[Fault]:
        """Where the visits of a case disagree with its row in `cases`; the case must be sound by itself."""
        cases, visits = self.cases.screened.typed, self.visits.screened
        own = visits.typed["case"].eq(case).to_numpy(dtype=bool)
        of_case = replace(visits, typed=visits.typed[own].reset_index(drop=True), rows=visits.rows[own])
        row = cases[cases["case"].eq(case)].reset_index(drop=True)
        yield from (_of_table(fault, VISITS) for fault in agreement_faults(of_case, row))


def refuse_unjudgeable(judged: Judged, case: str) -> None:
    """Refuse to add to tables with faults that would hide whether the new visit is sound.

    Faults of other cases do not matter. These do: a header without a column that a table must have, rows that do not
    split into cells, keys of cases that are no keys, and any fault of the case itself.

    Parameters
    ----------
    judged : Judged
        The tables as they stand.
    case : str
        Key of the case.

    Raises
    ------
    TableError
        With all such faults.
    """
    tables = judged.tables
    header = [*_bad_header(tables.cases, CASES), *_bad_header(tables.visits, VISITS)]
    if header:
        raise TableError(header)
    faults = [
        *_hiding(tables.cases, judged.cases, CASES, case),
        *_hiding(tables.visits, judged.visits, VISITS, case),
    ]
    if not faults and rows_of(tables.cases, case):
        faults = [*judged.disagreement(case)]
    if faults:
        raise TableError(faults)


def refuse_new_faults(before: Judged, after: Judged, entry: Entry) -> None:
    """Refuse an entry that brings a fault into the tables.

    Parameters
    ----------
    before, after : Judged
        The tables without and with it.
    entry : Entry
        What was written. Faults of its own cells come without a row: it has none yet.

    Raises
    ------
    TableError
        With all new faults.
    """
    row = int(after.tables.visits.rows[-1])
    faults = [
        *_new(before.cases, after.cases, CASES, entry.case_row, (*entry.after, *OUTCOME)),
        *_new(before.visits, after.visits, VISITS, row, (*entry.visit,)),
    ]
    faults = faults or [*after.disagreement(entry.visit["case"])]
    if faults:
        raise TableError(faults)


def _bad_header(raw: RawTable, schema: Schema) -> Iterator[Fault]:
    """Faults of a header in which columns cannot be told; an unknown column more is none of them."""
    known = {column.name for column in schema}
    lacking = {column.name for column in schema if column.required} - set(raw.header)
    is_unclear = bool(lacking) or is_foreign(raw.header, schema)
    for fault in check_header(raw.header, schema):
        if is_unclear or fault.column in known:
            yield _of_table(fault, schema)


def _hiding(raw: RawTable, checked: Checked, schema: Schema, case: str) -> Iterator[Fault]:
    rows = rows_of(raw, case)
    for fault in checked.faults:
        is_of_key = fault.column == "case" and fault in checked.screened.faults
        if fault in raw.faults or is_of_key or fault.row in rows:
            yield _of_table(fault, schema)


def _new(
    before: Checked, after: Checked, schema: Schema, row: int, own_columns: tuple[str, ...]
) -> Iterator[Fault]:
    known = set(before.faults)
    for fault in after.faults:
        if fault not in known:
            is_own = fault.row == row and fault.column in own_columns
            yield replace(fault, row=None) if is_own else _of_table(fault, schema)


def _of_table(fault: Fault, schema: Schema) -> Fault:
    return replace(fault, where=f"{fault.where} ({name_of(schema)})")
