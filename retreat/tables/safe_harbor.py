"""The identifier classes of the HIPAA Safe Harbor rule, each with what the guard does about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class IdentifierClass:
    """One class of the rule.

    Parameters
    ----------
    letter : str
        A to R, as in the rule.
    what : str
        The class, paraphrased.
    guard : {"refused", "partly", "cannot"}
        Whether the guard finds and refuses it, finds some forms only, or cannot see it.
    how : str
        What is done, and what is left to the clinic.
    """

    letter: str
    what: str
    guard: Literal["refused", "partly", "cannot"]
    how: str


_AS_H = "column names; values only as far as under H"
_NO_COLUMN = "no column holds any; unknown columns are refused"

# 45 CFR 164.514(b)(2)(i), classes (A) to (R), paraphrased.
SAFE_HARBOR: tuple[IdentifierClass, ...] = (
    IdentifierClass(
        "A",
        "names",
        "partly",
        "column names, two or more capitalised words, titles, 'Surname, Given', any word-like key; the name "
        "of an operator alone is not told from a code",
    ),
    IdentifierClass(
        "B",
        "places smaller than a state",
        "partly",
        "column names, street and postcode forms of the US and Europe; the name of a town alone is not seen",
    ),
    IdentifierClass(
        "C",
        "parts of dates other than the year; ages above 89",
        "partly",
        "full dates are refused but in `started`, which may hold one inside the clinic and must be cut to "
        "the year before the table leaves; ages above 89 must be stored as 90; whether days since the first "
        "session may leave is for a privacy officer",
    ),
    IdentifierClass("D", "telephone numbers", "refused", "column names and the usual written forms"),
    IdentifierClass("E", "fax numbers", "refused", "as telephone numbers"),
    IdentifierClass("F", "e-mail addresses", "refused", "column names and values"),
    IdentifierClass("G", "social security numbers", "refused", "column names and digits in groups of 3-2-4"),
    IdentifierClass(
        "H",
        "medical record numbers",
        "partly",
        "column names, keys of five or more digits, keys with a tell-tale prefix, keys that rise with the "
        "date; a record number of letters and few digits looks like a random key",
    ),
    IdentifierClass("I", "health plan numbers", "partly", _AS_H),
    IdentifierClass("J", "account numbers", "partly", _AS_H),
    IdentifierClass("K", "certificate and licence numbers", "partly", _AS_H),
    IdentifierClass("L", "vehicle identifiers", "partly", "column names only"),
    IdentifierClass("M", "device identifiers and serial numbers", "partly", "column names only"),
    IdentifierClass("N", "web addresses", "refused", "column names and values"),
    IdentifierClass("O", "network (IP) addresses", "refused", "column names and dotted forms"),
    IdentifierClass("P", "biometric identifiers", "cannot", _NO_COLUMN),
    IdentifierClass("Q", "full-face photographs", "cannot", _NO_COLUMN),
    IdentifierClass(
        "R",
        "any other unique number, characteristic or code",
        "cannot",
        "unknown columns are refused; only the clinic can know that a key was drawn at random and that the "
        "list which links it to the patient stays in the clinic",
    ),
)
