"""Cases to show a model with: eyes spread like those fitted, and one worked example; none is a patient."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from retreat import features as feature_floor
from retreat.errors import Fault, FitError
from retreat.features import FEATURES, Columns
from retreat.model import Model
from retreat.model.completion import completed, is_missing

Features = dict[str, NDArray[Any]]


def needed_features(model: Model) -> tuple[str, ...]:
    """Features a case of the model needs, each once."""
    stratum = (model.stratum_feature,) if model.stratum_feature else ()
    return tuple(dict.fromkeys((*model.coding.features, *stratum)))


def usual_cases(model: Model) -> tuple[Features, NDArray[np.float64]]:
    """Made-up cases spread as the fitted ones, and their weights, from the case mix the model holds.

    Returns
    -------
    dict of str to ndarray, each of shape (cases,)
        Features; one case without any for a model without features.
    ndarray of float, shape (cases,)
        Weights, adding to 1.
    """
    blank: Features = {
        name: np.array([None], dtype=object) if FEATURES[name].kind == "category" else np.array([np.nan])
        for name in needed_features(model)
    }
    return completed(blank, 0, model.case_mix, seed=model.card.seed) if blank else ({}, np.ones(1))


def worked_case(model: Model, case: Columns | None = None) -> Features:
    """One case to work an example with.

    Parameters
    ----------
    model : Model
        The model.
    case : mapping of str to array_like, optional
        Columns of the case table, one case. When not given: of each feature the level most fitted cases had, or
        their median in two digits; a made-up case, not one of a patient.

    Raises
    ------
    FitError
        If it is not one case, or a feature of the model is missing.
    """
    names = needed_features(model)
    if case is None:
        return {name: _usual(model, name) for name in names}
    if feature_floor.n_cases(case) != 1:
        raise FitError(Fault("case", f"{feature_floor.n_cases(case)} cases", "one case"))
    found = feature_floor.features(case, names)
    gone = [name for name, value in found.items() if is_missing(value)[0]]
    if gone:
        raise FitError([Fault(name, "missing in the worked example", fix="give a value") for name in gone])
    return found


def value_words(value: Any) -> str:
    """A value as it is written on paper."""
    return value if isinstance(value, str) else f"{float(value):g}"


def _usual(model: Model, name: str) -> NDArray[Any]:
    shares = model.case_mix.levels.get(name)
    if shares:
        return np.array([max(shares, key=lambda level: shares[level])], dtype=object)
    if name in model.case_mix.quantiles:
        return np.array([float(f"{np.median(model.case_mix.quantiles[name]):.2g}")])
    raise FitError(Fault(name, "no fitted case had it", fix="give the case to work the example with"))
