"""Files given in each other's place, told apart by what they hold."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from pathlib import Path

from retreat.errors import Fault, ModelFileError, RetreatError, TableError

_MODEL, _CASES, _VISITS = "a saved model", "a case table", "a visit table"
_SHEETS = (".xlsx", ".parquet", ".sqlite", ".sqlite3", ".db")
_READ = 4000  # bytes that hold a header

_INSTEAD_OF_MODEL = {
    _CASES: "fit a model to it and give that: retreat fit {name} --out clinic.retreat",
    _VISITS: "give the saved model here; the visits go to retreat plan --visits",
    "a table": "fit a model to the case table and give that: retreat fit {name} --out clinic.retreat",
    "a definition": "fit it and give that: retreat fit CASES --model {name} --out clinic.retreat",
}


def told_apart(error: RetreatError, fault: Fault) -> Fault:
    """The fault of a file of another kind, saying what the file is and where it belongs; others as they are.

    Parameters
    ----------
    error : RetreatError
        What was raised: a `ModelFileError` where a model was wanted, a `TableError` where a table was.
    fault : Fault
        One of its faults.
    """
    path = Path(fault.where)
    if not path.is_file():
        return fault
    kind = kind_of(path)
    if isinstance(error, ModelFileError) and kind in _INSTEAD_OF_MODEL:
        fix = _INSTEAD_OF_MODEL[kind].format(name=path)
        return replace(fault, what=f"this is {kind}", allowed=f"{_MODEL} (.retreat)", fix=fix)
    if isinstance(error, TableError) and kind == _MODEL:
        fix = "give the table here; a saved model goes to retreat sheet, forecast, plan or update, before the table"
        return replace(fault, what=f"this is {kind}", fix=fix)
    return fault


def kind_of(path: Path) -> str:
    """What a file is, in words, by its content; empty where that cannot be told."""
    if path.suffix.lower() == ".toml":
        return "a definition"
    if path.suffix.lower() in _SHEETS:
        return "a table"
    try:
        if zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as archive:
                return _MODEL if "model.json" in archive.namelist() else ""
        with path.open("rb") as stream:
            head = stream.read(_READ).decode("utf-8-sig", errors="replace")
    except (OSError, zipfile.BadZipFile):
        return ""
    first = head.lstrip().partition("\n")[0]
    for separator in ",;\t":
        names = {name.strip(' "\r').lower() for name in first.split(separator)}
        if {"case", "patient"} <= names:
            return _CASES
        if {"case", "session"} <= names:
            return _VISITS
    return ""
