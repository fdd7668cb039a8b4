"""The identifier guard for headers: column names under which a person may be found."""

from __future__ import annotations

import re

_WORDS: tuple[tuple[str, str], ...] = (
    ("a name", "name names surname forename firstname lastname fullname givenname initials maiden"),
    ("a birth date", "dob birth born birthday birthdate dateofbirth yob"),
    ("a record number", "mrn record recordno chart hospitalno hospitalnumber urn pid emr ehr"),
    ("a telephone or fax number", "phone telephone tel mobile cell fax"),
    ("an e-mail address", "email mail"),
    ("an address", "address street city town village county zip zipcode postcode postal postalcode plz"),
    ("a national number", "ssn social nhs national passport nationalid"),
    (
        "an insurance or account number",
        "insurance insurer policy plan medicare medicaid account member subscriber",
    ),
    ("a licence or vehicle number", "licence license certificate vehicle vin"),
    ("a device serial number", "serial serialno device udi"),
    ("a web or network address", "url website web ip ipaddress"),
    ("a picture or body measure", "photo photograph picture fingerprint biometric"),
)
_MEANING = {word: what for what, words in _WORDS for word in words.split()}
# Long enough to be told inside a run-together name such as `patientsurname`.
_INSIDE = (
    "surname",
    "firstname",
    "lastname",
    "fullname",
    "birth",
    "address",
    "email",
    "phone",
    "insurance",
    "postcode",
)


def column_suspect(name: str) -> str:
    """What a column of that name seems to hold, if it is an identifier.

    Parameters
    ----------
    name : str
        A column the table does not know.

    Returns
    -------
    str
        Such as `a birth date`; empty if the name raises no suspicion.

    Examples
    --------
    >>> column_suspect("PatientDOB"), column_suspect("e-mail"), column_suspect("size")
    ('a birth date', 'an e-mail address', '')
    """
    words = re.sub(r"(?<=[a-z])(?=[A-Z])|[^A-Za-z]+", " ", name).lower().split()
    together = "".join(words)
    for word in (*words, together):
        if word in _MEANING:
            return _MEANING[word]
    return next((_MEANING[part] for part in _INSIDE if part in together), "")
