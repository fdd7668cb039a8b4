"""Joint tests: whether a feature tells anything, whether its interactions do, whether its line is bent."""

from __future__ import annotations

from typing import TYPE_CHECKING

from retreat.coding import Coding
from retreat.study.effects.estimates import Estimates

if TYPE_CHECKING:
    import pandas as pd

ALL_ENDS = "all"


def joint_table(estimates: Estimates) -> pd.DataFrame:
    """Wald tests of each feature with its interactions, of each interaction, and of each spline's bend.

    A feature is tested together with its interactions, as the test of its own columns alone would hang on where the
    other feature is centred. Each test is made for each end, and for all ends at once.

    Parameters
    ----------
    estimates : Estimates
        The fits.

    Returns
    -------
    DataFrame
        Columns test (feature, interaction, bend), term, end, chi_square, df, df_error, p. The statistic over its df
        is held against F(df, df_error); where df_error is infinite this is the chi-square test.
    """
    import pandas as pd  # heavy: only for tables

    cases = estimates.analysed
    ends = cases.known_ends
    asked: list[tuple[tuple[int, ...], str]] = [((j,), cases.definition.ends[j]) for j in ends]
    if len(ends) > 1:
        asked.append((ends, ALL_ENDS))
    rows = []
    for kind, term, columns in tested(cases.coding):
        for chosen, name in asked:
            found = estimates.test(columns, chosen)
            rows.append(
                {
                    "test": kind,
                    "term": term,
                    "end": name,
                    "chi_square": found.chi_square,
                    "df": found.df,
                    "df_error": found.df_error,
                    "p": found.p,
                }
            )
    return pd.DataFrame(rows)


def tested(coding: Coding) -> list[tuple[str, str, list[int]]]:
    """What is tested: kind of test, term, and columns that are 0 if it tells nothing.

    Examples
    --------
    >>> from retreat.definitions import read_definition
    >>> from retreat.coding import Coding
    >>> terms = read_definition("core").terms
    >>> [(kind, term, len(columns)) for kind, term, columns in tested(Coding(terms, ((),) * len(terms)))]
    ... # doctest: +NORMALIZE_WHITESPACE
    [('feature', 'opacity', 3), ('feature', 'size_mm', 1), ('feature', 'depth', 2), ('feature', 'corneal_surgery', 2),
     ('interaction', 'corneal_surgery x depth', 1)]
    """
    found = []
    for place, term in enumerate(coding.terms):
        own = coding.columns_of(place)
        if term.form == "interaction":
            found.append(("interaction", term.label, own))
            continue
        name = term.features[0]
        joined = [
            column
            for other, one in enumerate(coding.terms)
            if one.form == "interaction" and name in one.features
            for column in coding.columns_of(other)
        ]
        found.append(("feature", name, own + joined))
        if term.form == "spline":
            found.append(("bend", name, own[1:]))
    return found
