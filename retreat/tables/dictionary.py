"""The schemas told to others: a data dictionary for people, a Table Schema for programs."""

from __future__ import annotations

from typing import Any

from retreat.features import MISSING_CODES
from retreat.tables.column import EARLIEST_YEAR, Column, Schema, allowed_values

PROFILE = "https://datapackage.org/profiles/2.0/tableschema.json"
_TYPES = {"key": "string", "text": "string", "category": "string", "date": "string"}


def dictionary_rows(schema: Schema) -> tuple[dict[str, str], ...]:
    """The data dictionary of a table, one row a column.

    Parameters
    ----------
    schema : Schema
        `CASES` or `VISITS`.

    Returns
    -------
    tuple of dict
        `column`, `meaning`, `unit`, `allowed`, `in_the_file` (must or may).

    Examples
    --------
    >>> from retreat.tables.schema import CASES
    >>> dictionary_rows(CASES)[2]["allowed"], dictionary_rows(CASES)[2]["in_the_file"]
    ('right, left', 'must')
    """
    return tuple(
        {
            "column": column.name,
            "meaning": column.meaning,
            "unit": column.unit,
            "allowed": allowed_values(column),
            "in_the_file": "must" if column.required else "may",
        }
        for column in schema
    )


def table_schema(schema: Schema) -> dict[str, Any]:
    """A table described in the JSON form of the Table Schema standard.

    Visits have no primary key: a missed booking carries the number of the session it was booked for, so a
    case and a number may stand together twice. `started` is a string with a pattern, since it may be a date
    or a year. Columns that must be in the file are marked `mandatory`, a property of our own: the standard
    can only say that some columns may be left out (`fieldsMatch`).

    Parameters
    ----------
    schema : Schema
        `CASES` or `VISITS`.

    Returns
    -------
    dict
        Ready for `json.dumps`.

    References
    ----------
    .. [1] Table Schema, Data Package standard version 2. https://datapackage.org/standard/table-schema/

    Examples
    --------
    >>> from retreat.tables.schema import CASES
    >>> described = table_schema(CASES)
    >>> described["primaryKey"], described["fields"][2]["categories"]
    (['case'], ['right', 'left'])
    """
    described: dict[str, Any] = {
        "$schema": PROFILE,
        "fieldsMatch": "superset",
        "fields": [_field(column) for column in schema],
        "missingValues": [{"value": code, "label": code.replace("_", " ")} for code in MISSING_CODES],
    }
    keys = [column.name for column in schema if column.unique]
    if keys:
        described["primaryKey"] = keys
    foreign = [column for column in schema if column.refers_to]
    if foreign:
        described["foreignKeys"] = [_foreign_key(column) for column in foreign]
    return described


def _foreign_key(column: Column) -> dict[str, Any]:
    table, name = column.refers_to.split(".")
    return {"fields": [column.name], "reference": {"resource": table, "fields": [name]}}


def _field(column: Column) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES.get(column.kind, column.kind),
        "description": column.meaning,
        "mandatory": column.required,
    }
    if column.unit:
        field["unit"] = column.unit
    if column.levels:
        field["categories"] = list(column.levels)
    constraints: dict[str, Any] = {}
    if column.is_number:
        constraints["minimum"] = column.low
        constraints["maximum"] = column.high if column.top_code is None else column.top_code
    if column.kind == "date":
        constraints["pattern"] = "[0-9]{4}(-[0-9]{2}-[0-9]{2})?"
        field["description"] += f"; from {EARLIEST_YEAR}"
    if column.unique:
        constraints["unique"] = True
    if not column.may_be_missing:
        constraints["required"] = True
        field["missingValues"] = []
    if constraints:
        field["constraints"] = constraints
    return field
