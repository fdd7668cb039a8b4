"""Frozen coding of case features into numbers: settings apart from what was learned, replayed by numpy alone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.errors import DefinitionError, Fault, FitError

FloatArray = NDArray[np.float64]
Form = Literal["category", "linear", "log", "spline", "interaction"]
FORMS: tuple[Form, ...] = ("category", "linear", "log", "spline", "interaction")

# Harrell 2015, Regression Modeling Strategies, 2nd ed., table 2.3: default knot quantiles (values agree with
# R Hmisc rcspline.eval, see tests/external)
_KNOT_QUANTILES = {
    3: (0.10, 0.50, 0.90),
    4: (0.05, 0.35, 0.65, 0.95),
    5: (0.05, 0.275, 0.50, 0.725, 0.95),
    6: (0.05, 0.23, 0.41, 0.59, 0.77, 0.95),
    7: tuple(np.linspace(0.025, 0.975, 7)),
}


@dataclass(frozen=True)
class Term:
    """One term of a model: which feature, in which form.

    Parameters
    ----------
    features : tuple of str
        One feature; two for an interaction, each also a term of its own before it.
    form : {"category", "linear", "log", "spline", "interaction"}
        ``linear`` codes (value - centre) / scale; ``log`` codes log(value / centre); ``category`` one
        indicator a level but the reference; ``spline`` a restricted cubic spline of (value - centre) /
        scale with `n_knots` knots at Harrell's quantiles; ``interaction`` the products of the columns of
        its two terms.
    reference : str
        Reference level of a category.
    levels : tuple of str
        All levels of a category, the reference included.
    centre, scale : float
        Fixed by the definition, not by the data, so that a coefficient means the same in every clinic.
    n_knots : int, 3 to 7
        Knots of a spline.
    """

    features: tuple[str, ...]
    form: Form
    reference: str = ""
    levels: tuple[str, ...] = ()
    centre: float = 0.0
    scale: float = 1.0
    n_knots: int = 0

    @property
    def label(self) -> str:
        """Name of the term."""
        return " x ".join(self.features)


@dataclass(frozen=True)
class Coding:
    """Terms together with what was learned from the fitted cases (knots only); replays on new cases.

    Examples
    --------
    >>> coding = learn([Term(("size_mm",), "log", centre=2.0)], {"size_mm": np.array([1.0, 4.0])})
    >>> coding.names
    ('log(size_mm/2)',)
    >>> coding.encode({"size_mm": np.array([2.0])}, n_cases=1).tolist()
    [[0.0]]
    """

    terms: tuple[Term, ...]
    knots: tuple[tuple[float, ...], ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the columns, in order."""
        return tuple(name for _, names in self._named() for name in names)

    @property
    def features(self) -> tuple[str, ...]:
        """Features the coding needs, each once."""
        return tuple(dict.fromkeys(f for term in self.terms for f in term.features))

    @property
    def term_of_column(self) -> tuple[int, ...]:
        """For each column, the position of its term."""
        return tuple(i for i, names in self._named() for _ in names)

    def columns_of(self, term: int) -> list[int]:
        """Positions of the columns of one term."""
        return [column for column, owner in enumerate(self.term_of_column) if owner == term]

    def encode(self, features: Mapping[str, ArrayLike], *, n_cases: int) -> FloatArray:
        """Numbers of the cases, NaN where a feature is missing.

        Parameters
        ----------
        features : mapping of str to array_like, each of shape (cases,)
            Text (None where missing) for categories, float (NaN where missing) for the rest.
        n_cases : int
            How many cases; a coding without terms gives as many empty rows.

        Returns
        -------
        ndarray of float, shape (cases, columns)

        Raises
        ------
        FitError
            If a category holds a level the coding does not know, or a log sees a value not above 0.
        """
        blocks: dict[tuple[str, ...], FloatArray] = {}
        for term, knots in zip(self.terms, self.knots, strict=True):
            if term.form == "interaction":
                left, right = (blocks[(name,)] for name in term.features)
                block = (left[:, :, None] * right[:, None, :]).reshape(
                    n_cases, left.shape[1] * right.shape[1]
                )
            else:
                block = _encode_single(term, knots, features[term.features[0]])
            blocks[term.features] = block
        return np.concatenate(list(blocks.values()), axis=1) if blocks else np.empty((n_cases, 0))

    def to_json(self) -> dict[str, Any]:
        """Plain lists and numbers; :meth:`from_json` is the inverse."""
        return {
            "terms": [
                {
                    "features": list(t.features),
                    "form": t.form,
                    "reference": t.reference,
                    "levels": list(t.levels),
                    "centre": t.centre,
                    "scale": t.scale,
                    "n_knots": t.n_knots,
                }
                for t in self.terms
            ],
            "knots": [list(k) for k in self.knots],
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Coding:
        """Rebuild a coding from :meth:`to_json`.

        Raises
        ------
        KeyError, TypeError, ValueError
            If the data are not of that form.
        """
        terms = tuple(
            Term(
                tuple(str(f) for f in t["features"]),
                _form(t["form"]),
                str(t["reference"]),
                tuple(str(level) for level in t["levels"]),
                float(t["centre"]),
                float(t["scale"]),
                int(t["n_knots"]),
            )
            for t in data["terms"]
        )
        knots = tuple(tuple(float(k) for k in ks) for ks in data["knots"])
        if len(knots) != len(terms):
            raise ValueError("one list of knots a term is needed")
        return cls(terms, knots)

    def _named(self) -> list[tuple[int, list[str]]]:
        named: dict[tuple[str, ...], list[str]] = {}
        for term in self.terms:
            if term.form == "interaction":
                left, right = (named[(name,)] for name in term.features)
                named[term.features] = [f"{a} x {b}" for a in left for b in right]
            else:
                named[term.features] = _single_names(term)
        return list(enumerate(named.values()))


def learn(terms: Sequence[Term], features: Mapping[str, ArrayLike]) -> Coding:
    """Coding of these terms with the knots of these cases.

    Parameters
    ----------
    terms : sequence of Term
        An interaction stands after both its terms.
    features : mapping of str to array_like, each of shape (cases,)
        Features of the cases; missing values are left out when knots are placed.

    Raises
    ------
    DefinitionError
        If an interaction lacks one of its terms, or a feature has two terms.
    FitError
        If a spline feature takes too few values for its knots.
    """
    seen: set[tuple[str, ...]] = set()
    for term in terms:
        if term.features in seen:
            raise DefinitionError(Fault(term.label, "two terms for one feature", fix="keep one"))
        if term.form == "interaction" and not all((name,) in seen for name in term.features):
            raise DefinitionError(
                Fault(term.label, "an interaction before its terms", fix="put each feature's own term first")
            )
        seen.add(term.features)
    return Coding(tuple(terms), tuple(_learn_knots(term, features) for term in terms))


def spline_knots(values: ArrayLike, n_knots: int) -> tuple[float, ...]:
    """Knots at Harrell's default quantiles of the values (Harrell 2015, table 2.3).

    With fewer than 100 values the outer knots are the fifth smallest and fifth largest, as in R's Hmisc
    for 4 and more knots.

    Parameters
    ----------
    values : array_like of float, shape (n,)
        Observed values, none missing.
    n_knots : int, 3 to 7
        How many.

    Returns
    -------
    tuple of float
        Strictly rising knots.

    Raises
    ------
    FitError
        If the quantiles coincide.

    Examples
    --------
    >>> spline_knots(np.arange(1, 1001), 3)
    (100.9, 500.5, 900.1)
    """
    x = np.sort(np.asarray(values, dtype=float))
    knots = np.quantile(x, _KNOT_QUANTILES[n_knots]) if len(x) else np.full(n_knots, np.nan)
    if n_knots > 3 and 10 <= len(x) < 100:
        knots[0], knots[-1] = x[4], x[-5]
    if len(x) == 0 or np.any(np.diff(knots) <= 0):
        raise FitError(
            Fault(
                "spline",
                f"{len(np.unique(x))} distinct values do not separate {n_knots} knots",
                fix="use fewer knots or a linear term",
            )
        )
    return tuple(float(k) for k in knots)


def spline_basis(values: ArrayLike, knots: Sequence[float]) -> FloatArray:
    """Restricted cubic spline basis: linear beyond the outer knots (Stone and Koo 1985; Harrell 2015, eq. 2.25).

    Columns are the value itself and, for j = 1..k-2,
    ((x-t_j)+^3 - (x-t_{k-1})+^3 (t_k-t_j)/(t_k-t_{k-1}) + (x-t_k)+^3 (t_{k-1}-t_j)/(t_k-t_{k-1})) / (t_k-t_1)^2.

    Parameters
    ----------
    values : array_like of float, shape (n,)
        Points.
    knots : sequence of float, rising, at least 3
        Knots t_1..t_k.

    Returns
    -------
    ndarray of float, shape (n, k - 1)

    Examples
    --------
    >>> spline_basis([7.0], [2.0, 4.0, 6.0, 9.0]).round(4).tolist()
    [[7.0, 2.5034, 0.517]]
    """
    x = np.asarray(values, dtype=float)
    t = np.asarray(knots, dtype=float)
    cubes = np.clip(x[:, None] - t, 0.0, None) ** 3  # (n, knots)
    last, before = t[-1], t[-2]
    inner = t[:-2]
    curved = (
        cubes[:, :-2]
        - cubes[:, [-2]] * (last - inner) / (last - before)
        + cubes[:, [-1]] * (before - inner) / (last - before)
    ) / (last - t[0]) ** 2
    return np.concatenate([x[:, None], curved], axis=1)


def _encode_single(term: Term, knots: tuple[float, ...], values: ArrayLike) -> FloatArray:
    if term.form == "category":
        return _indicators(term, values)
    x = np.asarray(values, dtype=float)
    if term.form == "log":
        if np.any(x <= 0):
            raise FitError(Fault(term.label, f"value {np.nanmin(x):g}", "above 0", "correct it"))
        return np.log(x / term.centre)[:, None]
    x = (x - term.centre) / term.scale
    return spline_basis(x, knots) if term.form == "spline" else x[:, None]


def _indicators(term: Term, values: ArrayLike) -> FloatArray:
    x = np.asarray(values, dtype=object)
    missing = np.array([v is None for v in x], dtype=bool)
    unknown = sorted({str(v) for v in x[~missing]} - set(term.levels))
    if unknown:
        raise FitError(
            Fault(
                term.label, f"level {', '.join(unknown)} is not one the model knows", ", ".join(term.levels)
            )
        )
    block = np.array(
        [[v == level for level in term.levels if level != term.reference] for v in x], dtype=float
    )
    block = block.reshape(len(x), len(term.levels) - 1)
    block[missing] = np.nan
    return block


def _single_names(term: Term) -> list[str]:
    name = term.features[0]
    if term.form == "category":
        return [f"{name}={level}" for level in term.levels if level != term.reference]
    if term.form == "log":
        return [f"log({name}/{term.centre:g})"]
    shifted = f"{name}-{term.centre:g}" if term.centre else name
    scaled = f"({shifted})/{term.scale:g}" if term.scale != 1 else shifted
    if term.form == "linear":
        return [scaled]
    return [scaled] + [scaled + "'" * (i + 1) for i in range(term.n_knots - 2)]


def _learn_knots(term: Term, features: Mapping[str, ArrayLike]) -> tuple[float, ...]:
    if term.form != "spline":
        return ()
    x = np.asarray(features[term.features[0]], dtype=float)
    try:
        return spline_knots((x[np.isfinite(x)] - term.centre) / term.scale, term.n_knots)
    except FitError as error:
        raise FitError(Fault(term.label, error.faults[0].what, fix=error.faults[0].fix)) from None


def _form(text: str) -> Form:
    for form in FORMS:
        if text == form:
            return form
    raise ValueError(f"unknown form {text!r}")
