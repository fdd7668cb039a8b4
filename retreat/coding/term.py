"""Terms of a model: which feature in which form, the columns each gives, and their names."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from retreat.coding.spline import spline_basis
from retreat.errors import Fault, FitError

FloatArray = NDArray[np.float64]
Form = Literal["category", "linear", "log", "spline", "interaction"]
FORMS: tuple[Form, ...] = ("category", "linear", "log", "spline", "interaction")


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


def encode_single(term: Term, knots: tuple[float, ...], values: ArrayLike) -> FloatArray:
    """Columns of one term that is no interaction, shape (cases, columns); see :class:`Coding` for errors."""
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


def single_names(term: Term) -> list[str]:
    """Names of the columns of one term that is no interaction."""
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


def form_of(text: str) -> Form:
    """The form of this name; ValueError if there is none."""
    for form in FORMS:
        if text == form:
            return form
    raise ValueError(f"unknown form {text!r}")
