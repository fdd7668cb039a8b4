"""Terms together with what was learned from the fitted cases, frozen; replays on new cases."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.coding.spline import spline_knots
from retreat.coding.term import Term, encode_single, form_of, single_names
from retreat.errors import DefinitionError, Fault, FitError

FloatArray = NDArray[np.float64]


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
                block = encode_single(term, knots, features[term.features[0]])
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
                    "centre": float(t.centre),
                    "scale": float(t.scale),
                    "n_knots": t.n_knots,
                }
                for t in self.terms
            ],
            "knots": [[float(k) for k in ks] for ks in self.knots],
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
                form_of(t["form"]),
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
                named[term.features] = single_names(term)
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


def _learn_knots(term: Term, features: Mapping[str, ArrayLike]) -> tuple[float, ...]:
    if term.form != "spline":
        return ()
    x = np.asarray(features[term.features[0]], dtype=float)
    try:
        return spline_knots((x[np.isfinite(x)] - term.centre) / term.scale, term.n_knots)
    except FitError as error:
        raise FitError(Fault(term.label, error.faults[0].what, fix=error.faults[0].fix)) from None
