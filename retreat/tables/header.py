"""The header of a table: known columns, none twice, none missing, none that may carry a person."""

from __future__ import annotations

from collections.abc import Sequence

from retreat.errors import Fault
from retreat.tables.column import Schema
from retreat.tables.column_names import column_suspect
from retreat.tables.identifiers import masked, value_suspect
from retreat.tables.nearest import nearest, tidied
from retreat.tables.schema import CASES, VISITS, name_of

HEADER_ROW = 1


def check_header(header: Sequence[str], schema: Schema) -> tuple[Fault, ...]:
    """All that is wrong with the names of the columns.

    Parameters
    ----------
    header : sequence of str
        Names as they stand in the file, in order, before any renaming.
    schema : Schema
        What they should be.

    Returns
    -------
    tuple of Fault
        One for each unknown, doubled or missing column.

    Examples
    --------
    >>> from retreat.tables.schema import VISITS
    >>> [str(fault) for fault in check_header(["case", "Session"], VISITS)]
    ['row 1, Session: unknown column; allowed: case, session, day, operator, pulses, energy_mj, cleared, \
fragments, bother, event, missed; to mend: rename it to session']
    """
    names = [column.name for column in schema]
    if is_foreign(header, schema):
        return (_foreign_header(header, schema),)
    faults: list[Fault] = []
    meant: set[str] = set()
    seen: set[str] = set()
    for place, name in enumerate(header, start=1):
        if name in seen:
            faults.append(_header_fault(name, "the column stands twice", "", "keep one of them"))
        elif name not in names:
            near = _nearest(name, [known for known in names if known not in header])
            meant.add(near)
            faults.append(_unknown(name, place, near, names))
        seen.add(name)
    for column in schema:
        if column.required and column.name not in seen | meant:
            fix = f"add it: {column.meaning}"
            faults.append(_header_fault(column.name, "the column is missing", "", fix))
    return tuple(faults)


def is_foreign(header: Sequence[str], schema: Schema) -> bool:
    """Whether the first row is no header of this table at all, so that its cells are not worth a look.

    Parameters
    ----------
    header : sequence of str
        Names as they stand in the file.
    schema : Schema
        What they should be.

    Returns
    -------
    bool
    """
    return not set(header) & {column.name for column in schema} or _is_other_table(header, schema)


def _header_fault(name: str, what: str, allowed: str, fix: str) -> Fault:
    return Fault(name, what, allowed, fix, row=HEADER_ROW, column=name)


def _unknown(name: str, place: int, near: str, names: list[str]) -> Fault:
    allowed = ", ".join(names)
    if not name.strip():
        return _header_fault(f"column {place}", "the column has no name", allowed, "name it or remove it")
    suspect = column_suspect(name)
    if suspect and not near:
        return _header_fault(name, f"the column seems to hold {suspect}", allowed, "remove the column")
    value = value_suspect(name)
    if value:
        shown = masked(name)
        return _header_fault(
            shown, f"the name of the column looks like {value}", allowed, "is the header missing?"
        )
    fix = f"rename it to {near}" if near else "remove it: an unknown column may carry a person's data"
    return _header_fault(name, "unknown column", allowed, fix)


def _nearest(name: str, free: list[str]) -> str:
    """The known column probably meant, among those not in the file; empty for none."""
    if column_suspect(name) and tidied(name) not in free:
        return ""
    return nearest(name, free, likeness=0.75)


def _is_other_table(header: Sequence[str], schema: Schema) -> bool:
    other = VISITS if schema == CASES else CASES
    return {column.name for column in other if column.required} <= set(header) <= {c.name for c in other}


def _foreign_header(header: Sequence[str], schema: Schema) -> Fault:
    """The first row names no column of this table, or names the other table's."""
    name = name_of(schema)
    allowed = ", ".join(column.name for column in schema)
    if _is_other_table(header, schema):
        what = f"these are the columns of a {name_of(VISITS if schema == CASES else CASES)} table"
        return Fault("header", what, f"a {name} table: {allowed}", "give the other file", row=HEADER_ROW)
    what = f"no column of a {name} table in the first row"
    return Fault("header", what, allowed, "write the names of the columns in row 1", row=HEADER_ROW)
