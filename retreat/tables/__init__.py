"""Case and visit tables: their schemas, reading, checking, the identifier guard, writing.

The names below are loaded when first asked for: the schemas need no pandas, and the command line wants them
without waiting for it.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from retreat.tables.checking import check_frame
    from retreat.tables.column import Column, Schema, allowed_values
    from retreat.tables.dictionary import dictionary_rows, table_schema
    from retreat.tables.reading import as_cases, as_visits, read_cases, read_visits
    from retreat.tables.report import CheckResult, check_file
    from retreat.tables.safe_harbor import SAFE_HARBOR
    from retreat.tables.schema import CASES, VISITS, find, parse_value
    from retreat.tables.writing import write_atomically, write_table, write_templates

__all__ = [
    "CASES",
    "SAFE_HARBOR",
    "VISITS",
    "CheckResult",
    "Column",
    "Schema",
    "allowed_values",
    "as_cases",
    "as_visits",
    "check_file",
    "check_frame",
    "dictionary_rows",
    "find",
    "parse_value",
    "read_cases",
    "read_visits",
    "table_schema",
    "write_atomically",
    "write_table",
    "write_templates",
]

_HOME = {
    "CASES": "schema",
    "SAFE_HARBOR": "safe_harbor",
    "VISITS": "schema",
    "CheckResult": "report",
    "Column": "column",
    "Schema": "column",
    "allowed_values": "column",
    "as_cases": "reading",
    "as_visits": "reading",
    "check_file": "report",
    "check_frame": "checking",
    "dictionary_rows": "dictionary",
    "find": "schema",
    "parse_value": "schema",
    "read_cases": "reading",
    "read_visits": "reading",
    "table_schema": "dictionary",
    "write_atomically": "writing",
    "write_table": "writing",
    "write_templates": "writing",
}


def __getattr__(name: str) -> Any:
    """The public name, from its module."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
