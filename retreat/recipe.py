"""The recipe: from a case table and a definition to a fitted model, by the method asked for."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from retreat.definitions import Definition, read_definition
from retreat.errors import Fault, FitError
from retreat.fitting.arguments import choice_fault, is_whole

if TYPE_CHECKING:
    import pandas as pd

    from retreat.fitting.design import Design
    from retreat.model import Model

Method = Literal["logistic", "bayes", "lifetable"]

# where each method lives; loaded only when asked for, since some bring a sampler with them
METHODS: dict[str, tuple[str, str]] = {
    "logistic": ("retreat.fitting.logistic_model", "logistic_model"),
    "bayes": ("retreat.fitting.bayes", "bayes_model"),
    "lifetable": ("retreat.fitting.lifetable", "lifetable_model"),
}


def fit(
    cases: pd.DataFrame,
    definition: str | Path | Definition = "core",
    *,
    visits: pd.DataFrame | None = None,
    method: Method | None = None,
    seed: int = 1,
    **settings: Any,
) -> Model:
    """Fit a definition to a case table.

    Parameters
    ----------
    cases : DataFrame
        From :func:`retreat.read_cases`, or any table of that form; it is checked.
    definition : str, Path or Definition
        ``"core"`` and the other names of `models/`, or the path of a TOML file.
    visits : DataFrame, optional
        From :func:`retreat.read_visits`: what a definition with a history learns from; others do not look at it.
    method : {"logistic", "bayes", "lifetable"}, optional
        Default: ``"lifetable"`` for a definition with strata, ``"bayes"`` for progress, else ``"logistic"``.
    seed : int, from 0
        Seed of everything random.
    **settings
        Settings of the method: ``penalty``, ``covariance``, ``draws`` for logistic; ``sampler``, and for its chains
        ``draws``, ``tune`` and ``chains``, for bayes; ``draws`` for lifetable.

    Returns
    -------
    Model

    Raises
    ------
    TableError
        If the table is refused.
    DefinitionError
        If the definition is refused.
    FitError
        If the method, a setting or the data do not allow the fit.
    """
    _check_kinds(cases, definition)
    chosen = read_definition(definition)
    _check_own(chosen)
    name = chosen_method(chosen, method)
    check_recipe(name, seed, settings)
    from retreat.fitting.design import read_data

    data = read_data(cases, chosen)
    if chosen.history is None:
        return fit_design(data.design(), name, seed=int(seed), settings=settings)
    from retreat.fitting.histories.joined import fit_joined

    return fit_joined(cases, visits, data, name, seed=int(seed), settings=settings, fit=fit_design)


def fit_design(design: Design, method: str, *, seed: int, settings: Mapping[str, Any]) -> Model:
    """Fit a design by a method; arguments are taken as checked."""
    home, function = METHODS[method]
    fitter: Callable[..., Model] = getattr(import_module(home), function)
    return fitter(design, seed=seed, **settings)


def chosen_method(definition: Definition, method: str | None) -> str:
    """The method asked for, or the definition's own.

    Raises
    ------
    FitError
        If there is no such method, or not for this definition.
    """
    name = method or _default_method(definition)
    if fault := choice_fault("method", name, METHODS):
        raise FitError(fault)
    if definition.strata and name != "lifetable":
        raise FitError(Fault("method", f"{name!r} for a definition with strata", "lifetable"))
    return name


def _default_method(definition: Definition) -> str:
    if definition.strata:
        return "lifetable"
    return "bayes" if definition.history is not None and definition.history.kind == "progress" else "logistic"


def made_by(method: str, design: Design, settings: Mapping[str, Any]) -> str:
    """How the card of a model made by this method and settings begins to tell its method."""
    if method == "logistic":
        from retreat.fitting.logistic_model import method_words

        return method_words(settings.get("penalty", "prior"), design)
    return {"bayes": "Bayesian hazard", "lifetable": "life table"}[method]


def check_recipe(method: str, seed: int, settings: Mapping[str, Any]) -> None:
    """Refuse a seed or settings that the method does not take."""
    if not is_whole(seed) or seed < 0:
        raise FitError(Fault("seed", f"{seed!r}", "a whole number from 0"))
    home, function = METHODS[method]
    fitter: Callable[..., Any] = getattr(import_module(home), function)
    allowed = [p for p in inspect.signature(fitter).parameters if p not in ("design", "seed")]
    unknown = [s for s in settings if s not in allowed]
    if unknown:
        raise FitError([Fault(s, f"not a setting of {method}", ", ".join(allowed)) for s in unknown])


def _check_own(definition: Definition) -> None:
    """Refuse a definition with studies: a fit to cases alone would drop them without a word."""
    if definition.studies:
        what = f"{definition.name} rests on published averages, which a fit to cases alone would drop"
        fix = (
            "start from retreat.published() (retreat published) and update it with the cases (retreat update)"
        )
        raise FitError(Fault("definition", what, "a definition without studies", fix))


def _check_kinds(cases: object, definition: object) -> None:
    faults = []
    if not hasattr(cases, "columns"):
        faults.append(Fault("cases", f"a {type(cases).__name__}", "a DataFrame", "use retreat.read_cases"))
    if not isinstance(definition, str | Path | Definition):
        faults.append(Fault("definition", f"{definition!r}", "a name, a path or a Definition"))
    if faults:
        raise FitError(faults)
