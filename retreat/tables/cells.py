"""One cell given as text: is it allowed, and if not, what was probably meant."""

from __future__ import annotations

import math
import re
from datetime import date

from retreat.errors import Fault
from retreat.features import MISSING_CODES
from retreat.tables.column import EARLIEST_YEAR, Column, allowed_values
from retreat.tables.identifiers import masked, value_suspect, written_out
from retreat.tables.nearest import nearest, tidied

NUMBER = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?"
_NUMBER = re.compile(NUMBER)
_LONGEST_SHOWN = 40
# Words seen in clinic tables for the ones we write [common practice].
_SYNONYMS = {
    "od": "right", "re": "right", "os": "left", "le": "left",
    "y": "yes", "true": "yes", "1": "yes", "n": "no", "false": "no", "0": "no",
    "n/a": "not_applicable", "n.a.": "not_applicable", "na": "not_recorded", "nan": "not_recorded",
    "null": "not_recorded", "none": "not_recorded", "-": "not_recorded", "missing": "not_recorded",
    "?": "unknown", "unk": "unknown",
}  # fmt: skip


def fault_of(column: Column, text: str) -> Fault | None:
    """What is wrong with one cell, or None.

    Parameters
    ----------
    column : Column
        Where the cell stands.
    text : str
        What it holds.

    Returns
    -------
    Fault or None
        Without a row; an identifier is masked.

    Examples
    --------
    >>> from retreat.tables.schema import find
    >>> fault_of(find("size_mm"), "2,5").fix
    'write 2.5'
    """
    if not text.strip():
        fix = "write not_recorded, not_applicable or unknown" if column.may_be_missing else "fill it in"
        return _fault(column, "the cell is blank", fix, text)
    if text in MISSING_CODES:
        if column.may_be_missing:
            return None
        return _fault(column, f"{text}, but this column is never missing", "fill it in", text)
    if column.kind in ("key", "text"):
        return _text_fault(column, text)
    if column.kind == "category":
        return None if text in column.levels else _wrong(column, text, _nearest_word(column, text))
    if column.kind == "date":
        return None if is_date(text) else _wrong(column, text, _nearest_date(text))
    return _number_fault(column, text)


def number_of(text: str) -> float:
    """The number an allowed cell of a number column holds; `nan` for a missing code.

    Parameters
    ----------
    text : str
        A cell without fault.

    Returns
    -------
    float

    Examples
    --------
    >>> number_of("2.5"), number_of("unknown")
    (2.5, nan)
    """
    return math.nan if text in MISSING_CODES else float(text)


def is_date(text: str) -> bool:
    """Whether the text is an ISO date or a year, neither before 1990 nor in the future.

    Parameters
    ----------
    text : str
        A cell.

    Returns
    -------
    bool

    Examples
    --------
    >>> is_date("2021-02-28"), is_date("2021"), is_date("2021-02-30"), is_date("1989")
    (True, True, False, False)
    """
    if re.fullmatch(r"[0-9]{4}", text):
        return EARLIEST_YEAR <= int(text) <= date.today().year
    if not re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text):
        return False
    try:
        return date(EARLIEST_YEAR, 1, 1) <= date.fromisoformat(text) <= date.today()
    except ValueError:
        return False


def identifier_fault(column: Column, text: str, suspect: str) -> Fault:
    """The fault of a value that must not be repeated.

    Parameters
    ----------
    column : Column
        Where it stands.
    text : str
        The value.
    suspect : str
        What it looks like.

    Returns
    -------
    Fault
        With the value masked.
    """
    fix = "replace it by a random key" if column.kind == "key" else "remove it from the table"
    return _fault(column, f"value {masked(text)} looks like {suspect}", fix, masked(text))


def _fault(column: Column, what: str, fix: str, value: str) -> Fault:
    return Fault(column.name, what, allowed_values(column), fix, column=column.name, value=value)


def _wrong(column: Column, text: str, meant: tuple[str, bool]) -> Fault:
    """A fault of a value, with what was probably meant, and whether that is sure."""
    fix, sure = meant
    suspect = "" if sure else _suspect_here(column, text)
    if suspect:
        return identifier_fault(column, text, suspect)
    if len(text) > _LONGEST_SHOWN:
        return _fault(column, f"value {masked(text)}", fix, masked(text))
    return _fault(column, f"value {text if _NUMBER.fullmatch(text) else repr(text)}", fix, text)


def _suspect_here(column: Column, text: str) -> str:
    suspect = value_suspect(text)
    if column.kind == "date" and re.fullmatch(r"[0-9./: T-]+", text):
        return ""  # a date at fault, not somebody's birthday
    if not suspect and re.fullmatch(r"[0-9]{7,}", text):
        return "a telephone or record number"
    return suspect


def _text_fault(column: Column, text: str) -> Fault | None:
    suspect = written_out(text) if column.kind == "key" else _suspect_here(column, text)
    if suspect:
        return identifier_fault(column, text, suspect)
    tidy = " ".join(text.split())
    return None if tidy == text else _wrong(column, text, (f"write {tidy}", True))


def _nearest_word(column: Column, text: str) -> tuple[str, bool]:
    """The word probably meant, and whether the spelling leaves no doubt."""
    words = (*column.levels, *(MISSING_CODES if column.may_be_missing else ()))
    meant = _SYNONYMS.get(text.strip().lower(), "")
    if tidied(text) not in words and meant in words:
        return f"write {meant}", True
    near = nearest(text, column.levels, likeness=1.0) or nearest(text, words)
    is_sure = near == tidied(text) or (near != "" and near.startswith(tidied(text)))
    return (f"write {near}" if near else "use one of these words"), is_sure


def _nearest_date(text: str) -> tuple[str, bool]:
    found = re.fullmatch(r"\s*([0-9]{4})[-/.]([0-9]{1,2})[-/.]([0-9]{1,2})(?:[ T][0-9:.]+)?\s*", text)
    if found:
        iso = f"{found[1]}-{int(found[2]):02d}-{int(found[3]):02d}"
        return (f"write {iso}" if is_date(iso) and iso != text else "correct it"), False
    year = re.search(r"(?<![0-9])(?:19|20)[0-9]{2}(?![0-9])", text)
    if year and is_date(year[0]):
        return f"write year-month-day, or the year {year[0]}", False
    return "write year-month-day or the year", False


def _number_fault(column: Column, text: str) -> Fault | None:
    if not _NUMBER.fullmatch(text):
        return _wrong(column, text, (_nearest_number(column, text), False))
    number = float(text)
    otherwise = "correct it" + (" or write not_recorded" if column.may_be_missing else "")
    if not column.low <= number <= column.high:
        return _wrong(column, text, (otherwise, False))
    if column.kind == "integer" and number != math.floor(number):
        return _wrong(column, text, ("write a whole number", True))
    if column.top_code is not None and number > column.top_code - 1 and number != column.top_code:
        return _wrong(column, text, (f"write {column.top_code:g}", True))
    return None


def _nearest_number(column: Column, text: str) -> str:
    """How the number was probably meant: a decimal comma, a unit, a long dash, a word for missing."""
    tidy = text.strip().replace("−", "-").replace("–", "-")
    word = _SYNONYMS.get(tidy.lower(), "")
    if column.may_be_missing and word in MISSING_CODES:
        return f"write {word}"
    if column.may_be_missing and tidied(tidy) in MISSING_CODES:
        return f"write {tidied(tidy)}"
    if re.fullmatch(r"[+-]?[0-9]+,[0-9]+", tidy):
        tidy = tidy.replace(",", "" if column.kind == "integer" else ".")
    unit = re.fullmatch(rf"({NUMBER})\s*([A-Za-zµ°%]+)", tidy)
    if unit and unit[2].lower() not in ("", column.unit.lower()):  # another unit is another number
        return f"write one number, in {column.unit}" if column.unit else "write one number, without a unit"
    tidy = unit[1] if unit else tidy
    return f"write {tidy}" if _NUMBER.fullmatch(tidy) else "write one number, with a point"
