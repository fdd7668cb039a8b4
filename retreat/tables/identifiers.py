"""The identifier guard: what looks like a name, a birth date, a record number or a way to reach a person.

It judges by form alone and errs in both directions; `safe_harbor.SAFE_HARBOR` lists what it cannot see.
A suspicious value is never repeated in an error: only its first character and its length are.
"""

from __future__ import annotations

import re


def _standing_alone(form: str) -> re.Pattern[str]:
    """The form, not as a part of a longer token: a random key with hyphens must not match in its middle."""
    return re.compile(rf"(?<![0-9A-Za-z.-])(?:{form})(?![0-9A-Za-z-])")


_MONTH = r"(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[a-z]*"
_DAY_OR_MONTH = r"(?:0?[1-9]|[12][0-9]|3[01])"

# Sought anywhere in a value, in this order; the first that fits names the value.
_FORMS: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("an e-mail address", re.compile(r"[^\s@]+@[^\s@]+\.[^\s@]+")),
    ("a web address", re.compile(r"(?i)https?:|\bwww\.|\b[a-z0-9-]+\.(?:com|org|net|edu|gov)\b")),
    ("a network address", _standing_alone(r"(?:[0-9]{1,3}\.){3}[0-9]{1,3}")),
    (
        "a date",
        re.compile(
            rf"(?<![0-9A-Za-z.-])(?:19|20)[0-9]{{2}}[-/.]{_DAY_OR_MONTH}[-/.]{_DAY_OR_MONTH}(?![0-9-])"
        ),
    ),
    ("a date", _standing_alone(rf"{_DAY_OR_MONTH}[-/.]{_DAY_OR_MONTH}[-/.](?:19|20)[0-9]{{2}}")),
    ("a date", _standing_alone(rf"{_DAY_OR_MONTH}([/.]){_DAY_OR_MONTH}\1[0-9]{{2}}")),
    ("a date", re.compile(rf"(?i)\b[0-3]?[0-9](?:st|nd|rd|th)?[ -]{_MONTH}[ -](?:19|20)?[0-9]{{2}}\b")),
    ("a date", re.compile(rf"(?i)\b{_MONTH} [0-3]?[0-9],? (?:19|20)[0-9]{{2}}\b")),
    ("a national number", _standing_alone(r"[0-9]{3}[- ][0-9]{2}[- ][0-9]{4}|[0-9]{3} [0-9]{3} [0-9]{4}")),
    (
        "a postal address",
        re.compile(
            r"(?i)\b[0-9]+[a-z]? (?:[\w.']+ ){1,3}(?:st|street|ave|avenue|rd|road|lane|ln|drive|dr|blvd"
            r"|boulevard|court|ct|way|square|close|terrace)\b|\bp\.? ?o\.? ?box\b"
            r"|\b\w*(?:straße|strasse|str\.|gasse|weg|platz|laan|straat)\s+[0-9]+"
            r"|\b(?:rue|via|viale|calle|plaza|rua)\s[\w ]+,?\s?[0-9]+"
            r"|\b[0-9]+,?\s(?:bis\s)?(?:rue|avenue|boulevard|quai|place)\s"
        ),
    ),
    ("a postcode", re.compile(r"\b[A-Z]{2},? [0-9]{5}(?:-[0-9]{4})?$|^[0-9]{5}-[0-9]{4}$")),  # US
    ("a postcode", re.compile(r"\b[A-Z]{1,2}[0-9][A-Z0-9]? [0-9][A-Z]{2}\b")),  # UK
    (
        "a postcode",
        re.compile(r"\b(?:[A-Z]{1,2}-)?[0-9]{4,5} (?:[A-ZÀ-Þ][a-zà-ÿ]{2,}|[A-Z]{2}\b)"),
    ),  # continent
)
_DIGITS_APART = re.compile(r"\+?[0-9(][0-9 ().\-/]{5,}[0-9]|\+[0-9]{7,}")

_TITLE = re.compile(
    r"(?i)(?<![^\W_])(?:mr|mrs|ms|miss|dr|prof|herr|frau|mme|sr|sra)(?:\.? ?|_)(?<=[. _])[^\W\d_]{2,}(?![^\s,])"
)
_SURNAME_FIRST = re.compile(r"[A-ZÀ-Þ][^\W\d_]+(?:[ '-][^\W\d_]+)*, ?[A-ZÀ-Þ]")
_INITIAL = re.compile(r"(?:[A-Z]\.? ?){1,2}[ .]([A-Z][a-z]{2,})|([A-Z][a-z]{2,}) [A-Z]\.?")
_NAME = r"(?:Mc|Mac|[OD]['’])?[A-ZÀ-Þ][a-zà-ÿ]+(?:-[A-ZÀ-Þ][a-zà-ÿ]+)?"
_NAME_WORD = re.compile(rf"(?<![^\s.,])(?:{_NAME}|[A-ZÀ-Þ]{{3,}})(?![^\s.,])")
# Words that name a room, a role or a test rather than a person.
_LABELS = frozenset(
    {
        "site", "clinic", "centre", "center", "hospital", "practice", "room", "unit", "team", "ward", "group",
        "region", "north", "south", "east", "west", "main", "central", "upper", "lower", "left", "right",
        "operator", "op", "surgeon", "doctor", "nurse", "case", "patient", "pat", "subject", "person", "eye",
        "laser", "code", "key", "id", "no", "study", "test", "demo", "sample", "invented", "synthetic",
    }
)  # fmt: skip
_RECORD = re.compile(r"(?i)(?:mrn|record|nhs|hosp|chart|acct|ssn|pid|urn)[-_:# ./]*[0-9]{3,}")
_INITIALS_AND_DATE = re.compile(r"[A-Za-z]{1,4}[-_]?([0-9]{8})")


def masked(text: str) -> str:
    """The first character and the length of a value that must not be repeated.

    Parameters
    ----------
    text : str
        One cell.

    Returns
    -------
    str

    Examples
    --------
    >>> masked("555-01-2345")
    '5... (11 characters)'
    """
    return f"{text[:1]}... ({len(text)} characters)"


def value_suspect(text: str) -> str:
    """What a value seems to be, if it looks like an identifier in whatever column it stands.

    Parameters
    ----------
    text : str
        One cell.

    Returns
    -------
    str
        Such as `an e-mail address`; empty if the form raises no suspicion.

    Examples
    --------
    >>> value_suspect("jane@example.org"), value_suspect("Smith, Jane"), value_suspect("k7f3q9zt")
    ('an e-mail address', "a person's name", '')
    """
    return written_out(text) or ("a telephone or record number" if _has_digits_apart(text) else "")


def written_out(text: str) -> str:
    """What a value seems to be, if it has a form which no key drawn at random has.

    Parameters
    ----------
    text : str
        One cell.

    Returns
    -------
    str
        Empty if there is no such form.

    Examples
    --------
    >>> [written_out(key) for key in ("k7f3q9zt", "MRN-00412", "12/03/1954")]
    ['', '', 'a date']
    """
    for what, form in _FORMS:
        if form.search(text):
            return what
    return "a person's name" if _TITLE.search(text) or _SURNAME_FIRST.match(text) or _named(text) else ""


def key_form(text: str) -> str:
    """What a key seems to be, if it has a form which random keys have too, now and then.

    Whether chance explains it can only be told from the whole column: `random_keys.suspect_keys`.

    Parameters
    ----------
    text : str
        A key of a case or of a patient.

    Returns
    -------
    str
        Empty if the form raises no suspicion.

    Examples
    --------
    >>> [key_form(key) for key in ("k7f3q9zt", "A17", "p012", "0348", "34815")]
    ['', '', '', '', 'a record number']
    >>> [key_form(key) for key in ("MRN-00412", "Smith", "jane_smith", "js19540312")]
    ['a record number', "a person's name", "a person's name", 'a date']
    """
    if _RECORD.fullmatch(text) or (len(text) >= 5 and text.isascii() and text.isdecimal()):
        return "a record number"
    if _has_digits_apart(text):
        return "a telephone or record number"
    dated = _INITIALS_AND_DATE.fullmatch(text)
    if dated and _holds_date(dated[1]):
        return "a date"
    words = re.split(r"[ _.,\-]+", text)
    if len(words) >= 2 and all(len(word) >= 2 and word.isalpha() for word in words):
        return "" if _LABELS & {word.lower() for word in words} else "a person's name"
    is_name = len(text) >= 3 and re.fullmatch(_NAME, text) and text.lower() not in _LABELS
    return "a person's name" if is_name else ""


def _has_digits_apart(text: str) -> bool:
    """Seven or more digits with something between them."""
    return bool(_DIGITS_APART.fullmatch(text)) and not text.isdecimal() and sum(map(str.isdecimal, text)) >= 7


def _named(text: str) -> bool:
    """Two or more capitalised words that are not labels, or one with an initial."""
    initial = _INITIAL.fullmatch(text)
    if initial:
        return (initial[1] or initial[2]).lower() not in _LABELS
    return len([word for word in _NAME_WORD.findall(text) if word.lower() not in _LABELS]) >= 2


def _holds_date(digits: str) -> bool:
    """Whether eight digits read as a date of the last hundred-odd years, year first or last."""
    for year, month, day in (
        (digits[:4], digits[4:6], digits[6:]),
        (digits[4:], digits[2:4], digits[:2]),
        (digits[4:], digits[:2], digits[2:4]),
    ):
        if 1900 <= int(year) <= 2100 and 1 <= int(month) <= 12 and 1 <= int(day) <= 31:
            return True
    return False
